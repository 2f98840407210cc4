"""Tests of the hold test from vented to vented, on a bench whose part and leak are known."""

from collections.abc import Mapping
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rig.analysis.hold import DropLimit, HoldResult
from rig.procedure.hold import both_ran_far_alike, hold_test
from rig.procedure.replay import drive
from rig.procedure.steps import Recording, Step, StepResult
from rig.records import Estimate, Outcome
from rig.runs import TestResult
from rig.units import Kind
from tests.unit.procedure.bench_model import (
    BLOCKED,
    INHG,
    LIMIT_VACUUM_PA,
    SEA_LEVEL_PA,
    STD_CC_MIN,
    TIGHT,
    BenchModel,
    Made,
    Part,
    altitude_pa,
    leaking,
    shape,
)
from tests.unit.procedure.contexts import LIMIT, MEASURED, REFERENCE_M3, codes, context, measured

RESEATS = ("one.reseat", "second.reseat", "first.reseat")


def leaky(times: float, part: Part = TIGHT) -> Part:
    """Give a part a leak of so many times the limit of 1 inHg in 20 s."""
    return leaking(part, times * INHG, 20.0, REFERENCE_M3)


def on_bench(
    part: Part = TIGHT, made: Made | None = None, seed: int = 1, **known: object
) -> tuple[TestResult, BenchModel]:
    """Test a part on a bench."""
    bench = BenchModel(part, made, seed)
    return bench.run(hold_test(context(**known))), bench  # type: ignore[arg-type]


def z_of(estimate: Estimate, truth: float) -> float:
    """Compute how many standard uncertainties an estimate is off."""
    return (estimate.value - truth) / estimate.u


# parts that hold, that do not, and that are close


def test_a_tight_part_passes_with_its_volumes_and_no_leak() -> None:
    """All that is measured lies within 3 u of what the bench was made with, and nothing is noted.

    The volumes are known to 2 % (the rig's own to 1.2 %), the drop to a tenth of the limit.
    """
    result, bench = on_bench()
    found = measured(result)
    assert result.outcome is Outcome.PASS
    for name, truth in (
        ("rest_volume", TIGHT.rest_m3),
        ("stop_volume", TIGHT.stop_m3),
        ("stroke", TIGHT.stroke_m3),
        ("leak", 0.0),
        ("equivalent_drop", 0.0),
    ):
        assert abs(z_of(found[name], truth)) < 3.0, name
    assert found["stop_volume"].u < 0.02 * TIGHT.stop_m3
    assert found["equivalent_drop"].u < 0.1 * INHG
    assert found["ambient"].value == pytest.approx(bench.bench.ambient_pa, abs=1.0)
    assert set(codes(result)) <= {"within_limit", "settling_found", "decided_early"}
    assert result.judged[0].outcome is Outcome.PASS
    assert result.judged[0].probability_of_conformity == pytest.approx(1.0, abs=1e-6)
    assert result.judged[0].confidence == 0.95
    assert not set(RESEATS) & set(bench.names)


def test_a_test_is_made_in_the_order_that_the_design_gives() -> None:
    """Volumes first, then the hold, the manifold alone, and vented at either end.

    The pump valve shuts in the step after each pull; vent and pump valve are never both open.
    """
    _, bench = on_bench()
    assert bench.names == [
        *("zero", "rest.pull", "rest.before", "rest.after", "rest.vent"),
        *("first.pull", "stop.standing"),
        *("stop.pull", "stop.before", "stop.after", "stop.vent"),
        *("one.pull", "one.hold", "one.manifold", "vent", "zero.again"),
    ]
    assert len(set(bench.names)) == len(bench.names)
    stands = {"pump": "shut", "vent": "open", "part": "open"}
    for step, after in zip(bench.steps, [*bench.steps[1:], None], strict=True):
        stands |= step.valves
        assert (stands["pump"], stands["vent"]) != ("open", "open"), step.name
        if step.name.endswith(".pull") and after is not None:
            assert after.valves["pump"] == "shut"
    assert stands == {"pump": "shut", "vent": "open", "part": "open", "port_b": "open"}


