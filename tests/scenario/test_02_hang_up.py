"""Fault 2: after a hang-up the serial library raises three different errors, and looks open.

What must hold: whatever is done to the port after a hang-up, LinkLost is all that leaves it (the
port's own tests), and so the service neither ends nor says anything of a traceback.
"""

import signal
from pathlib import Path

from tests.scenario.service import service


def test_the_service_outlives_a_hang_up_without_a_word_of_python(tmp_path: Path) -> None:
    """Unplugged and plugged in twice while nothing runs: trouble is told, then gone."""
    with service(tmp_path) as rig:
        for _ in range(2):
            rig.do("unplug")
            rig.wait_for(lambda: rig.ask("/healthz")[0] == 503, "the trouble")
            codes = [each["code"] for each in rig.ask("/healthz")[1]["troubles"]]
            assert codes == ["link_lost"]
            rig.do("replug")
            rig.wait_for(lambda: rig.ask("/healthz")[0] == 200, "the link")
        assert rig.status()["tripped"] is None, "nothing ran that could have tripped"
        status, errors = rig.end(signal.SIGTERM)
    assert status == 0
    assert "Traceback" not in errors
    assert "Error" not in errors
