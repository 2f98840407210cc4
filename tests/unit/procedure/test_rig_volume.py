"""Tests of the rig's own volume by a syringe whose marks are read wrong by as much as is said."""

from dataclasses import replace

import numpy as np
import pytest

from rig.procedure.planned import RIG_VOLUME
from rig.procedure.rig_volume import Syringe, rig_volume_test
from rig.records import Estimate, Outcome
from rig.runs import TestResult
from tests.unit.procedure.bench_model import STD_CC_MIN, BenchModel, Made, Part
from tests.unit.procedure.contexts import codes, context, measured

SYRINGE = Syringe()
BENCHES = 24
RIG_M3 = 25e-6


def on_bench(
    made: Made, tip_m3: float = SYRINGE.attached_m3.value, seed: int = 1
) -> tuple[TestResult, BenchModel]:
    """Measure a rig."""
    marks = made.syringe_marks_m3 or SYRINGE.marks_m3
    syringe = Part(rest_m3=tip_m3, stroke_m3=0.0, warms_s=0.4)
    bench = BenchModel(syringe, replace(made, syringe_marks_m3=marks), seed)
    return bench.run(rig_volume_test(replace(context(), test=RIG_VOLUME), SYRINGE)), bench


def drawn(seed: int) -> Estimate:
    """Measure with scale, readings, tip and zero off by what is stated of each."""
    rng = np.random.default_rng(seed)
    scale = 1.0 + SYRINGE.scale_u * float(rng.normal())
    read = SYRINGE.reading_u_m3 * rng.normal(size=len(SYRINGE.marks_m3))
    read[0] = 0.0  # the plunger stands at its end
    marks = tuple(float(each) for each in np.array(SYRINGE.marks_m3) * scale + read)
    tip = SYRINGE.attached_m3
    made = Made(
        rig_m3=RIG_M3,
        zero_pa=300.0 * float(rng.normal()),
        span=0.01 * float(rng.normal()),
        syringe_marks_m3=marks,
    )
    tip_m3 = max(tip.value + tip.u * float(rng.normal()), 0.05e-6)
    result, _ = on_bench(made, tip_m3, seed)
    assert result.outcome is Outcome.MEASURED
    return measured(result)["rig_volume"]


def test_the_volume_covers_the_truth() -> None:
    """Over errors drawn as they are stated 90 % lie within 2 u, all within 3, and none is off.

    The mean of all is within half a u of the truth: the span of the sensor plays no part.
    """
    off = np.array([(each.value - RIG_M3) / each.u for each in map(drawn, range(BENCHES))])
    assert np.mean(np.abs(off) < 2.0) >= 0.9
    assert np.max(np.abs(off)) < 3.0
    assert abs(off.mean()) < 0.5


def test_the_volume_is_known_to_two_percent() -> None:
    """A syringe true to 1 % and read to 0.1 cm3 is good for 0.5 cm3 of 25."""
    result, bench = on_bench(Made(rig_m3=RIG_M3))
    volume = measured(result)["rig_volume"]
    assert abs(volume.value - RIG_M3) < 1.0 * volume.u
    assert volume.u < 0.02 * RIG_M3
    assert volume.sources["syringe_scale"] == pytest.approx(
        0.01 * (volume.value + SYRINGE.attached_m3.value), rel=1e-9
    )
    assert measured(result)["ambient"].value == pytest.approx(bench.bench.ambient_pa, abs=1.0)


def test_the_vent_shuts_before_the_first_mark_and_opens_at_the_end() -> None:
    """All marks are drawn in one shut volume, one prompt each, and nothing is pumped."""
    _, bench = on_bench(Made())
    vents = [(step.name, step.valves["vent"]) for step in bench.steps if "vent" in step.valves]
    assert vents[0] == ("syringe", "open")
    assert vents[1] == ("read.0", "shut")
    assert vents[-1] == ("vent", "open")
    marks = [position for name, position in vents if name.startswith("read.")]
    assert marks == ["shut"] * len(SYRINGE.marks_m3)


def test_a_part_valve_that_does_not_shut_is_found_by_the_syringe() -> None:
    """A drawn syringe behind a valve that shuts keeps its vacuum while the rig is vented.

    Behind one that stays open it is vented with the rig: the volume stands, the rig fails.
    """
    good, bench = on_bench(Made())
    assert good.outcome is Outcome.MEASURED
    assert bench.names[-5:] == ["part.shut", "part.vented", "part.alone", "part.opened", "vent"]
    stuck, _ = on_bench(Made(part_valve_shuts=False))
    assert stuck.outcome is Outcome.FAIL
    assert codes(stuck) == ["part_valve_does_not_shut"]
    assert measured(stuck)["rig_volume"].value == pytest.approx(25e-6, rel=0.05)


def test_a_bench_without_a_part_valve_has_none_to_prove() -> None:
    """Nothing but marks and reads is made there."""
    bench = BenchModel(Part(rest_m3=0.5e-6, stroke_m3=0.0), Made(syringe_marks_m3=SYRINGE.marks_m3))
    plain = replace(context(), test=RIG_VOLUME, has_part_valve=False)
    assert bench.run(rig_volume_test(plain, SYRINGE)).outcome is Outcome.MEASURED
    assert not [name for name in bench.names if name.startswith("part.")]
    assert all(step.valves.get("pump", "shut") == "shut" for step in bench.steps)
    asked = [
        step.prompt.figures["volume_m3"]
        for step in bench.steps
        if "mark" in step.name and step.prompt
    ]
    assert asked == list(SYRINGE.marks_m3[1:])


@pytest.mark.parametrize("own_leak_std_cc_min", [0.1, 0.3, 1.0])
def test_a_leak_widens_the_doubt_by_as_much_as_it_does(own_leak_std_cc_min: float) -> None:
    """Air that comes in meanwhile makes the volume too large, and within 2 u that is told."""
    result, _ = on_bench(Made(own_leak_m3_s=own_leak_std_cc_min * STD_CC_MIN))
    volume = measured(result)["rig_volume"]
    assert abs(volume.value - RIG_M3) < 2.0 * volume.u
    assert volume.u < 0.05 * RIG_M3


@pytest.mark.parametrize(
    ("marks_m3", "own_leak_m3_s"),
    [
        (tuple(1e-12 * n for n in range(6)), 0.0),  # the plunger was never drawn
        ((0.0, 4e-6, 8e-6, 0.0, 0.0, 0.0), 0.0),  # it slipped back
        (SYRINGE.marks_m3, 1500.0 * STD_CC_MIN),  # nothing holds what is drawn
    ],
)
def test_steps_that_fit_no_volume_give_none(
    marks_m3: tuple[float, ...], own_leak_m3_s: float
) -> None:
    """A volume that would be less certain than 5 % is not measured, and the test spoiled."""
    result, _ = on_bench(Made(syringe_marks_m3=marks_m3, own_leak_m3_s=own_leak_m3_s))
    assert result.outcome is Outcome.INVALID
    assert codes(result) == ["rig_volume_unusable"]
    assert "rig_volume" not in measured(result)


def test_a_vented_reading_far_from_the_last_ambient_ends_it() -> None:
    """A blocked vent would be measured along."""
    bench = BenchModel(Part(rest_m3=0.5e-6, stroke_m3=0.0), Made())
    known = replace(context(last_ambient_pa=90_000.0), test=RIG_VOLUME)
    result = bench.run(rig_volume_test(known, SYRINGE))
    assert result.outcome is Outcome.INVALID
    assert codes(result) == ["vent_blocked"]
