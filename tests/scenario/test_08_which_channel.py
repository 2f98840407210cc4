"""Fault 8: an input is out of its range, and nobody says which.

What must hold: an open or shorted thermistor or sensor is told with its channel, its reading and
the likely cause, in the record of the run.
"""

from pathlib import Path

import pytest

from rig import words
from tests.scenario.service import kept, service


@pytest.mark.parametrize(
    ("door", "code", "likely"),
    [
        ("thermistor_open", "sensor_open", "broken wire"),
        ("thermistor_short", "sensor_shorted", "a short"),
    ],
)
def test_a_broken_thermistor_is_told_by_name(
    tmp_path: Path, door: str, code: str, likely: str
) -> None:
    """Open or shorted in mid-run: one event names channel, reading and cause; the run goes on."""
    with service(tmp_path, "N03") as rig:
        run = rig.start_test("N03")
        rig.wait_for_step("rest.before")
        rig.do(door, channel="t_bath")
        assert rig.wait_for_result()["ending"] == "finished"
    told = [each.finding for each in kept(tmp_path, run).events if each.finding.code == code]
    assert len(told) == 1
    said = words.sentence(told[0])
    assert "t_bath" in said
    assert likely in said
    assert " V" in said


def test_a_channel_that_was_broken_before_is_told_in_the_next_run(tmp_path: Path) -> None:
    """What began before a run does not stay unsaid in it."""
    with service(tmp_path, "N03") as rig:
        rig.do("thermistor_open", channel="t_gas")
        rig.wait_for(lambda: rig.ask("/healthz")[0] == 200, "the service")
        run = rig.start_test("N03")
        rig.wait_for_result()
    codes = [
        (each.finding.code, each.finding.figures.get("channel"))
        for each in kept(tmp_path, run).events
    ]
    assert ("channel_at_fault", "t_gas") in codes or ("sensor_open", "t_gas") in codes
