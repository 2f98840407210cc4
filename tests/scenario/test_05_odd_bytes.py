"""Fault 5: one odd byte ends the reader.

What must hold: any bytes, any split: no exception, and the next good frame is decoded (the
decoder's own tests); a run through garbled lines goes on, and what is lost is counted.
"""

import signal
from pathlib import Path

from tests.scenario.service import kept, service


def test_garbled_lines_in_a_run_cost_their_frames_and_nothing_else(tmp_path: Path) -> None:
    """A fifth of a second of garbage: the blocked part is found blocked all the same."""
    with service(tmp_path, "N03") as rig:
        run = rig.start_test("N03")
        rig.wait_for_step("rest.before")
        rig.do("garble", lines=40)
        result = rig.wait_for_result()
        assert result["ending"] == "finished"
        assert result["tests"][0]["reasons"][0]["code"] == "nothing_behind"
        status, errors = rig.end(signal.SIGTERM)
    assert (status, "Traceback" in errors) == (0, False)
    samples = kept(tmp_path, run).samples
    assert 40 <= samples.missing <= 80
    assert (samples.sequence[1:] > samples.sequence[:-1]).all()
