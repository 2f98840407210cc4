"""Fault 1: the USB link drops in the middle of a job and the outputs stay on.

What must hold: the link gone in mid-hold is noticed within a second, the pins end safe, the run is
closed invalid with its samples kept, the link returns by itself, and the next run works.
"""

import time
from pathlib import Path

from rig.records import Outcome
from rig.runs import Ending
from tests.scenario.service import at_rest_after, energised_at, kept, service


def test_a_link_that_drops_in_mid_hold_leaves_all_safe_and_comes_back(tmp_path: Path) -> None:
    """Unplugged while a part is held; plugged in again, reset, and the next part is tested."""
    with service(tmp_path, "good", "N03") as rig:
        run = rig.start_test("good")
        rig.wait_for(lambda: rig.status()["step"] == "one.hold", "the hold")
        assert energised_at(tmp_path)
        dropped_s = time.monotonic()
        rig.do("unplug")
        result = rig.wait_for_result()
        assert at_rest_after(tmp_path, dropped_s) < 1.0
        assert result["ending"] == "tripped"
        assert result["reasons"][0]["code"] == "link_lost"
        assert rig.ask("/healthz")[0] == 503
        assert rig.ask("/api/reset", {})[0] != 200, "the cause is still there"
        rig.do("replug")
        rig.wait_for(lambda: rig.ask("/healthz")[1]["link"] == "streaming", "the link")
        rig.wait_for(lambda: rig.ask("/api/reset", {})[0] == 200, "the reset")
        rig.start_test("N03")
        assert rig.wait_for_result()["ending"] == "finished"
        assert not energised_at(tmp_path)
    old = kept(tmp_path, run)
    assert old.result is not None
    assert (old.result.ending, old.result.outcome) == (Ending.TRIPPED, Outcome.INVALID)
    assert old.steps[-1].name == "hold/one.hold"
    lasted_s = old.steps[-1].ended_mono_s - old.setup.began_mono_s
    assert old.samples.sequence.size > 0.95 * 200.0 * lasted_s
