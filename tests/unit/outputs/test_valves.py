"""Tests of the pins: at rest from the first moment, held there by `safe`, in both polarities."""

import threading
from collections.abc import Callable

import pytest
from gpiozero import OutputDevice
from gpiozero.pins.mock import MockFactory

from rig.errors import BenchError
from rig.outputs.valves import Outputs
from tests.unit.outputs.bench_kit import (
    MARK,
    PINS,
    POWERED,
    STOP,
    VALVES,
    KeptFactory,
    bench_of,
    in_another_thread,
)

BOTH = pytest.mark.parametrize("active_high", [True, False], ids=["active_high", "active_low"])


def _states(factory: MockFactory, output: str) -> list[bool]:
    """Get every level of a pin since it was made, its own first level as an input included."""
    return [bool(each.state) for each in factory.pin(PINS[output]).states]


@BOTH
def test_no_pin_was_ever_energised_from_its_construction(active_high: bool) -> None:
    """Each pin becomes an output at the level of rest: it drives that one level and no other."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(active_high=active_high), factory)
    assert factory.driven() == {name: [not active_high] for name in PINS}
    assert not any(outputs.energised().values())


@BOTH
def test_the_whole_history_of_a_pin_is_as_asked(active_high: bool) -> None:
    """From construction to close a pin takes the levels asked for, in that order, and no other.

    The library's simulated pin begins low, as an input that nobody drives; the pull towards rest
    comes before the pin becomes an output.
    """
    factory = MockFactory()
    outputs = Outputs(bench_of(active_high=active_high), factory)
    outputs.set_position("vent", "shut")
    outputs.set_position("vent", "shut")
    outputs.set_position("vent", "open")
    outputs.set_energised("vent", True)
    outputs.safe()
    outputs.close()
    on, off = active_high, not active_high
    expected = [off, on, off, on, off] if active_high else [False, off, on, off, on, off]
    assert _states(factory, "vent") == expected
    factory.pin(PINS["vent"]).assert_states(expected)
    assert factory.pin(PINS["vent"]).function == "input"


@BOTH
def test_a_valve_is_energised_away_from_its_rest(active_high: bool) -> None:
    """The pump valve is energised to open, every other valve to shut."""
    outputs = Outputs(bench_of(active_high=active_high), KeptFactory())
    assert {name: outputs.position(name) for name in VALVES} == {
        "pump": "shut",
        "vent": "open",
        "part": "open",
        "port_b": "open",
    }
    for name in VALVES:
        other = "open" if name == "pump" else "shut"
        assert outputs.needs_energising(name, other)
        assert not outputs.needs_energising(name, outputs.position(name))
        outputs.set_position(name, other)
        assert outputs.position(name) == other
    assert outputs.energised() == {name: name in VALVES for name in PINS}


@BOTH
def test_safe_puts_everything_to_rest_and_holds_it(active_high: bool) -> None:
    """After `safe` nothing but signals can be energised, until `release`."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(active_high=active_high), factory)
    for name in PINS:
        outputs.set_energised(name, True)
    assert outputs.safe() == ()
    assert outputs.safe() == ()
    off, on = not active_high, active_high
    assert factory.driven() == {name: [off, on, off] for name in PINS}
    assert outputs.is_held
    for name in POWERED:
        with pytest.raises(BenchError, match="held safe"):
            outputs.set_energised(name, True)
        outputs.set_energised(name, False)
    assert factory.driven() == {name: [off, on, off] for name in PINS}
    outputs.set_energised("buzzer", True)
    assert outputs.is_energised("buzzer")
    outputs.release()
    assert not outputs.is_held
    outputs.set_energised("vent", True)
    assert outputs.is_energised("vent")


def test_what_draws_goes_to_rest_before_the_ways_to_air() -> None:
    """`safe` stops pumps first and opens the vent after the pump valve is shut."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    factory.written.clear()
    outputs.safe()
    order = [*POWERED, "lamp", "buzzer"]
    assert factory.written == [(PINS[name], False) for name in order]
    assert outputs.names == tuple(order)


@pytest.mark.parametrize("broken", list(PINS))
def test_a_failing_pin_keeps_no_other_from_rest(broken: str) -> None:
    """Each pin is tried whatever another one does; the one that failed is told by name."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    for name in PINS:
        outputs.set_energised(name, True)
    factory.named(broken).fails_by = OSError(5, "Input/output error")
    assert outputs.safe() == (broken,)
    assert outputs.is_held
    assert [name for name in PINS if factory.named(name).state] == [broken]
    with pytest.raises(BenchError, match=rf"line \d+, \w+\.{broken}\.pin: .*Input/output error"):
        outputs.set_energised(broken, False)
    factory.named(broken).fails_by = None
    assert outputs.safe() == ()
    assert not any(factory.named(name).state for name in PINS)


