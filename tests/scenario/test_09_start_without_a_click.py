"""Fault 9: relays click on at start.

What must hold: the pins' history from construction holds no energised state, in both polarities
(the outputs' own tests show the polarities; here the whole service starts and ends).
"""

import signal
from pathlib import Path

from tests.scenario.service import energising, journal, service


def test_a_service_starts_and_ends_without_an_energised_pin(tmp_path: Path) -> None:
    """From the first line of the journal to the last, no output is at its energising level."""
    with service(tmp_path) as rig:
        assert rig.end(signal.SIGTERM)[0] == 0
    levels = energising(tmp_path)
    seen = [change for change in journal(tmp_path) if change.pin in levels]
    assert {change.pin for change in seen} == set(levels)
    driven = [change for change in seen if change.function == "output"]
    assert driven
    assert [change for change in driven if change.level == levels[change.pin]] == []
