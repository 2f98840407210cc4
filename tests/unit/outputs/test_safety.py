"""Tests of the trip, the lease and what is granted: on the pins, over time, from other threads."""

import threading
import time
from itertools import pairwise

import pytest

from rig.errors import BenchError
from rig.outputs.interlocks import Refused, RunLimits
from rig.records import Finding
from tests.unit.outputs.bench_kit import (
    PINS,
    POWERED,
    ROOM_PA,
    STOP,
    KeptFactory,
    Kit,
    in_another_thread,
)

INHG_PA = 3386.389
LIMITS = RunLimits(max_vacuum_pa={"p_a": 20.0 * INHG_PA}, ambient_pa=ROOM_PA)
PULL = {"vent": "shut", "pump": "open"}
BOTH = pytest.mark.parametrize("active_high", [True, False], ids=["active_high", "active_low"])


@pytest.fixture
def kit() -> Kit:
    """Make a bench in a run, vented, supply on, nothing energised."""
    made = Kit()
    made.vented()
    made.safety.arm(LIMITS)
    made.factory.written.clear()
    return made


def _codes(refused: pytest.ExceptionInfo[Refused]) -> list[str]:
    return [each.code for each in refused.value.findings]


def _pull(kit: Kit) -> None:
    kit.safety.request(PULL)
    assert kit.energised() == {"vent", "pump"}
    kit.factory.written.clear()


# requests


def test_a_pull_shuts_the_vent_before_the_pump_valve_opens(kit: Kit) -> None:
    """On the way to a new state nothing opposed is open together, whatever the order asked."""
    kit.safety.request({"pump": "open", "vent": "shut", "part": "open"})
    assert kit.factory.written == [(PINS["vent"], True), (PINS["pump"], True)]
    kit.factory.written.clear()
    kit.safety.request({"vent": "open", "part": "shut", "pump": "shut"})
    assert kit.factory.written == [
        (PINS["pump"], False),
        (PINS["vent"], False),
        (PINS["part"], True),
    ]


def test_a_refused_request_moves_nothing(kit: Kit) -> None:
    """All of a request is granted or none: not even what alone would have been is moved."""
    with pytest.raises(Refused) as refused:
        kit.safety.request({"part": "shut", "pump": "open"})
    assert _codes(refused) == ["pump_and_vent_open"]
    assert kit.factory.written == []
    with pytest.raises(BenchError):
        kit.safety.request({"part": "shut", "went": "open"})
    with pytest.raises(BenchError):
        kit.safety.request({"part": "shut", "vent": True})
    with pytest.raises(BenchError):
        kit.safety.request({"part": "shut", "vent": "ajar"})
    assert kit.factory.written == []
    assert kit.safety.tripped is None


def test_nothing_is_energised_without_the_supply(kit: Kit) -> None:
    """Board and pins must agree: while the supply is off every powered output is refused."""
    kit.step(supply_on=False, p_a=ROOM_PA, p_b=ROOM_PA)
    for name in POWERED:
        to: str | bool = {"pump": "open"}.get(name, "shut") if name in kit.bench.valves else True
        with pytest.raises(Refused) as refused:
            kit.safety.request({name: to, "vent": "shut"})
        assert "no_supply" in _codes(refused)
    kit.safety.request({"lamp": True, "buzzer": True})
    assert kit.energised() == {"lamp", "buzzer"}


def test_nothing_is_energised_outside_a_run() -> None:
    """Before `arm` and after `rest` nobody has said what the part bears."""
    kit = Kit()
    kit.vented()
    with pytest.raises(Refused) as refused:
        kit.safety.request({"vent": "shut"})
    assert _codes(refused) == ["not_armed"]
    kit.safety.arm(LIMITS)
    _pull(kit)
    kit.safety.rest()
    assert kit.energised() == set()
    assert kit.safety.limits is None
    with pytest.raises(Refused):
        kit.safety.request({"vent": "shut"})


def test_fuel_vapour_bars_motor_and_coil_until_flushed() -> None:
    """Flushing is acknowledged for one run: the next part is another one."""
    kit = Kit()
    kit.vented()
    for _ in range(2):
        kit.safety.acknowledge_flushed()
        kit.safety.arm(RunLimits(fuel_vapour=True, ambient_pa=ROOM_PA))
        for name in ("coil", "electric_pump"):
            with pytest.raises(Refused) as refused:
                kit.safety.request({name: True})
            assert _codes(refused) == ["fuel_vapour"]
        kit.safety.request(PULL)
        kit.safety.acknowledge_flushed()
        kit.safety.request({"coil": True, "electric_pump": True})
        assert kit.energised() == {"vent", "pump", "coil", "electric_pump"}
        kit.safety.rest()


