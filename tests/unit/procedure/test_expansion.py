"""Tests of the part's volumes as a bench of known volumes tells them, and of their uncertainty."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rig.procedure.hold import hold_test
from rig.records import Estimate
from tests.unit.procedure.bench_model import (
    INHG,
    LIMIT_VACUUM_PA,
    STD_CC_MIN,
    TIGHT,
    BenchModel,
    Made,
    Part,
    altitude_pa,
    leaking,
)
from tests.unit.procedure.contexts import MEASURED, REFERENCE_M3, codes, context, measured

BENCHES = 36
BEYOND_M3 = 25e-6
WITHIN_2_U = 0.9


def drawn(seed: int) -> tuple[Part, Made]:
    """Draw a part and a bench: sizes, leak, temperatures, and what the sensor is off by."""
    rng = np.random.default_rng(seed)
    rest_m3 = float(np.exp(rng.uniform(np.log(8.0), np.log(40.0)))) * 1e-6
    part = Part(
        rest_m3=rest_m3,
        stroke_m3=float(rng.uniform(0.05, 0.3)) * rest_m3,
        law=str(rng.choice(["orifice", "laminar"])),
        critical_ratio=float(rng.uniform(0.2, 0.5)),
        warms_s=float(rng.uniform(0.3, 0.6)),
    )
    times = float(rng.choice([0.0, 0.2, 0.5, 1.0, 2.0]))
    made = Made(
        rig_m3=25e-6 + 0.3e-6 * float(rng.normal()),
        part_warmer_k=0.3 * float(rng.normal()),
        warms_s=float(rng.uniform(0.4, 0.8)),
        zero_pa=300.0 * float(rng.normal()),
        span=0.01 * float(rng.normal()),
        white_pa=float(rng.uniform(2.0, 8.0)),
        slow_pa=float(rng.uniform(0.0, 1.5)),
        latency_s=float(rng.choice([0.01, 0.02, 0.03])),
        ambient_pa=101_325.0 + 1000.0 * float(rng.normal()),
    )
    return leaking(part, times * INHG, 20.0, REFERENCE_M3), made


@cache
def offs() -> dict[str, np.ndarray]:
    """Measure parts on benches, and list by how many u each figure is off, by name.

    Half of the limits name their reference volume, half go by the part's own.
    """
    found: dict[str, list[float]] = {}
    for seed in range(BENCHES):
        part, made = drawn(seed)
        by_part = seed % 2 == 1
        known = context(
            MEASURED,
            {
                "hold_s": 25.0,
                "typical_volume_m3": 1.3 * part.rest_m3,
                "typical_volume_u_m3": 0.4 * part.rest_m3,
            },
            beyond_part_m3=BEYOND_M3 if by_part else None,
        )
        figures = measured(BenchModel(part, made, seed).run(hold_test(known)))
        reference_m3 = part.stop_m3 + BEYOND_M3 if by_part else REFERENCE_M3
        truths = {
            "rest_volume": part.rest_m3,
            "stop_volume": part.stop_m3,
            "stroke": part.stroke_m3,
            "leak": part.leak_m3_s,
            "equivalent_drop": part.drop_pa(LIMIT_VACUUM_PA, 20.0, reference_m3),
        }
        for name, truth in truths.items():
            if name in figures:
                off = (figures[name].value - truth) / figures[name].u
                found.setdefault(name, []).append(off)
    return {name: np.array(values) for name, values in found.items()}


@pytest.mark.parametrize(
    "name", ["rest_volume", "stop_volume", "stroke", "leak", "equivalent_drop"]
)
def test_what_is_measured_covers_the_truth(name: str) -> None:
    """Over parts, leaks, laws, temperatures and sensor errors drawn at random.

    At least 90 % lie within 2 u and none beyond 3.5, the mean is off by less than half a u, and
    almost all of them are measured at all.
    """
    off = offs()[name]
    assert off.size >= BENCHES - 2
    assert np.mean(np.abs(off) < 2.0) >= WITHIN_2_U
    assert np.max(np.abs(off)) < 3.5
    assert abs(off.mean()) < 0.5


def test_uncertainties_are_not_made_wide_to_cover() -> None:
    """Over all that is measured the spread is that of the stated u, no less than half of it."""
    for name, off in offs().items():
        assert off.std() > 0.4, name


# single steps


def volumes(
    part: Part = TIGHT, made: Made | None = None, **known: object
) -> tuple[dict[str, Estimate], list[str], BenchModel]:
    """Measure a part whose hold does not matter; return figures, codes and the bench."""
    bench = BenchModel(part, made)
    settings = {"hold_s": 10.0}
    result = bench.run(hold_test(context(MEASURED, settings, **known)))  # type: ignore[arg-type]
    return measured(result), codes(result), bench


def within_3_u(estimate: Estimate, truth: float) -> bool:
    """Tell whether an estimate covers the truth."""
    return abs(estimate.value - truth) < 3.0 * estimate.u


def test_a_pull_that_went_too_far_is_made_once_more_and_tells_the_rest_volume() -> None:
    """A pump far faster than its restrictor allows takes the first small step beyond 1 inHg.

    The second is pulled less, begins vented, and tells volume and stroke within 3 u.
    """
    figures, found, bench = volumes(TIGHT, Made(pump_m3_s=40e-6))
    assert "rest.again.after" in bench.names
    assert "rest_not_measured" not in found
    assert within_3_u(figures["rest_volume"], TIGHT.rest_m3)
    assert within_3_u(figures["stroke"], TIGHT.stroke_m3)


def test_a_pull_that_always_goes_too_far_is_said_and_the_test_goes_on() -> None:
    """Without a rest volume the one on the stop is measured all the same; nothing is retried on."""
    figures, found, bench = volumes(TIGHT, Made(pump_m3_s=150e-6))
    assert [name for name in bench.names if name.startswith("rest")].count("rest.again.pull") == 1
    assert "rest_volume" not in figures
    assert "rest_not_measured" in found
    assert within_3_u(figures["stop_volume"], TIGHT.stop_m3)


@pytest.mark.parametrize("rest_m3", [5e-6, 80e-6])
def test_a_part_far_from_the_typical_size_is_measured_as_well(rest_m3: float) -> None:
    """A third or five times of what its family has, each volume is within 3 u and known to 3 %."""
    part = Part(rest_m3=rest_m3, stroke_m3=0.2 * rest_m3)
    figures, _, _ = volumes(part)
    for name, truth in (("rest_volume", part.rest_m3), ("stop_volume", part.stop_m3)):
        assert within_3_u(figures[name], truth)
        assert figures[name].u < 0.03 * truth


@pytest.mark.parametrize("times", [3.0, 5.0, 6.5, 8.0, 14.0, 60.0, 400.0])
def test_a_part_that_leaks_fast_gets_no_wrong_volume(times: float) -> None:
    """What is stated lies within 3 u of the truth and is known to 35 %, the rest is missing."""
    part = replace(TIGHT, leak_m3_s=times * 4.6 * STD_CC_MIN)
    figures, found, bench = volumes(part)
    for name, truth in (("rest_volume", part.rest_m3), ("stop_volume", part.stop_m3)):
        if name in figures:
            assert within_3_u(figures[name], truth), name
            assert figures[name].u < 0.35 * truth, name
    assert ("rest_volume" in figures) is ("rest_not_measured" not in found)
    if "stop.after" in bench.names:
        assert ("stop_volume" in figures) is ("volume_not_measured" not in found)


def test_a_small_step_that_tells_hardly_anything_is_not_counted() -> None:
    """A leak that slackens in coarse readings: no rest volume, no stroke, and the reason.

    The step on the stop is not hurt by it.
    """
    part = Part(
        rest_m3=20e-6,
        stroke_m3=5e-6,
        leak_m3_s=9.0 * STD_CC_MIN,
        critical_ratio=0.35,
        creep_m3=0.3e-6,
        creep_s=3.0,
        warms_s=0.5,
    )
    made = Made(rig_m3=27e-6, white_pa=6.0, slow_pa=1.0, step_pa=5.4, warms_s=0.55)
    bench = BenchModel(part, made, seed=7)
    known = context(MEASURED, {"hold_s": 10.0}, rig_volume_m3=Estimate(27e-6, 0.3e-6))
    result = bench.run(hold_test(known))
    assert not {"rest_volume", "stroke"} & set(measured(result))
    assert codes(result)[-1] == "rest_not_measured"
    assert result.reasons[-1].figures["cause"] == "leaks_too_fast"
    assert within_3_u(measured(result)["stop_volume"], part.stop_m3)


@pytest.mark.parametrize("metres", [1600.0, 3000.0])
def test_at_altitude_a_part_stands_lower_so_that_its_volume_can_be_told(metres: float) -> None:
    """The manifold is pulled at least 4.5 inHg below the part, and to no more than a pump can."""
    made = Made(ambient_pa=altitude_pa(metres))
    figures, found, bench = volumes(TIGHT, made)
    targets = {step.name: step.target_pa for step in bench.steps}
    first_pa, stop_pa = targets["first.pull"], targets["stop.pull"]
    assert first_pa is not None
    assert stop_pa is not None
    assert stop_pa - first_pa > 4.4 * INHG
    assert stop_pa < 0.8 * made.ambient_pa
    assert targets["one.pull"] == pytest.approx(16.0 * INHG)
    assert not {"rest_not_measured", "volume_not_measured"} & set(found)
    assert within_3_u(figures["stop_volume"], TIGHT.stop_m3)
    assert figures["stop_volume"].u < 0.03 * TIGHT.stop_m3


@pytest.mark.parametrize(("port_inhg", "measured_there"), [(17.5, True), (4.0, False)])
def test_no_pull_goes_beyond_what_the_port_bears(port_inhg: float, measured_there: bool) -> None:
    """Half an inch below the port's maximum is the most; too little room is said, not taken."""
    limit = replace(MEASURED, from_vacuum_pa=min(15.0, port_inhg - 1.5) * INHG)
    bench = BenchModel(TIGHT)
    settings = {"hold_s": 10.0, "port_max_vacuum_pa": port_inhg * INHG}
    result = bench.run(hold_test(context(limit, settings)))
    pulled_pa = [step.target_pa for step in bench.steps if step.target_pa is not None]
    assert max(pulled_pa) <= (port_inhg - 0.5) * INHG * (1.0 + 1e-12)
    assert ("stop_volume" in measured(result)) is measured_there
    missing = [each.figures["cause"] for each in result.reasons if "cause" in each.figures]
    assert missing == ([] if measured_there else ["no_room"])


def test_the_volumes_of_a_part_go_with_the_rigs() -> None:
    """Told by a rig volume 2 % too large, on one and the same run, all are 2 % too large.

    Their source of that name is what such an error makes, exactly in proportion.
    """
    larger = Estimate(1.02 * 25e-6, 0.3e-6)
    at_limit = leaking(TIGHT, INHG, 20.0, REFERENCE_M3)
    true, _, _ = volumes(at_limit)
    wrong, _, _ = volumes(at_limit, rig_volume_m3=larger)
    for name in ("rest_volume", "stop_volume"):
        assert wrong[name].value == pytest.approx(1.02 * true[name].value, rel=2e-3)
        by_rig = true[name].sources["rig_volume"]
        assert by_rig == pytest.approx(true[name].value * 0.3 / 25.0, rel=1e-3)
