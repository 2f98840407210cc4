"""Fault 6: a corrupt value is stored as truth.

What must hold: a flipped bit refuses its frame (the decoder's own tests); a good frame with an
impossible step is flagged, excluded and counted, and changes no verdict.
"""

from pathlib import Path

from tests.scenario.service import kept, service


def test_an_impossible_step_is_told_and_left_out(tmp_path: Path) -> None:
    """One frame at another end of the sensor, in the record that tells the part's volume."""
    with service(tmp_path, "N03") as rig:
        run = rig.start_test("N03")
        rig.wait_for_step("rest.after")
        rig.do("spike", channel="p_a", volts=1.0)
        result = rig.wait_for_result()
        assert result["tests"][0]["reasons"][0]["code"] == "nothing_behind"
    old = kept(tmp_path, run)
    flags = [event.finding for event in old.events if event.finding.code == "impossible_step"]
    assert len(flags) == 1
    assert flags[0].figures["channel"] == "p_a"
    assert abs(float(flags[0].figures["reading_v"]) - 1.0) < 0.05
    column = [spec.name for spec in old.setup.channels].index("p0")
    counts = old.samples.counts[:, column]
    assert (abs(counts - counts.mean()) > 10.0 * counts.std()).sum() == 1, "kept as it came"