def test_without_the_room_s_pressure_there_is_no_pull() -> None:
    """An absolute sensor alone tells no vacuum; once the vented rig was read it does."""
    kit = Kit()
    kit.vented()
    kit.safety.arm(RunLimits())
    with pytest.raises(Refused) as refused:
        kit.safety.request(PULL)
    assert _codes(refused) == ["ambient_unknown"]
    kit.safety.set_ambient(ROOM_PA)
    kit.safety.request(PULL)
    assert kit.energised() == {"vent", "pump"}


def test_a_pin_that_fails_in_a_request_trips(kit: Kit) -> None:
    """A half-made request is no state to stay in: everything goes to rest, the pin is named."""
    kit.factory.named("pump").fails_by = OSError(5, "Input/output error")
    with pytest.raises(BenchError, match=r"valves\.pump\.pin"):
        kit.safety.request(PULL)
    assert kit.energised() == set()
    assert kit.safety.tripped is not None
    assert kit.safety.tripped.code == "pin_failed"
    assert "valves.pump.pin" in str(kit.safety.tripped.figures["what"])
    assert [it.code for it in kit.safety.trips] == ["pin_failed", "not_at_rest"]


def test_a_pin_that_fails_at_the_end_of_a_run_trips_and_stops_no_other(kit: Kit) -> None:
    """Ending a run always goes through, tripped or not: whoever ends it need not catch anything."""
    _pull(kit)
    kit.factory.named("pump").fails_by = OSError(5, "Input/output error")
    kit.safety.rest()
    assert kit.energised() == {"pump"}
    assert [it.code for it in kit.safety.trips] == ["pin_failed", "not_at_rest"]
    kit.safety.rest()
    kit.factory.named("pump").fails_by = None
    kit.vented()
    assert kit.energised() == set()


# the run's beginning


def test_a_run_begins_only_once_and_only_with_readings() -> None:
    """No readings, a port with a maximum but no reading, another run: refused."""
    kit = Kit()
    with pytest.raises(Refused) as refused:
        kit.safety.arm(LIMITS)
    assert _codes(refused) == ["data_stale"]
    kit.step(p_a=ROOM_PA)
    with pytest.raises(Refused) as refused:
        kit.safety.arm(RunLimits(max_vacuum_pa={"p_b": INHG_PA}))
    assert refused.value.findings == (Finding("port_unseen", {"channel": "p_b"}),)
    kit.safety.arm(LIMITS)
    with pytest.raises(Refused) as refused:
        kit.safety.arm(LIMITS)
    assert _codes(refused) == ["armed_already"]
    kit.safety.rest()
    kit.safety.trip(Finding("store_failing"))
    with pytest.raises(Refused) as refused:
        kit.safety.arm(LIMITS)
    assert refused.value.findings == (Finding("held_by_trip", {"trip": "store_failing"}),)


def test_the_limits_of_a_refused_run_do_not_stay(kit: Kit) -> None:
    """A run that did not begin leaves the rig's own limits, not its own."""
    kit.safety.rest()
    with pytest.raises(Refused):
        kit.safety.arm(RunLimits({"p_a": INHG_PA, "p_c": INHG_PA}, ambient_pa=ROOM_PA))
    kit.step(p_a=ROOM_PA - 10.0 * INHG_PA)
    assert kit.safety.tripped is None


# trips


@BOTH
def test_a_trip_puts_every_pin_to_rest_within_5_ms(active_high: bool) -> None:
    """From the call to the last pin: measured on the pins' own times, best of five."""
    took_s = []
    for _ in range(5):
        kit = Kit(active_high=active_high)
        for name in PINS:
            kit.outputs.set_energised(name, True)
        began_s = time.monotonic()
        kit.safety.trip(Finding("internal_fault"))
        returned_s = time.monotonic()
        off, on = not active_high, active_high
        assert kit.factory.driven() == {name: [off, on, off] for name in PINS}
        last_s = max(kit.factory.named(name)._last_change for name in PINS)
        assert began_s <= last_s <= returned_s
        took_s.append(last_s - began_s)
    assert min(took_s) < 0.005


