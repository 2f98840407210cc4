"""Tests of the rig's self-test on a bench with one fault at a time."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import pytest

from rig.analysis.hold import DropLimit
from rig.procedure.planned import SELF_TEST
from rig.procedure.self_test import BLANK_STEP, SelfTestContext, self_test
from rig.records import Estimate, Outcome
from rig.runs import KnownOwnLeak, TestResult
from tests.unit.procedure.bench_model import (
    INHG,
    STD_CC_MIN,
    BenchModel,
    Made,
    Part,
    altitude_pa,
)
from tests.unit.procedure.contexts import codes, context, measured

CAP = Part(rest_m3=0.15e-6, stroke_m3=0.0)
VENTED_U_PA = {"p_a": 300.0, "p_b": 300.0, "barometer": 100.0}
BLANK = DropLimit(20.0 * INHG, 20.0, 25e-6)
SMALL_LEAK_M3_S = 0.05 * STD_CC_MIN


def known(last: KnownOwnLeak | None = None, **other: object) -> SelfTestContext:
    """Make the context of a self-test."""
    manifold = replace(context(BLANK, **other), test=SELF_TEST)  # type: ignore[arg-type]
    return SelfTestContext(manifold, VENTED_U_PA, last)


@cache
def _sound() -> tuple[TestResult, BenchModel]:
    made = Made(own_leak_m3_s=SMALL_LEAK_M3_S, other_channels={"p_b": 100.0, "barometer": -50.0})
    return on_bench(made)


def on_bench(made: Made, asked: SelfTestContext | None = None) -> tuple[TestResult, BenchModel]:
    """Test a rig."""
    bench = BenchModel(CAP, made)
    return bench.run(self_test(asked or known())), bench


def test_a_sound_rig_passes_and_its_own_leak_is_known() -> None:
    """Within 3 u of that of the bench at 20 inHg, which is little more than at 15.

    Laminar, the flow goes with 1 - (p/p_a)^2: 0.890 at 20 inHg, 0.751 at 15.
    """
    result, _ = _sound()
    found = measured(result)
    assert result.outcome is Outcome.PASS
    assert codes(result) == ["self_test_passed"]
    truth_m3_s = SMALL_LEAK_M3_S * (1.0 - 0.33155**2) / (1.0 - 0.49866**2)
    assert abs(found["own_leak"].value - truth_m3_s) < 3.0 * found["own_leak"].u
    assert found["own_leak"].u < 0.1 * truth_m3_s
    assert 0.0 < found["vent_opens"].value < 5.0
    assert 0.0 < found["lease_withdrawn"].value < 5.0


def test_the_lease_is_withheld_in_its_step_alone_and_all_ends_vented() -> None:
    """The vent stays commanded shut while the lease is withheld: what opens it is the supply."""
    _, bench = _sound()
    withheld = [step for step in bench.steps if step.withhold_lease]
    assert [step.name for step in withheld] == ["lease.withdrawn"]
    assert "vent" not in withheld[0].valves
    assert bench.steps[-1].valves["vent"] == "open"
    assert BLANK_STEP in bench.names


@pytest.mark.parametrize(
    ("made", "code", "figures"),
    [
        (Made(pump_leak_m3_s=0.3e-6), "pump_valve_does_not_shut", {}),
        # what the strokes draw, hidden by what the rig lets in meanwhile
        (
            Made(pump_leak_m3_s=0.3e-6, own_leak_m3_s=2.0 * STD_CC_MIN),
            "pump_valve_does_not_shut",
            {},
        ),
        (Made(vent_stuck_in="vent.opens"), "vent_does_not_open", {"timeout_s": 10.0}),
        (Made(lease_drops=False), "lease_does_not_drop", {"timeout_s": 10.0}),
        (Made(other_channels={"p_b": 2000.0}), "sensors_disagree", {"channel": "p_b"}),
        (Made(own_leak_m3_s=0.5 * STD_CC_MIN), "own_leak_large", {}),
        (Made(own_leak_m3_s=500.0 * STD_CC_MIN), "blank_not_reached", {}),
        (Made(pump_reaches=0.5), "blank_not_reached", {}),
    ],
)
def test_each_fault_has_its_finding(
    made: Made, code: str, figures: Mapping[str, float | str]
) -> None:
    """The self-test fails, by that fault, and vents at the end; no other fault is made up.

    A rig that leaks much besides says that, too.
    """
    result, bench = on_bench(made)
    assert result.outcome is Outcome.FAIL
    of_leak = {"own_leak_large"} if made.own_leak_m3_s else set()
    assert code in codes(result)
    assert set(codes(result)) <= {code} | of_leak
    told = next(each for each in result.reasons if each.code == code)
    assert {name: told.figures[name] for name in figures} == figures
    assert bench.names[-1] == "vent"


def test_a_vent_that_does_not_open_by_command_blames_no_lease() -> None:
    """With the vent stuck nothing can be shown of the supply: that step is left out."""
    _, bench = on_bench(Made(vent_stuck_in="vent.opens"))
    assert "lease.withdrawn" not in bench.names


def test_an_own_leak_within_a_third_of_an_inch_a_minute_is_no_fault() -> None:
    """0.25 inHg in a minute in 25 cm3 is below the 0.3 above which no tight part is judged."""
    leak_m3_s = 0.25 * INHG / 60.0 * 25e-6 / 100_050.0 * 0.75  # at 15 inHg; a third more at 20
    result, _ = on_bench(Made(own_leak_m3_s=leak_m3_s))
    assert result.outcome is Outcome.PASS


def test_a_large_own_leak_says_how_much_it_is_and_may_be() -> None:
    """Leak and bound in standard flow: 0.3 inHg in a minute in 25 cm3 is 0.25 cm3/min."""
    result, _ = on_bench(Made(own_leak_m3_s=0.5 * STD_CC_MIN))
    figures = result.reasons[0].figures
    assert figures["leak_m3_s"] == measured(result)["own_leak"].value
    assert figures["u_m3_s"] == measured(result)["own_leak"].u
    assert figures["most_m3_s"] == pytest.approx(0.254 * STD_CC_MIN, rel=0.01)


@pytest.mark.parametrize(("before_cc_min", "told"), [(0.06, False), (0.02, True)])
def test_an_own_leak_that_has_changed_is_noted(before_cc_min: float, told: bool) -> None:
    """Beyond three times what both are uncertain by: a note, and no fault."""
    flow = Estimate(before_cc_min * STD_CC_MIN, 0.001 * STD_CC_MIN)
    last = KnownOwnLeak(flow, datetime(2026, 1, 5, tzinfo=UTC), 7)
    result, _ = on_bench(Made(own_leak_m3_s=SMALL_LEAK_M3_S), known(last))
    assert result.outcome is Outcome.PASS
    assert ("own_leak_changed" in codes(result)) is told


def test_a_rig_that_was_carried_to_another_height_finds_its_ambient() -> None:
    """The last ambient counts for nothing here: the vent is proved by opening it.

    Where 20 inHg are out of reach it blanks off from as much as a hand pump pulls with ease.
    """
    made = Made(ambient_pa=altitude_pa(3000.0))
    result, bench = on_bench(made, known(last_ambient_pa=101_000.0))
    assert result.outcome is Outcome.PASS
    assert measured(result)["ambient"].value == pytest.approx(made.ambient_pa, abs=1.0)
    pulled_pa = bench.steps[bench.names.index("blank.pull")].target_pa
    assert pulled_pa == pytest.approx(0.72 * made.ambient_pa, abs=1.0)


def test_readings_that_are_not_steady_at_the_start_end_it_at_once() -> None:
    """A manifold that still fills gives no ambient."""
    result, bench = on_bench(Made(starts_at_pa=30_000.0, vent_m3_s=4e-6))
    assert result.outcome is Outcome.FAIL
    assert codes(result) == ["vented_unsteady"]
    assert bench.names == ["zero", "vent"]