def test_an_unforeseen_error_is_seen_once_every_pin_was_tried() -> None:
    """Even what nobody foresaw comes to light only after all other pins are at rest."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    for name in POWERED:
        outputs.set_energised(name, True)
    factory.named("coil").fails_by = ZeroDivisionError()
    with pytest.raises(ZeroDivisionError):
        outputs.safe()
    assert [name for name in PINS if factory.named(name).state] == ["coil"]
    assert outputs.is_held


@BOTH
def test_a_thread_that_hangs_in_a_pin_neither_delays_nor_undoes_safe(active_high: bool) -> None:
    """`safe` returns while another thread is stuck in energising; that one then takes it back."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(active_high=active_high), factory)
    outputs.set_position("vent", "shut")
    stuck, go_on = threading.Event(), threading.Event()
    refused: list[BenchError] = []

    def hang(level: bool) -> None:
        if level is active_high:
            stuck.set()
            assert go_on.wait(5.0)

    def energise() -> None:
        with pytest.raises(BenchError, match="held safe") as caught:
            outputs.set_position("pump", "open")
        refused.append(caught.value)

    factory.named("pump").before_write = hang
    engine = threading.Thread(target=energise)
    engine.start()
    assert stuck.wait(5.0)
    assert outputs.safe() == ()
    assert not outputs.is_energised("vent")
    go_on.set()
    engine.join(5.0)
    assert len(refused) == 1
    on, off = active_high, not active_high
    assert factory.named("pump").driven == [off, on, off]
    assert not any(outputs.energised().values())


def test_whoever_energises_beside_a_safe_loses() -> None:
    """One thread energises without end, another makes it safe: nothing stays energised."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    for _ in range(50):
        outputs.release()
        begun = threading.Event()

        def energise(begun: threading.Event = begun) -> None:
            while True:
                for name in POWERED:
                    outputs.set_energised(name, True)
                begun.set()

        def until_refused(energise: Callable[[], None] = energise) -> None:
            with pytest.raises(BenchError, match="held safe"):
                energise()

        engine = threading.Thread(target=until_refused)
        engine.start()
        assert begun.wait(5.0)
        outputs.safe()
        engine.join(5.0)
        assert not engine.is_alive()
        assert not any(outputs.energised().values())


def test_a_safe_after_a_release_holds_again() -> None:
    """Each `safe` holds anew; a `release` ends only those before it."""
    outputs = Outputs(bench_of(), KeptFactory())
    assert not outputs.is_held
    outputs.safe()
    outputs.release()
    outputs.safe()
    assert outputs.is_held


@BOTH
def test_close_is_safe_first_and_leaves_the_pins_to_their_resistors(active_high: bool) -> None:
    """Every pin is at rest before the first is given back; then all are inputs, levels kept."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(active_high=active_high), factory)
    for name in PINS:
        outputs.set_energised(name, True)
    outputs.close()
    outputs.close()
    off, on = not active_high, active_high
    assert factory.driven() == {name: [off, on, off] for name in PINS}
    assert {factory.named(name).function for name in PINS} == {"input"}
    assert {factory.named(name).state for name in PINS} == {off}
    Outputs(bench_of(active_high=active_high), factory).close()


def test_a_close_beside_a_safe_is_no_failure() -> None:
    """Pins that were given back while `safe` went through them are at rest, not failing."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    hooked = factory.named("electric_pump")

    def close(_: bool) -> None:
        hooked.before_write = lambda _: None
        in_another_thread(outputs.close)

    hooked.before_write = close
    assert outputs.safe() == ()
    assert {factory.named(name).function for name in PINS} == {"input"}


def test_after_close_safe_does_nothing_and_all_else_is_an_error() -> None:
    """A late `safe` is harmless; whoever goes on using closed outputs is told."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    outputs.close()
    factory.written.clear()
    assert outputs.safe() == ()
    assert factory.written == []
    assert outputs.is_held
    for use in (
        lambda: outputs.set_energised("vent", True),
        lambda: outputs.set_energised("vent", False),
        lambda: outputs.set_position("vent", "open"),
        lambda: outputs.position("vent"),
        outputs.energised,
        outputs.release,
        outputs.mark_pressed,
        outputs.stop_pressed,
    ):
        with pytest.raises(BenchError, match="closed"):
            use()