def test_the_first_reason_is_kept_and_later_ones_are_counted(kit: Kit) -> None:
    """What came first is what to look at; a flood of others costs no memory."""
    first = Finding("link_lost", {"cause": "unplugged"})
    kit.safety.trip(first)
    for _ in range(500):
        kit.safety.trip(Finding("store_failing"))
        kit.step(p_a=ROOM_PA)
    assert kit.safety.tripped == first
    assert kit.safety.later_trips == 500
    assert [each.code for each in kit.safety.trips] == ["link_lost", "store_failing"]
    assert len(kit.safety._trips) < 50
    kit.safety.reset()
    assert kit.safety.tripped is None
    assert kit.safety.later_trips == 0


@BOTH
def test_a_trip_is_sticky(active_high: bool) -> None:
    """Until a reset everything powered is refused, and no pin moves: not by request, not by arm."""
    kit = Kit(active_high=active_high)
    kit.vented()
    kit.safety.arm(LIMITS)
    kit.safety.request(PULL)
    kit.safety.trip(Finding("store_failing"))
    kit.factory.written.clear()
    for _ in range(20):
        kit.vented()
        with pytest.raises(Refused) as refused:
            kit.safety.request(PULL)
        assert _codes(refused) == ["held_by_trip"]
        kit.safety.request({"vent": "open", "pump": "shut"})
    assert kit.factory.written == []
    kit.safety.reset()
    with pytest.raises(Refused) as refused:
        kit.safety.request(PULL)
    assert _codes(refused) == ["not_armed"], "the run that was on is over"
    kit.safety.arm(LIMITS)
    kit.safety.request(PULL)
    assert kit.energised() == {"vent", "pump"}


def test_a_trip_from_another_thread_ends_a_request_in_its_midst(kit: Kit) -> None:
    """A trip between two pins of one request leaves all at rest, and the request says so."""

    def trip(level: bool) -> None:
        if level:
            in_another_thread(lambda: kit.safety.trip(Finding("store_failing")))

    kit.factory.named("pump").before_write = trip
    with pytest.raises(Refused) as refused:
        kit.safety.request(PULL)
    assert refused.value.findings == (Finding("held_by_trip", {"trip": "store_failing"}),)
    assert kit.energised() == set()
    assert kit.factory.named("vent").driven == [False, True, False]
    assert [each.code for each in kit.safety.trips] == ["store_failing"]


def test_a_trip_while_one_is_being_reset_is_not_lost(kit: Kit) -> None:
    """The reset ends what it saw; one that comes in its midst holds everything again."""
    kit.safety.trip(Finding("store_failing"))

    def question() -> bool:
        in_another_thread(lambda: kit.safety.trip(Finding("link_lost")))
        return False

    kit.safety._still["store_failing"] = question
    kit.safety.reset()
    assert kit.safety.tripped == Finding("link_lost")
    assert kit.outputs.is_held
    with pytest.raises(BenchError, match="held safe"):
        kit.outputs.set_energised("vent", True)


def test_a_pin_that_did_not_go_to_rest_is_tried_again_and_bars_the_reset(kit: Kit) -> None:
    """A stuck pin is told, tried at each tick, and kept without supply by the lease."""
    _pull(kit)
    kit.factory.named("pump").fails_by = OSError(5, "Input/output error")
    kit.safety.trip(Finding("store_failing"))
    assert kit.energised() == {"pump"}
    assert kit.safety.trips[1] == Finding("not_at_rest", {"output": "pump"})
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert refused.value.findings == (Finding("not_at_rest", {"output": "pump"}),)
    beats = len(kit.beats)
    kit.vented()
    assert len(kit.beats) == beats
    kit.factory.named("pump").fails_by = None
    kit.vented()
    assert kit.energised() == set()
    kit.safety.reset()


def test_a_pin_that_cannot_be_read_is_taken_for_energised(kit: Kit) -> None:
    """What nobody can see is put to rest again and again."""
    _pull(kit)
    pin = kit.factory.named("pump")
    pin.fails_by, pin.unreadable = OSError(5, "Input/output error"), True
    kit.safety.trip(Finding("store_failing"))
    kit.vented()
    pin.fails_by = None
    kit.vented()
    pin.unreadable = False
    assert kit.energised() == set()


def test_a_reset_without_a_trip_disturbs_no_run(kit: Kit) -> None:
    """Pressed by mistake in the midst of a hold it moves nothing and ends nothing."""
    _pull(kit)
    kit.safety.reset()
    assert kit.energised() == {"vent", "pump"}
    assert kit.factory.written == []
    assert kit.safety.limits == LIMITS


