"""Fault 3: the board reboots when the port opens, or in mid-run.

What must hold: nothing before a hello is believed (the session's own tests), and a hello in the
middle of a run makes that run invalid.
"""

import time
from pathlib import Path

from rig.records import Outcome
from rig.runs import Ending
from tests.scenario.service import at_rest_after, kept, service


def test_a_board_that_starts_anew_in_mid_run_spoils_the_run(tmp_path: Path) -> None:
    """The run trips, says why, and keeps what it has; the board is met again by itself."""
    with service(tmp_path, "good") as rig:
        run = rig.start_test("good")
        rig.wait_for_step("rest.after")
        began_s = time.monotonic()
        rig.do("reboot")
        result = rig.wait_for_result()
        assert at_rest_after(tmp_path, began_s) < 2.0
        assert (result["ending"], result["outcome"]) == ("tripped", "invalid")
        assert result["reasons"][0]["code"] in ("board_restarted", "data_stale", "supply_off")
        rig.wait_for(lambda: rig.ask("/healthz")[1]["link"] == "streaming", "the board")
        rig.wait_for(lambda: rig.ask("/api/reset", {})[0] == 200, "the reset")
    old = kept(tmp_path, run)
    assert old.result is not None
    assert (old.result.ending, old.result.outcome) == (Ending.TRIPPED, Outcome.INVALID)
    assert {"board_restarted", "data_stale", "supply_off"} & {
        event.finding.code for event in old.events
    }
    assert old.samples.sequence.size > 1000
