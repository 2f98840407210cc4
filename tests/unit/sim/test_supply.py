"""Check the lease of the simulated supply against the page of the protocol."""

from rig.link.frames import SupplyCause, SupplyState
from rig.sim.supply import CONTACT_SETTLES_US, Supply

ON = SupplyState(True, None)
NO_BEATS = SupplyState(False, SupplyCause.BEATS)
STOP = SupplyState(False, SupplyCause.STOP)


def _settled() -> Supply:
    supply = Supply()
    supply.pass_time(CONTACT_SETTLES_US)
    return supply


def test_it_begins_off_and_stays_off_without_a_configuration() -> None:
    """A beat counts only after a configuration since the start."""
    supply = _settled()
    assert supply.state == NO_BEATS
    supply.beat(1)
    supply.pass_time(1000)
    assert supply.state == NO_BEATS


def test_beats_hold_it_for_a_lease_each() -> None:
    """On from the first beat; off one lease after the last, to the turn."""
    supply = _settled()
    supply.configure(1, 500)
    for number in range(2, 12):
        supply.beat(number)
        supply.pass_time(400_000)
        assert supply.state == ON
    supply.pass_time(100_000)
    assert supply.state == ON
    assert supply.pass_time(1000)
    assert supply.state == NO_BEATS


def test_a_repeated_line_holds_nothing() -> None:
    """A beat counts only if its number is ahead of the last command's, by less than half round."""
    supply = _settled()
    supply.configure(10, 500)
    for number in (10, 9, 10 + 40_000):
        supply.beat(number)
        supply.pass_time(1000)
        assert supply.state == NO_BEATS
    supply.beat(11)
    supply.pass_time(1000)
    assert supply.state == ON
    supply.hear(65_535)
    supply.beat(3)
    supply.pass_time(1000)
    assert supply.state == ON


def test_a_new_configuration_needs_a_new_beat() -> None:
    """What was heard before does not count."""
    supply = _settled()
    supply.configure(1, 500)
    supply.beat(2)
    supply.pass_time(1000)
    supply.configure(3, 500)
    supply.pass_time(1000)
    assert supply.state == NO_BEATS


def test_the_stop_contact_opens_it_at_once_and_closes_it_late() -> None:
    """Beats or not; closed again it must stay closed for 0.1 s first."""
    supply = _settled()
    supply.configure(1, 500)
    supply.beat(2)
    supply.pass_time(1000)
    supply.contact_closed = False
    assert supply.pass_time(1)
    assert supply.state == STOP
    supply.contact_closed = True
    supply.pass_time(99_000)
    assert supply.state == STOP
    supply.pass_time(1000)
    assert supply.state == ON