def test_outputs_made_safe_by_themselves_are_released_by_a_reset(kit: Kit) -> None:
    """A signal handler may go straight to the outputs: a reset ends that, too."""
    _pull(kit)
    kit.outputs.safe()
    kit.safety.reset()
    assert not kit.outputs.is_held
    assert kit.safety.limits is None


# what the readings bring


def test_beyond_the_maximum_of_a_port_everything_is_vented_at_once(kit: Kit) -> None:
    """The call that brings the reading is the one that vents; the figures are told."""
    kit.safety.request({**PULL, "part": "shut", "port_b": "shut"})
    kit.step(p_a=ROOM_PA - 20.0 * INHG_PA + 1.0, p_b=ROOM_PA)
    assert kit.energised() == {"vent", "pump", "part", "port_b"}
    kit.step(p_a=ROOM_PA - 20.0 * INHG_PA - 1.0, p_b=ROOM_PA)
    assert kit.energised() == set()
    assert kit.outputs.position("vent") == "open"
    assert kit.outputs.position("pump") == "shut"
    assert kit.safety.tripped is not None
    assert kit.safety.tripped.code == "over_vacuum"
    assert kit.safety.tripped.figures["channel"] == "p_a"


def test_a_limit_that_is_passed_for_long_is_one_trip(kit: Kit) -> None:
    """The same cause at each step is one reason, not a thousand."""
    for _ in range(100):
        kit.step(p_a=10_000.0)
    assert kit.safety.later_trips == 0


def test_the_reset_tells_the_cause_as_it_stands_now(kit: Kit) -> None:
    """Refused while a port is beyond its maximum, with the figure of now, not of the trip."""
    kit.step(p_a=ROOM_PA - 21.0 * INHG_PA)
    kit.step(p_a=ROOM_PA - 20.5 * INHG_PA)
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    (standing,) = refused.value.findings
    assert standing.code == "over_vacuum"
    assert standing.figures["vacuum_pa"] == pytest.approx(20.5 * INHG_PA)
    assert kit.safety.tripped is not None
    kit.step(p_a=ROOM_PA)
    kit.safety.reset()
    assert kit.safety.tripped is None


def test_all_causes_that_are_left_are_told(kit: Kit) -> None:
    """Two causes, two reasons: one cured, the other still bars the reset."""
    kit.store_is_full = True
    kit.safety.trip(Finding("store_failing"))
    kit.factory.pin(STOP).drive_high()
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert sorted(_codes(refused)) == ["stop_pressed", "store_failing"]
    kit.store_is_full = False
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert _codes(refused) == ["stop_pressed"]
    kit.factory.pin(STOP).drive_low()
    kit.safety.reset()


def test_stale_data_trip_a_run_and_only_a_run() -> None:
    """More than 1 s without readings: a trip in a run, a state to show outside one."""
    kit = Kit()
    kit.vented()
    for _ in range(150):
        kit.step()
    assert kit.safety.stale(kit.now_s)
    assert kit.safety.tripped is None
    kit.vented()
    assert not kit.safety.stale(kit.now_s)
    kit.safety.arm(LIMITS)
    kit.safety.request(PULL)
    for _ in range(99):
        kit.step()
    assert kit.energised() == {"vent", "pump"}
    kit.step()
    kit.step()
    assert kit.energised() == set()
    assert kit.safety.tripped is not None
    assert kit.safety.tripped.code == "data_stale"
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert _codes(refused) == ["data_stale"]
    kit.vented()
    kit.safety.reset()


def test_a_port_that_can_no_longer_be_read_trips(kit: Kit) -> None:
    """Frames go on, but the manifold's pressure is unusable: its maximum cannot be kept."""
    kit.safety.request(PULL)
    for _ in range(102):
        kit.step(p_a=float("nan"), p_b=ROOM_PA)
    assert kit.energised() == set()
    assert kit.safety.tripped == Finding("port_unseen", {"channel": "p_a"})


def test_a_supply_that_goes_off_under_an_open_valve_trips(kit: Kit) -> None:
    """The valve would move by itself when the supply comes back: so its pin goes to rest."""
    _pull(kit)
    kit.step(supply_on=False, p_a=ROOM_PA)
    assert kit.energised() == set()
    assert kit.safety.tripped == Finding("supply_off")
    assert not kit.safety.supply_on
    kit.safety.reset()
    idle = Kit()
    idle.vented()
    idle.step(supply_on=False, p_a=ROOM_PA)
    assert idle.safety.tripped is None