@pytest.mark.parametrize(
    ("times", "law", "reseated"),
    [(2.0, "orifice", True), (2.0, "laminar", True), (5.0, "orifice", False)],
)
def test_a_leaky_part_fails_and_below_three_times_the_limit_by_two_connections(
    times: float, law: str, reseated: bool
) -> None:
    """A fail near the limit asks for a second connection that agrees, a clear one does not.

    Leak and drop are those of the part within 3 u.
    """
    part = leaky(times, replace(TIGHT, law=law))
    result, bench = on_bench(part)
    found = measured(result)
    assert result.outcome is Outcome.FAIL
    assert ("second.hold" in bench.names) is reseated
    assert ("connections_agree" in codes(result)) is reseated
    assert abs(z_of(found["leak"], part.leak_m3_s)) < 3.0
    truth_pa = part.drop_pa(LIMIT_VACUUM_PA, 20.0, REFERENCE_M3)
    assert abs(z_of(found["equivalent_drop"], truth_pa)) < 3.0
    assert found["equivalent_drop"].u < 0.15 * found["equivalent_drop"].value
    assert result.judged[0].outcome is Outcome.FAIL


def test_a_part_at_the_limit_stays_too_close_after_a_second_pull() -> None:
    """Both pulls hold to the end, no verdict is made up, and the drop is the limit's within 3 u."""
    part = leaky(1.0)
    result, bench = on_bench(part, settings={"hold_s": 30.0})
    assert result.outcome is Outcome.UNDECIDED
    assert "too_close" in codes(result)
    assert {"one.hold", "two.vent", "two.hold"} <= set(bench.names)
    assert abs(z_of(measured(result)["equivalent_drop"], INHG)) < 3.0


def test_a_second_pull_that_was_spoiled_leaves_the_first_as_it_was() -> None:
    """Too close to call, and why the second told nothing."""
    bench = BenchModel(leaky(1.0))

    def made(step: Step) -> StepResult:
        return _emptied(bench.made(step), "two.hold")

    result = drive(hold_test(context(settings={"hold_s": 20.0})), made)
    assert result.outcome is Outcome.UNDECIDED
    assert {"too_close", "too_few_samples"} <= set(codes(result))


def test_nothing_is_judged_where_the_part_is_only_measured() -> None:
    """Without a limit there is one hold of full length, and the leak with its drop."""
    part = leaky(2.0)
    result, bench = on_bench(part, limit=MEASURED, settings={"hold_s": 20.0})
    found = measured(result)
    assert result.outcome is Outcome.MEASURED
    assert result.judged == ()
    assert abs(z_of(found["leak"], part.leak_m3_s)) < 3.0
    held = bench.records[bench.names.index("one.hold")]
    assert held.ended_mono_s - held.began_mono_s == pytest.approx(20.0, abs=0.02)


def test_a_run_to_ambient_is_a_measurement_where_nothing_is_judged() -> None:
    """Thirteen times of what the usual limit allows, measured once: no new connection is asked for.

    The flow is found within a third, though the part leaves its stop on the way.
    """
    part = replace(TIGHT, leak_m3_s=60.0 * STD_CC_MIN)
    result, bench = on_bench(part, limit=MEASURED, settings={"hold_s": 40.0})
    assert result.outcome is Outcome.MEASURED
    assert "leaks_to_ambient" in codes(result)
    assert not [name for name in bench.names if "reseat" in name]
    assert measured(result)["leak"].value == pytest.approx(part.leak_m3_s, rel=1.0 / 3.0)


# a sensor without noise


def test_a_sensor_without_noise_is_proved_by_its_return_to_ambient() -> None:
    """A tight part on it stands still to the last digit, and passes: it came back when vented."""
    result, _ = on_bench(TIGHT, Made(white_pa=0.0))
    assert result.outcome is Outcome.PASS


def test_a_sensor_without_noise_that_does_not_come_back_spoils_the_test() -> None:
    """Nothing else would have shown that its reading followed the pressure."""
    result, _ = on_bench(TIGHT, Made(white_pa=0.0, vent_stuck_in="vent"))
    assert result.outcome is Outcome.INVALID
    assert codes(result)[0] == "not_seen_to_return"


# two pulls that ran far down