def test_a_pin_that_fails_at_close_is_told_after_the_others_are_given_back() -> None:
    """Close goes through all pins, then says which could not be put to rest."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    factory.named("part").fails_by = OSError(5, "Input/output error")
    with pytest.raises(BenchError, match=r"given back: part; switch"):
        outputs.close()
    assert {factory.named(name).function for name in PINS} == {"input"}
    outputs.close()


def test_a_pin_that_another_uses_is_refused_and_the_rest_given_back() -> None:
    """The error names file, line, key and pin; nothing stays claimed or energised."""
    factory = KeptFactory()
    other = OutputDevice(PINS["port_b"], pin_factory=factory)
    with pytest.raises(BenchError, match=r"valves.port_b.pin: GPIO23 cannot be claimed") as refused:
        Outputs(bench_of(), factory)
    assert str(refused.value).startswith("bench.toml, line ")
    assert {name: levels for name, levels in factory.driven().items() if True in levels} == {}
    assert other.pin.function == "output", "the other's pin was left as it was"
    other.close()
    Outputs(bench_of(), factory)


def test_a_pin_that_the_board_pulls_to_energise_is_refused() -> None:
    """GPIO2 is pulled up on the board: it may only drive what energises on low."""
    pins = {"vent": "GPIO2"}
    with pytest.raises(BenchError, match=r"valves.vent.pin: GPIO2 is pulled up on the board"):
        Outputs(bench_of(pins=pins), KeptFactory())
    outputs = Outputs(bench_of(active_high=False, pins=pins), KeptFactory())
    assert outputs.position("vent") == "open"


def test_names_and_positions_that_there_are_not_are_errors() -> None:
    """A misspelt output or position moves nothing and lists what there is."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    factory.written.clear()
    with pytest.raises(BenchError, match="no output went; it has electric_pump, coil, pump, vent"):
        outputs.set_energised("went", True)
    with pytest.raises(BenchError, match='vent can be "open" or "shut", not ajar'):
        outputs.set_position("vent", "ajar")
    with pytest.raises(BenchError, match="lamp is no valve"):
        outputs.set_position("lamp", "open")
    assert factory.written == []


@pytest.mark.parametrize("wired", ["low", "high"])
def test_the_mark_button_counts_presses_from_another_thread(wired: str) -> None:
    """The library calls back from its own thread; a tap between two looks counts, and once."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(mark=wired), factory)
    pin = factory.pin(MARK)
    press, release = (
        (pin.drive_low, pin.drive_high) if wired == "low" else (pin.drive_high, pin.drive_low)
    )

    def tap() -> None:
        for _ in range(3):
            press()
            release()

    assert not outputs.mark_pressed()
    in_another_thread(tap)
    assert [outputs.mark_pressed() for _ in range(5)] == [True, False, False, False, False]
    in_another_thread(press)
    assert [outputs.mark_pressed() for _ in range(5)] == [True, False, False, False, False]
    in_another_thread(release)
    assert not any(outputs.mark_pressed() for _ in range(5))


def test_an_open_stop_contact_is_a_stop_and_tells_at_once() -> None:
    """Closed is no stop; opening calls from whichever thread notices, and the level stands."""
    factory = KeptFactory()
    outputs = Outputs(bench_of(), factory)
    told: list[int] = []
    outputs.when_stopped(lambda: told.append(threading.get_ident()))
    assert not outputs.stop_pressed()
    in_another_thread(factory.pin(STOP).drive_high)
    assert len(told) == 1
    assert told[0] != threading.get_ident()
    assert outputs.stop_pressed()
    assert outputs.stop_pressed()
    in_another_thread(factory.pin(STOP).drive_low)
    assert not outputs.stop_pressed()
    assert len(told) == 1


def test_a_broken_stop_wire_is_a_stop() -> None:
    """With nothing at the pin the pull reads as pressed, from the first look on."""
    outputs = Outputs(bench_of(), KeptFactory(stop_wire_whole=False))
    assert outputs.stop_pressed()


def test_a_bench_without_buttons_has_none_pressed() -> None:
    """Marks can come from the page, and the stop contact needs no program to work."""
    bench = bench_of()
    bare = type(bench)(**{**vars(bench), "inputs": {}})
    outputs = Outputs(bare, KeptFactory())
    assert not outputs.mark_pressed()
    assert not outputs.stop_pressed()