def test_a_supply_out_of_its_range_trips(kit: Kit) -> None:
    """A flat or wrong supply is told with its volts; dropped by the trip, it bars no reset."""
    _pull(kit)
    for _ in range(35):
        kit.step(p_a=ROOM_PA, supply=9.0)
    assert kit.energised() == set()
    assert kit.safety.tripped == Finding(
        "supply_out_of_range", {"supply_v": 9.0, "low_v": 11.0, "high_v": 15.0}
    )
    with pytest.raises(Refused):
        kit.safety.reset()
    kit.step(supply_on=False, p_a=ROOM_PA, supply=0.0)
    kit.safety.reset()


def test_a_coil_is_not_left_on_longer_than_it_bears() -> None:
    """The time counts from when the coil went on, and starts anew each time."""
    kit = Kit()
    kit.vented()
    kit.safety.arm(RunLimits(ambient_pa=ROOM_PA, max_coil_s=0.5))
    for _ in range(2):
        kit.safety.request({"coil": True})
        for _ in range(50):
            kit.vented()
        assert kit.energised() == {"coil"}
        kit.safety.request({"coil": False})
        kit.vented()
    kit.safety.request({"coil": True})
    for _ in range(53):
        kit.vented()
    assert kit.energised() == set()
    assert kit.safety.tripped == Finding("coil_on_too_long", {"max_coil_s": 0.5})


# stop


def test_stop_acts_from_the_thread_that_notices_it(kit: Kit) -> None:
    """With the loop hung and no tick to come, opening the contact alone puts all to rest."""
    _pull(kit)
    in_another_thread(kit.factory.pin(STOP).drive_high)
    assert kit.energised() == set()
    assert kit.safety.tripped == Finding("stop_pressed")
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert _codes(refused) == ["stop_pressed"]
    kit.factory.pin(STOP).drive_low()
    kit.safety.reset()


def test_a_bouncing_stop_is_one_stop(kit: Kit) -> None:
    """Ten edges are one trip."""
    for _ in range(10):
        kit.factory.pin(STOP).drive_high()
        kit.factory.pin(STOP).drive_low()
        kit.vented()
    assert kit.safety.tripped == Finding("stop_pressed")
    assert kit.safety.later_trips == 0


def test_a_broken_stop_wire_is_noticed_by_the_next_tick() -> None:
    """A contact that was open from the start brings no edge; its level trips."""
    kit = Kit(KeptFactory(stop_wire_whole=False))
    assert kit.safety.tripped is None
    kit.vented()
    assert kit.safety.tripped == Finding("stop_pressed")


def test_stop_is_named_although_it_takes_the_supply_away_first() -> None:
    """If the board's word of the lost supply comes before the pin's edge, stop is the reason."""
    kit = Kit()
    kit.vented()
    kit.safety.arm(LIMITS)
    kit.safety.request(PULL)
    kit.outputs.when_stopped(lambda: None)
    kit.factory.pin(STOP).drive_high()
    kit.step(supply_on=False, p_a=ROOM_PA)
    assert kit.safety.tripped == Finding("stop_pressed")


# the lease


def test_the_lease_is_fed_by_ticks_alone(kit: Kit) -> None:
    """One beat a tick; neither readings nor requests nor a reset feed it."""
    kit.beats.clear()
    kit.safety.watch(None, True, kit.now_s)
    kit.safety.request(PULL)
    kit.safety.request({"pump": "shut"})
    assert kit.beats == []
    for _ in range(7):
        kit.vented()
    assert len(kit.beats) == 7
    kit.safety.trip(Finding("store_failing"))
    for _ in range(7):
        kit.vented()
    assert len(kit.beats) == 7
    kit.safety.reset()
    assert len(kit.beats) == 7
    kit.vented()
    assert len(kit.beats) == 8


def test_no_beat_follows_what_trips_in_the_same_tick(kit: Kit) -> None:
    """The tick that finds a cause does not feed the lease any more."""
    beats = len(kit.beats)
    kit.outputs.when_stopped(lambda: None)
    kit.factory.pin(STOP).drive_high()
    kit.vented()
    assert kit.safety.tripped is not None
    assert len(kit.beats) == beats


