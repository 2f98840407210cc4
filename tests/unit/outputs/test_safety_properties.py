"""Tests of safety over any sequence of requests, readings, trips and resets."""

from collections.abc import Callable
from typing import Any

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from rig.errors import BenchError
from rig.outputs.interlocks import Refused, RunLimits
from rig.records import Finding
from tests.unit.outputs.bench_kit import (
    PINS,
    POWERED,
    ROOM_PA,
    STOP,
    VALVES,
    Kit,
    in_another_thread,
)

INHG_PA = 3386.389
_MAX_PA = 15.0 * INHG_PA
_POSITIONS = st.fixed_dictionaries(
    {},
    optional={name: st.sampled_from(["open", "shut"]) for name in VALVES}
    | {name: st.booleans() for name in ("coil", "electric_pump", "lamp", "buzzer")},
)


def _refused(call: Callable[[], None]) -> tuple[Finding, ...]:
    """Make a call; return why it was refused, nothing if it was granted."""
    try:
        call()
    except Refused as refused:
        return refused.findings
    return ()


class _Bench(RuleBasedStateMachine):
    """A bench on which anything may happen, in any order.

    The one thing that is known beside the program: whether it has tripped and not been reset,
    and whether the supply is on.
    """

    @initialize(active_high=st.booleans())
    def build(self, active_high: bool) -> None:
        """Build the bench; its pins were never energised."""
        self.kit = Kit(active_high=active_high)
        self.supply_on = True
        self.kit.vented()
        self.forget_history()

    def forget_history(self) -> None:
        """Start to look at what was energised from here on."""
        self.kit.factory.written.clear()

    def energised_since(self) -> set[str]:
        """Name what was told to be energised since the history was forgotten."""
        on = next(iter(self.kit.bench.valves.values())).active_high
        named = {pin: name for name, pin in PINS.items()}
        return {named[pin] for pin, level in self.kit.factory.written if level is on}

    @rule(positions=_POSITIONS)
    def request(self, positions: dict[str, Any]) -> None:
        """Ask for any positions."""
        before = self.kit.energised()
        tripped = self.kit.safety.tripped
        self.forget_history()
        if _refused(lambda: self.kit.safety.request(positions)):
            assert self.kit.factory.written == []
            assert self.kit.energised() == before
            return
        newly = self.energised_since() & set(POWERED)
        assert not newly or (tripped is None and self.kit.safety.limits is not None)
        assert not newly or self.kit.safety.supply_on
        for name, to in positions.items():
            is_at = self.kit.outputs.position(name) if name in VALVES else None
            assert to in {is_at, self.kit.outputs.is_energised(name)}

    @rule(fuel=st.booleans())
    def arm(self, fuel: bool) -> None:
        """Begin a run, if one can begin."""
        limits = RunLimits({"p_a": _MAX_PA}, fuel_vapour=fuel, ambient_pa=ROOM_PA)
        tripped = self.kit.safety.tripped
        assert _refused(lambda: self.kit.safety.arm(limits)) or tripped is None

    @rule()
    def rest(self) -> None:
        """End a run."""
        self.kit.safety.rest()
        assert not self.kit.energised() & set(POWERED)

    @rule()
    def flush(self) -> None:
        """Acknowledge flushing."""
        self.kit.safety.acknowledge_flushed()

    @rule(withheld=st.booleans())
    def withhold(self, withheld: bool) -> None:
        """Withhold the lease, or feed it again."""
        self.kit.safety.withhold_lease(withheld)

    @rule(
        vacuum_inhg=st.sampled_from([0.0, 10.0, 14.9, 15.1, 26.0]),
        supply_on=st.booleans(),
        bath_k=st.sampled_from([300.0, 370.0, float("nan")]),
    )
    def read(self, vacuum_inhg: float, supply_on: bool, bath_k: float) -> None:
        """Let a step pass in which these readings come."""
        p_a = ROOM_PA - vacuum_inhg * INHG_PA
        armed = self.kit.safety.limits is not None
        self.kit.step(supply_on, p_a=p_a, p_b=ROOM_PA, t_bath=bath_k)
        beyond = vacuum_inhg > 25.0 or (armed and vacuum_inhg > 15.0)
        if beyond or bath_k > 369.0:
            assert self.kit.safety.tripped is not None

    @rule(steps=st.sampled_from([1, 60, 120]))
    def silence(self, steps: int) -> None:
        """Let steps pass in which nothing comes."""
        for _ in range(steps):
            self.kit.step(self.kit.safety.supply_on)

    @rule(code=st.sampled_from(["link_lost", "store_failing", "internal_fault"]))
    def trip(self, code: str) -> None:
        """Trip from another thread."""
        in_another_thread(lambda: self.kit.safety.trip(Finding(code)))
        assert self.kit.energised() == set()
        assert self.kit.safety.tripped is not None

    @rule(opens=st.booleans())
    def stop(self, opens: bool) -> None:
        """Press the stop button, or let it out."""
        pin = self.kit.factory.pin(STOP)
        in_another_thread(pin.drive_high if opens else pin.drive_low)
        if opens:
            assert self.kit.safety.tripped is not None

    @rule()
    def reset(self) -> None:
        """Ask for a reset."""
        tripped = self.kit.safety.tripped
        self.forget_history()
        before = self.kit.energised()
        if _refused(self.kit.safety.reset):
            assert tripped is not None
            assert self.kit.safety.tripped == tripped
        else:
            assert self.kit.safety.tripped is None
            assert tripped is None or not self.kit.outputs.stop_pressed()
            assert tripped is None or self.kit.safety.limits is None
            assert tripped is not None or self.kit.energised() == before
        assert self.energised_since() == set()

    @rule(name=st.sampled_from(POWERED))
    @precondition(lambda self: self.kit.safety.tripped is not None)
    def go_behind(self, name: str) -> None:
        """Try to energise behind the interlocks' back: the pins are held, too."""
        try:
            self.kit.outputs.set_energised(name, True)
        except BenchError:
            return
        raise AssertionError(f"{name} was energised after a trip")

    @invariant()
    def tripped_is_at_rest(self) -> None:
        """After a trip nothing but a signal is energised."""
        if hasattr(self, "kit") and self.kit.safety.tripped is not None:
            assert not self.kit.energised() & set(POWERED)

    @invariant()
    def pump_and_vent_are_never_open_together(self) -> None:
        """Whatever was asked in whatever order."""
        if hasattr(self, "kit"):
            positions = {name: self.kit.outputs.position(name) for name in ("pump", "vent")}
            assert positions != {"pump": "open", "vent": "open"}

    @invariant()
    def outside_a_run_is_at_rest(self) -> None:
        """Nothing is energised that nobody watches over."""
        if hasattr(self, "kit") and self.kit.safety.limits is None:
            assert not self.kit.energised() & set(POWERED)


def test_no_sequence_leaves_anything_energised_after_a_trip() -> None:
    """Whatever is asked, read, tripped and reset, in any order and from any state."""
    run_state_machine_as_test(
        _Bench,
        settings=settings(
            derandomize=True, max_examples=150, stateful_step_count=30, deadline=None
        ),
    )