def ran(to_inhg: float, dial_inhg: float, conforms: float = 1e-9) -> HoldResult:
    """Make the undecided result of a hold from 16 inHg that no course could be fitted to."""
    return HoldResult(
        outcome=Outcome.UNDECIDED,
        probability_of_conformity=conforms,
        leak=None,
        equivalent_drop=None,
        leak_kind="unclear",
        settling=None,
        start_vacuum_pa=16.0 * INHG,
        end_vacuum_pa=to_inhg * INHG,
        observed_drop_pa=dial_inhg * INHG,
        dial_outcome=Outcome.FAIL,
        hold_start_s=0.0,
        hold_end_s=60.0,
        decided_at_s=None,
        limit=LIMIT,
    )


@pytest.mark.parametrize(
    ("first", "second", "is_leak"),
    [
        (ran(1.0, 10.0), ran(1.1, 9.8), True),
        (ran(1.0, 10.0), ran(3.0, 8.0), False),  # shrank: something settles
        (ran(8.0, 6.0), ran(8.0, 6.0), False),  # half of it may be creep, or fuel
        (ran(1.0, 10.0), ran(1.0, 10.0, conforms=0.3), False),
        (ran(1.0, 10.0), replace(ran(1.0, 10.0), outcome=Outcome.PASS), False),
    ],
)
def test_two_pulls_that_ran_far_down_alike_are_a_leak(
    first: HoldResult, second: HoldResult, is_leak: bool
) -> None:
    """Settling shrinks and never takes most of a vacuum; a leak repeats, whatever can be fitted."""
    assert both_ran_far_alike(first, second) is is_leak


# rubber that creeps


@pytest.mark.parametrize(
    ("limit_inhg", "creep_m3", "creep_s", "outcome", "code"),
    [
        (0.2, 5e-6, 40.0, Outcome.PASS, "within_limit"),
        (0.12, 8e-6, 80.0, Outcome.UNDECIDED, "pulls_fall"),
    ],
)
def test_creep_that_shrinks_on_the_second_pull_is_not_failed(
    limit_inhg: float, creep_m3: float, creep_s: float, outcome: Outcome, code: str
) -> None:
    """Rubber that gives way for a minute and comes back slowly gives less the second time."""
    part = Part(rest_m3=30e-6, creep_m3=creep_m3, creep_s=creep_s, creep_back_s=1000.0)
    limit = replace(LIMIT, max_drop_pa=limit_inhg * INHG)
    known = {"limit": limit, "settings": {"hold_s": 40.0, "typical_volume_m3": 28e-6}}
    result, bench = on_bench(part, **known)
    assert result.outcome is outcome
    assert code in codes(result)
    assert {"two.hold", "second.hold"} & set(bench.names)


def test_creep_is_no_leak() -> None:
    """A part whose rubber gives a good cubic centimetre in some seconds, and leaks little, passes.

    Its leak is found beneath the creep within 3 u.
    """
    part = leaky(0.5, Part(rest_m3=22e-6, creep_m3=1.5e-6, creep_s=5.0, creep_back_s=20.0))
    result, _ = on_bench(part)
    assert result.outcome is Outcome.PASS
    assert abs(z_of(measured(result)["leak"], part.leak_m3_s)) < 3.0


# nothing behind the nipple


@pytest.mark.parametrize(
    ("confirmed", "outcome", "code"),
    [
        ((), Outcome.INVALID, "nothing_behind"),
        (("nipple_clear",), Outcome.FAIL, "passage_blocked"),
    ],
)
@pytest.mark.parametrize("pump_m3_s", [6.7e-6, 40e-6])
def test_a_blocked_nipple_spoils_a_test_and_fails_once_it_is_known_to_be_clear(
    confirmed: tuple[str, ...], outcome: Outcome, code: str, pump_m3_s: float
) -> None:
    """However fast the pump drew, nothing is held, and everything is vented at the end."""
    made = Made(pump_m3_s=pump_m3_s, slow_pa=1.5, white_pa=6.0)
    result, bench = on_bench(BLOCKED, made, confirmed=confirmed)
    assert result.outcome is outcome
    assert codes(result) == [code]
    assert measured(result)["rest_volume"].u < 0.1e-6
    assert "stop.pull" not in bench.names
    assert not [name for name in bench.names if "hold" in name]
    assert bench.names[-2:] == ["vent", "zero.again"]


