"""Fault 4: the service looks alive while the link is dead.

What must hold: data older than a second are a state that /healthz shows; a run trips by it.
"""

import time
from pathlib import Path

from tests.scenario.service import at_rest_after, service


def test_data_older_than_a_second_are_told_and_end_a_run(tmp_path: Path) -> None:
    """A board that falls silent: idle it is a state that passes, in a run it is a trip."""
    with service(tmp_path, "good") as rig:
        rig.do("silence", duration_s=2.5)
        rig.wait_for(lambda: rig.ask("/healthz")[0] == 503, "the stale data")
        health = rig.ask("/healthz")[1]
        assert [each["code"] for each in health["troubles"]] == ["data_stale"]
        assert health["data_age_s"] > 1.0
        assert rig.status()["tripped"] is None
        rig.wait_for(lambda: rig.ask("/healthz")[0] == 200, "fresh data")
        rig.start_test("good")
        rig.wait_for_step("rest.before")
        began_s = time.monotonic()
        rig.do("silence", duration_s=20.0)
        result = rig.wait_for_result()
        assert at_rest_after(tmp_path, began_s) < 3.0
        assert result["ending"] == "tripped"
        assert result["reasons"][0]["code"] in ("data_stale", "link_lost")