def test_a_lease_withheld_on_purpose_drops_without_a_trip(kit: Kit) -> None:
    """To prove the lease it is not fed; what it dropped goes to rest before it is fed again."""
    _pull(kit)
    kit.safety.request({"pump": "shut"})
    kit.safety.withhold_lease(True)
    beats = len(kit.beats)
    for _ in range(60):
        kit.vented()
    kit.step(supply_on=False, p_a=ROOM_PA)
    assert len(kit.beats) == beats
    assert kit.safety.tripped is None
    assert kit.energised() == {"vent"}
    kit.safety.withhold_lease(False)
    assert kit.energised() == set()
    kit.step(supply_on=False, p_a=ROOM_PA)
    assert len(kit.beats) == beats + 1
    with pytest.raises(Refused) as refused:
        kit.safety.request({"vent": "shut"})
    assert _codes(refused) == ["no_supply"]
    kit.vented()
    kit.safety.request({"vent": "shut"})
    kit.safety.withhold_lease(False)
    assert kit.energised() == {"vent"}, "only the end of withholding puts to rest"


def test_a_reset_feeds_a_withheld_lease_again(kit: Kit) -> None:
    """A trip in the midst of proving the lease does not leave it withheld for the next run."""
    kit.safety.withhold_lease(True)
    kit.safety.trip(Finding("store_failing"))
    kit.safety.reset()
    beats = len(kit.beats)
    kit.vented()
    assert len(kit.beats) == beats + 1


# the bath


def test_a_bath_too_hot_beeps_until_it_has_cooled() -> None:
    """In a run or not: everything to rest, and half a second on, half a second off, unleased."""
    kit = Kit()
    kit.step(supply_on=False, p_a=ROOM_PA, t_bath=300.0)
    assert kit.energised() == set()
    heard = []
    for _ in range(300):
        kit.step(supply_on=False, p_a=ROOM_PA, t_bath=369.0)
        heard.append(kit.outputs.is_energised("buzzer"))
    assert kit.safety.tripped is not None
    assert kit.safety.tripped.code == "bath_too_hot"
    assert sum(heard) == pytest.approx(150, abs=1)
    changes = [n for n in range(1, 300) if heard[n] is not heard[n - 1]]
    assert {late - early for early, late in pairwise(changes)} == {50}
    with pytest.raises(Refused) as refused:
        kit.safety.reset()
    assert _codes(refused) == ["bath_too_hot"]
    kit.step(supply_on=False, p_a=ROOM_PA, t_bath=360.0)
    assert kit.energised() == set()
    kit.safety.reset()


def test_a_bath_too_hot_beeps_although_something_else_tripped_first(kit: Kit) -> None:
    """The alarm is the bath's own: an earlier trip does not silence it."""
    kit.safety.trip(Finding("store_failing"))
    heard = set()
    for _ in range(100):
        kit.step(p_a=ROOM_PA, t_bath=369.0)
        heard.add(kit.outputs.is_energised("buzzer"))
    assert heard == {True, False}
    assert [each.code for each in kit.safety.trips] == ["store_failing", "bath_too_hot"]


def test_a_buzzer_in_other_use_is_left_alone(kit: Kit) -> None:
    """While no bath is too hot the buzzer is whoever asks for it."""
    kit.safety.request({"buzzer": True})
    for _ in range(100):
        kit.vented()
    assert kit.energised() == {"buzzer"}


def test_a_buzzer_that_fails_stops_nothing_else(kit: Kit) -> None:
    """The alarm's own pin broken: one more reason, and the loop goes on."""
    kit.factory.named("buzzer").fails_by = OSError(5, "Input/output error")
    for _ in range(200):
        kit.step(p_a=ROOM_PA, t_bath=369.0)
    codes = [each.code for each in kit.safety.trips]
    assert codes == ["bath_too_hot", "not_at_rest", "pin_failed"]


# threads


def test_whatever_an_engine_does_beside_a_trip_everything_ends_at_rest() -> None:
    """Requests without end in one thread, a trip from another: the trip has the last word."""
    kit = Kit()
    kit.vented()
    for _ in range(30):
        kit.safety.arm(LIMITS)
        begun = threading.Event()

        def drive(begun: threading.Event = begun) -> None:
            while True:
                kit.safety.request(PULL)
                begun.set()
                kit.safety.request({"vent": "open", "pump": "shut"})

        def until_refused() -> None:
            with pytest.raises(Refused):
                drive()

        engine = threading.Thread(target=until_refused)
        engine.start()
        assert begun.wait(5.0)
        kit.safety.trip(Finding("store_failing"))
        engine.join(5.0)
        assert not engine.is_alive()
        assert kit.energised() == set()
        assert kit.safety.tripped == Finding("store_failing")
        kit.safety.reset()