@pytest.mark.parametrize(
    ("confirmed", "code"), [((), "nothing_behind"), (("nipple_clear",), "passage_blocked")]
)
def test_a_blocked_nipple_shows_on_the_stop_where_the_small_step_told_nothing(
    confirmed: tuple[str, ...], code: str
) -> None:
    """No frames of the small step: the large one finds it, before anything is held."""
    bench = BenchModel(BLOCKED)

    def made(step: Step) -> StepResult:
        return _emptied(bench.made(step), "rest.after")

    result = drive(hold_test(context(confirmed=confirmed)), made)
    assert codes(result)[0] == code
    assert "stop.after" in bench.names
    assert not [name for name in bench.names if "hold" in name]


def test_a_small_part_is_not_taken_for_a_blocked_nipple() -> None:
    """4 cm3 behind a nipple that should have at least 2 are something."""
    part = Part(rest_m3=4e-6, stroke_m3=0.8e-6)
    result, _ = on_bench(part)
    assert result.outcome is Outcome.PASS
    assert abs(z_of(measured(result)["rest_volume"], part.rest_m3)) < 3.0


# a vacuum that is not reached


@pytest.mark.parametrize("leak_std_cc_min", [200.0, 400.0, 2500.0])
def test_a_part_that_leaks_more_than_the_pump_draws_fails_after_one_reseat(
    leak_std_cc_min: float,
) -> None:
    """The manifold alone reaches the vacuum twice; a bound that is stated lies below the truth.

    That is the flow at the vacuum where the pump stood still. Hardly any vacuum bounds nothing.
    """
    part = replace(TIGHT, leak_m3_s=leak_std_cc_min * STD_CC_MIN)
    result, bench = on_bench(part)
    assert result.outcome is Outcome.FAIL
    assert "leaks_more_than_pumped" in codes(result)
    assert codes(result).count("rest_not_measured") == 1
    assert bench.names.count("first.reseat") == 1
    assert [name for name in bench.names if name.endswith(".alone.pull")] == [
        "first.alone.pull",
        "first.again.alone.pull",
    ]
    bound = measured(result).get("leak_at_least")
    assert (bound is not None) is (leak_std_cc_min < 1000.0)
    if bound is not None:
        stood = bench.records[bench.names.index("first.again.decay")]
        readings = bench.readings()
        at = int(np.searchsorted(readings.samples.sequence, stood.first_sequence))
        ratio = float(readings.values["p_a"][at]) / bench.bench.ambient_pa
        there = shape(part.law, ratio) / shape(part.law, 1.0 - LIMIT_VACUUM_PA / SEA_LEVEL_PA)
        assert 0.3 < bound.value / (part.leak_m3_s * there) < 0.8


def test_a_hose_that_leaked_and_was_reseated_lets_the_part_be_held() -> None:
    """Reached by the new connection, the part is held and passes; nothing is said against it."""
    result, bench = on_bench(TIGHT, Made(hose_off={"first.pull": 0.0}))
    assert result.outcome is Outcome.PASS
    assert "first.again.hold" in bench.names
    assert abs(z_of(measured(result)["equivalent_drop"], 0.0)) < 3.0


def test_a_gross_leak_is_measured_where_nothing_is_judged() -> None:
    """A part without a limit does not fail: its bound is what there is to say."""
    part = replace(TIGHT, leak_m3_s=300.0 * STD_CC_MIN)
    result, _ = on_bench(part, limit=MEASURED)
    assert result.outcome is Outcome.MEASURED
    assert 0.0 < measured(result)["leak_at_least"].value < part.leak_m3_s


def test_a_weak_source_spoils_the_test() -> None:
    """A pump that the manifold alone stands still with says nothing of the part."""
    result, bench = on_bench(TIGHT, Made(pump_reaches=0.45))
    assert result.outcome is Outcome.INVALID
    assert codes(result)[0] == "source_too_weak"
    assert not set(RESEATS) & set(bench.names)


