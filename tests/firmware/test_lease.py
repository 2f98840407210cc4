"""Tests of the firmware: the supply of the outputs is on only while everything holds."""

import time
from collections.abc import Callable

import pytest

from rig.link.frames import BoardFault, SupplyCause, SupplyState
from rig.link.session import Connected, Event, Restarted
from rig.readings import Samples
from tests.firmware.conftest import Board, Host
from tests.unit.link import wire

ON = SupplyState(on=True, cause=None)
NO_BEATS = SupplyState(on=False, cause=SupplyCause.BEATS)
STOPPED = SupplyState(on=False, cause=SupplyCause.STOP)
LEASE_S = 0.5
MARGIN_S = 1.5
"""What a busy machine may add."""


def _is(state: SupplyState) -> Callable[[Event], bool]:
    return lambda event: event == state


@pytest.fixture
def host(board: Board, make_host: Callable[..., Host]) -> Host:
    """Bring a board to the point where its supply is on."""
    board.start()
    it = make_host(lease_s=LEASE_S)
    it.until(_is(ON))
    return it


def _stands_low(board: Board) -> None:
    """Tell that the relay's stage gets no pulses any more, and that its pin stands low."""
    before = board.pulses()
    time.sleep(0.05)
    assert board.pulses() == before
    assert before[-1] == "15 0"


def test_the_relay_is_held_by_pulses(board: Board, host: Host) -> None:
    """While beats come, the pin goes up and down, some hundred times a second; never before."""
    assert "15 1" in board.pulses()
    before = len(board.pulses())
    host.run(0.3)
    levels = [line.split()[1] for line in board.pulses()]
    assert len(levels) - before > 50
    assert set(levels[::2]) == {"0"}
    assert set(levels[1::2]) == {"1"}


def test_without_beats_the_supply_goes_within_the_lease(board: Board, host: Host) -> None:
    """Off, told by a line with its cause, no earlier than the lease, and without a pulse left."""
    host.run(0.2)
    host.beating = False
    began_s = time.monotonic()
    host.until(_is(NO_BEATS))
    took_s = time.monotonic() - began_s
    assert LEASE_S - LEASE_S / 8 - 0.05 < took_s < LEASE_S + MARGIN_S
    _stands_low(board)


def test_beats_that_come_again_bring_it_back(host: Host) -> None:
    """The board remembers nothing: who wants it to stay off stops beating."""
    host.beating = False
    host.until(_is(NO_BEATS))
    host.beating = True
    host.until(_is(ON))


def test_the_state_is_told_each_second(host: Host) -> None:
    """A line that got lost is made up for by the next."""
    began_s = time.monotonic()
    states = [event for event in host.until(_is(ON)) if isinstance(event, SupplyState)]
    assert states == [ON]
    assert time.monotonic() - began_s < 1.0 + MARGIN_S


def test_the_stop_contact_ends_it_at_once(board: Board, host: Host) -> None:
    """Whatever the beats say; closed again it comes back, once it has stayed closed."""
    board.outside("stop", "")
    began_s = time.monotonic()
    host.until(_is(STOPPED))
    assert time.monotonic() - began_s < MARGIN_S
    _stands_low(board)
    board.outside("stop", None)
    began_s = time.monotonic()
    host.until(_is(ON))
    assert time.monotonic() - began_s > 0.08


def test_a_board_that_starts_with_stop_pressed_stays_off(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """No pulse is ever made."""
    board.outside("stop", "")
    board.start()
    host = make_host()
    host.until(_is(STOPPED))
    host.run(0.3)
    assert board.pulses() == ["15 0"]


def test_a_restart_drops_the_supply_until_all_is_agreed_again(board: Board, host: Host) -> None:
    """The new start holds nothing by the beats of the old one."""
    board.switch_off()
    pulses = len(board.pulses())
    board.start()
    host.beating = False
    host.until(lambda event: isinstance(event, Restarted))
    events = host.until(_is(NO_BEATS))
    assert any(isinstance(event, Connected) for event in events), "nothing is believed before"
    assert board.pulses()[pulses:] == ["15 0"]
    host.beating = True
    host.until(_is(ON))


def test_no_beat_counts_before_a_configuration(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """A board that has just started may hear beats that were meant for the start before."""
    board.start()
    host = make_host()
    host.session.poll()
    for number in range(10):
        host.port.write(wire.line(f"beat {number + 1}"))
        time.sleep(0.02)
    assert board.pulses() == ["15 0"]


def test_a_repeated_beat_holds_nothing(board: Board, host: Host) -> None:
    """The same line over and over is no sign of life; nor is an older one."""
    host.beating = False
    number = 30_000
    host.port.write(wire.line(f"beat {number}"))
    began_s = time.monotonic()
    while time.monotonic() - began_s < LEASE_S + MARGIN_S:
        host.port.write(wire.line(f"beat {number}") + wire.line(f"beat {number - 1}"))
        if NO_BEATS in host.poll():
            break
    assert NO_BEATS in host.events
    _stands_low(board)


def test_a_loop_that_hangs_makes_no_pulse(board: Board, host: Host) -> None:
    """Nothing but the loop holds the relay, and nothing but the loop feeds the watchdog."""
    board.outside("converter", "hang")
    time.sleep(0.1)
    pulses, meals = len(board.pulses()), board.meals()
    time.sleep(LEASE_S)
    assert (len(board.pulses()), board.meals()) == (pulses, meals)
    board.outside("converter", None)
    host.until(lambda event: isinstance(event, BoardFault) and event.code == "late")
    host.until(_is(ON))
    missing = sum(event.missing for event in host.events if isinstance(event, Samples))
    assert missing > 0.8 * 200 * LEASE_S


def test_the_watchdog_is_asked_for_and_fed(board: Board, host: Host) -> None:
    """Four seconds, and a meal in each turn of the loop."""
    assert (board.folder / "watchdog").read_text(encoding="ascii").startswith("4000\n")
    before = board.meals()
    host.run(0.2)
    assert board.meals() > before + 20