@pytest.mark.parametrize(
    ("metres", "pump_reaches", "times", "outcome"),
    [
        (1600.0, 0.85, 0.0, Outcome.PASS),
        (1600.0, 0.85, 2.0, Outcome.FAIL),
        (3000.0, 0.85, 0.0, Outcome.PASS),
        (3000.0, 0.85, 2.0, Outcome.FAIL),
        (
            3000.0,
            0.75,
            0.0,
            Outcome.PASS,
        ),  # stands still between the limit's vacuum and 1 inHg more
        (3000.0, 0.70, 0.0, Outcome.INVALID),  # does not get to the limit's vacuum
        (3000.0, 0.70, 2.0, Outcome.INVALID),
    ],
)
def test_altitude_decides_what_can_be_reached_and_never_what_leaks(
    metres: float, pump_reaches: float, times: float, outcome: Outcome
) -> None:
    """The drop is stated for sea level within 3 u; a vacuum out of reach fails no part."""
    part = leaky(times) if times else TIGHT
    result, _ = on_bench(part, Made(ambient_pa=altitude_pa(metres), pump_reaches=pump_reaches))
    assert result.outcome is outcome
    if outcome is Outcome.INVALID:
        assert "source_too_weak" in codes(result)
    else:
        assert abs(z_of(measured(result)["equivalent_drop"], times * INHG)) < 3.0


def test_without_a_part_valve_there_are_no_volumes_and_that_is_said() -> None:
    """The family's typical volume stands in with its width, which a near limit shows."""
    result, bench = on_bench(leaky(0.5), has_part_valve=False)
    assert result.outcome is Outcome.PASS
    assert "part_not_proved" in codes(result)
    assert bench.names == ["zero", "one.pull", "one.hold", "vent", "zero.again"]
    assert not {"rest_volume", "stop_volume", "stroke", "manifold_leak"} & set(measured(result))
    drop = measured(result)["equivalent_drop"]
    assert drop.u > 0.1 * drop.value


def test_without_a_part_valve_a_vacuum_out_of_reach_blames_nothing() -> None:
    """Hose, pump and part cannot be told apart: spoiled."""
    part = replace(TIGHT, leak_m3_s=400.0 * STD_CC_MIN)
    result, _ = on_bench(part, has_part_valve=False)
    assert result.outcome is Outcome.INVALID
    assert codes(result)[0] == "target_not_reached_no_valve"


# the hose


def test_a_hose_that_comes_off_is_put_on_again_and_the_part_judged_by_what_follows() -> None:
    """A run to ambient in mid-hold fails nothing; the repeated hold passes."""
    result, bench = on_bench(TIGHT, Made(hose_off={"one.hold": 5.0}))
    assert result.outcome is Outcome.PASS
    assert bench.names.count("one.reseat") == 1
    assert "one.again.hold" in bench.names


def test_what_runs_down_twice_is_the_parts_if_the_manifold_reaches_alone() -> None:
    """A second run to ambient on a new connection fails the part."""
    off = {"one.hold": 5.0, "one.again.hold": 6.0}
    result, bench = on_bench(TIGHT, Made(hose_off=off))
    assert result.outcome is Outcome.FAIL
    assert "runs_down_again" in codes(result)
    assert bench.names.count("one.reseat") == 1
    assert "one.again.alone.pull" in bench.names


# the rig itself


def test_a_manifold_that_leaks_over_a_third_of_the_limit_spoils_the_test() -> None:
    """The share is that of the flow, within a tenth: 3 of the limit's 4.6 standard cm3/min."""
    result, _ = on_bench(TIGHT, Made(own_leak_m3_s=3.0 * STD_CC_MIN))
    assert result.outcome is Outcome.INVALID
    assert codes(result)[0] == "own_leak_too_large"
    limit_m3_s = leaky(1.0).leak_m3_s
    share = float(result.reasons[0].figures["share"])
    assert share == pytest.approx(3.0 * STD_CC_MIN / limit_m3_s, rel=0.1)


def test_a_manifold_that_leaks_little_spoils_nothing() -> None:
    """A tenth of the limit is measured beside the part, and the part passes."""
    own_m3_s = 0.1 * leaky(1.0).leak_m3_s
    result, _ = on_bench(TIGHT, Made(own_leak_m3_s=own_m3_s))
    assert result.outcome is Outcome.PASS
    assert measured(result)["manifold_leak"].value == pytest.approx(own_m3_s, rel=0.1)


@pytest.mark.parametrize("told_by", ["last ambient", "barometer"])
def test_a_vent_that_is_blocked_from_the_start_spoils_the_test(told_by: str) -> None:
    """A steady reading far from the last ambient, or from a barometer, is no ambient."""
    stuck = Made(vent_stuck_in="", starts_at_pa=85_000.0)
    if told_by == "barometer":
        result, bench = on_bench(BLOCKED, replace(stuck, other_channels={"barometer": 30.0}))
    else:
        result, bench = on_bench(BLOCKED, stuck, last_ambient_pa=101_000.0)
    assert result.outcome is Outcome.INVALID
    assert codes(result) == ["vent_blocked"]
    assert bench.names == ["zero"]


def test_a_vent_that_gets_stuck_is_noted() -> None:
    """The verdict of the hold stands; the vent that did not let go is told."""
    result, bench = on_bench(TIGHT, Made(vent_stuck_in="vent"))
    assert result.outcome is Outcome.PASS
    assert codes(result)[-1] == "vent_slow"
    assert bench.names[-1] == "vent"


@pytest.mark.parametrize(("moved_pa", "told"), [(600.0, True), (100.0, False)])
def test_an_ambient_that_moved_is_noted(moved_pa: float, told: bool) -> None:
    """Vented again the gauge must be where it was, within a tenth of an inch."""
    result, _ = on_bench(TIGHT, Made(ambient_moves_pa=moved_pa))
    assert result.outcome is Outcome.PASS
    assert ("zero_moved" in codes(result)) is told


def test_a_bench_without_thermistor_and_with_lost_readings_still_decides() -> None:
    """A third of the readings unusable, no gas temperature: a tight part passes all the same."""
    result, _ = on_bench(TIGHT, Made(has_t_gas=False, broken_share=0.3))
    assert result.outcome is Outcome.PASS
    assert abs(z_of(measured(result)["stop_volume"], TIGHT.stop_m3)) < 3.0


# whatever comes back


@cache
def _names() -> tuple[str, ...]:
    return tuple(on_bench()[1].names)


def _emptied(made: StepResult, empty: str) -> StepResult:
    if made.record.name != empty:
        return made
    nothing: Mapping[str, np.ndarray] = {}
    recording = Recording(np.empty(0), np.empty(0, dtype=np.int64), nothing)
    return replace(made, recording=recording)


@pytest.mark.parametrize("index", range(16))
def test_a_step_of_which_nothing_was_recorded_raises_nothing(index: int) -> None:
    """Whichever step lost its frames: a result comes, and a pass only where the hold was seen."""
    empty = _names()[index]
    bench = BenchModel(TIGHT)

    def made(step: Step) -> StepResult:
        return _emptied(bench.made(step), empty)

    result = drive(hold_test(context(settings={"hold_s": 10.0})), made)
    if empty in ("zero", "one.hold"):
        assert result.outcome is Outcome.INVALID
        assert codes(result)[0] == "too_few_samples"
    else:
        assert result.outcome is Outcome.PASS


def test_everything_that_was_measured_is_finite_and_named_once() -> None:
    """A table shows each quantity once; none is not-a-number, also of a hold that was spoiled."""
    for result in (
        on_bench(leaky(2.0))[0],
        on_bench(TIGHT, Made(hose_off={"one.hold": 0.05, "one.again.hold": 0.05}))[0],
        on_bench(TIGHT, limit=DropLimit(LIMIT_VACUUM_PA, 20.0, REFERENCE_M3))[0],
    ):
        names = [each.name for each in result.measured]
        assert len(names) == len(set(names))
        assert all(np.isfinite(each.estimate.value) for each in result.measured)
        assert all(np.isfinite(each.estimate.u) for each in result.measured)
        kinds = {each.name: each.kind for each in result.measured}
        assert kinds["ambient"] is Kind.ABSOLUTE_PRESSURE
