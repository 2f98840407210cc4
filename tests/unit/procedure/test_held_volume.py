"""Tests of the volume that a hold is made in, and of what its doubt is worth, by Monte Carlo."""

import math
from dataclasses import replace

import numpy as np
import pytest

from rig.analysis.hold import DropLimit
from rig.procedure.held_volume import held_volume
from rig.procedure.hold import hold_test
from rig.procedure.replay import name_in_run, replay
from rig.records import Estimate
from tests.unit.procedure.bench_model import INHG, TIGHT, BenchModel, leaking
from tests.unit.procedure.contexts import MEASURED, REFERENCE_M3, context, measured

RIG = Estimate(25e-6, 0.5e-6)
LARGER = Estimate(45e-6, 0.9e-6)
BEYOND_M3 = 25e-6
DRAWS = 200_000


def told(part_m3: float, own_u_m3: float, rig: Estimate = RIG) -> Estimate:
    """State a part's volume that an expansion told: in proportion to the rig's, with noise."""
    by_rig = part_m3 * rig.u / rig.value
    return Estimate.from_sources(part_m3, {"rig_volume": by_rig, "random": own_u_m3})


def drawn(part_m3: float, own_u_m3: float, rig: Estimate = RIG) -> tuple[np.ndarray, np.ndarray]:
    """Draw the rig's volume and what an expansion on it then tells of the part's."""
    rng = np.random.default_rng(5)
    rig_m3 = rig.value + rig.u * rng.normal(size=DRAWS)
    return rig_m3, part_m3 * rig_m3 / rig.value + own_u_m3 * rng.normal(size=DRAWS)


@pytest.mark.parametrize(("part_m3", "own_u_m3"), [(14e-6, 0.2e-6), (14e-6, 1e-6), (60e-6, 0.5e-6)])
def test_the_whole_volume_is_as_uncertain_as_it_scatters(part_m3: float, own_u_m3: float) -> None:
    """An error of the rig's volume is one of the part's, too: they add up, and are counted once."""
    held = held_volume(context(rig_volume_m3=RIG), told(part_m3, own_u_m3))
    rig_m3, found_m3 = drawn(part_m3, own_u_m3)
    assert held.whole.value == pytest.approx(RIG.value + part_m3, rel=1e-12)
    assert held.whole.u == pytest.approx(float(np.std(rig_m3 + found_m3)), rel=0.01)


@pytest.mark.parametrize(("part_m3", "own_u_m3"), [(14e-6, 0.2e-6), (14e-6, 1e-6), (60e-6, 0.5e-6)])
@pytest.mark.parametrize("rig", [RIG, LARGER])
def test_in_the_parts_own_reference_volume_what_is_common_cancels(
    part_m3: float, own_u_m3: float, rig: Estimate
) -> None:
    """The drop goes with V / (V_part + 25 cm3); its doubt is what that ratio scatters by.

    It is less than three quarters of what the whole volume alone would make of it.
    """
    held = held_volume(
        context(rig_volume_m3=rig, beyond_part_m3=BEYOND_M3), told(part_m3, own_u_m3, rig)
    )
    rig_m3, found_m3 = drawn(part_m3, own_u_m3, rig)
    ratio = (rig_m3 + found_m3) / (found_m3 + BEYOND_M3)
    relative = held.for_drop_u_m3 / held.whole.value
    assert held.reference_m3 == pytest.approx(part_m3 + BEYOND_M3, rel=1e-12)
    assert relative == pytest.approx(float(np.std(ratio) / np.mean(ratio)), rel=0.01)
    assert held.for_drop_u_m3 < 0.75 * held.whole.u


def test_a_limit_that_names_its_volume_gets_the_whole_doubt() -> None:
    """Nothing cancels against a volume that is printed."""
    held = held_volume(context(rig_volume_m3=RIG), told(14e-6, 0.2e-6))
    assert held.reference_m3 == REFERENCE_M3
    assert held.for_drop_u_m3 == held.whole.u


def test_a_volume_that_nothing_told_is_independent_of_the_rigs() -> None:
    """A typical volume has an error of its own: the two add as squares."""
    held = held_volume(context(rig_volume_m3=RIG), Estimate(16e-6, 5e-6))
    assert held.whole.u == pytest.approx(math.hypot(RIG.u, 5e-6), rel=1e-12)


# on a bench


@pytest.mark.parametrize("beyond_part_m3", [None, BEYOND_M3])
def test_a_run_told_with_another_rig_volume_moves_by_what_its_source_says(
    beyond_part_m3: float | None,
) -> None:
    """One run, told again with the rig's volume 1 u up and down: the drop moves by its share.

    The source `volume` holds the doubt of the expansion as well, so it is no less than the share of
    the rig's volume, and that share is what the formula of the ratio gives, within 5 %.
    """
    part = leaking(TIGHT, INHG, 20.0, REFERENCE_M3)
    bench = BenchModel(part)
    known = context(MEASURED, {"hold_s": 20.0}, beyond_part_m3=beyond_part_m3, rig_volume_m3=RIG)
    as_made = measured(bench.run(hold_test(known)))
    kept = [replace(each, name=name_in_run("hold", each.name)) for each in bench.records]
    readings = [bench.readings()]

    def told_with(rig_m3: float) -> dict[str, Estimate]:
        again = replace(known, rig_volume_m3=Estimate(rig_m3, RIG.u))
        return measured(replay(hold_test(again), "hold", kept, readings))

    up, down = told_with(RIG.value + RIG.u), told_with(RIG.value - RIG.u)
    for name, cancels in (("leak", False), ("equivalent_drop", beyond_part_m3 is not None)):
        moved = 0.5 * (up[name].value - down[name].value)
        share = RIG.u / RIG.value
        if cancels:
            stop_m3 = as_made["stop_volume"].value
            share *= 1.0 - stop_m3 / (stop_m3 + BEYOND_M3)
        assert moved == pytest.approx(share * as_made[name].value, rel=0.05), name
        assert as_made[name].sources["volume"] > 0.95 * abs(moved)
    reference = as_made["reference_volume"]
    wanted_m3 = REFERENCE_M3
    if beyond_part_m3 is not None:
        wanted_m3 = as_made["stop_volume"].value + BEYOND_M3
    assert reference == Estimate(pytest.approx(wanted_m3), 0.0)


def test_going_by_the_part_leaves_the_leak_as_uncertain_as_its_volume() -> None:
    """What cancels in the drop does not cancel in the flow: its u is the same under both limits."""
    part = leaking(TIGHT, INHG, 20.0, REFERENCE_M3)
    by_volume, by_part = (
        measured(BenchModel(part).run(hold_test(context(MEASURED, {"hold_s": 20.0}, **known))))
        for known in ({"rig_volume_m3": RIG}, {"rig_volume_m3": RIG, "beyond_part_m3": BEYOND_M3})
    )
    assert by_part["leak"].u == pytest.approx(by_volume["leak"].u, rel=1e-6)
    relative = {
        name: found["equivalent_drop"].u / found["equivalent_drop"].value
        for name, found in (("volume", by_volume), ("part", by_part))
    }
    assert relative["part"] < 0.8 * relative["volume"]


def test_the_typical_volume_cancels_where_no_other_is_known() -> None:
    """Without a part valve a limit that goes by the part still judges within a few per cent.

    By the width of the typical volume alone (30 %) the drop in a printed volume is three times as
    uncertain.
    """
    part = leaking(TIGHT, 0.5 * INHG, 20.0, REFERENCE_M3)
    found = {}
    for name, beyond_m3 in (("volume", None), ("part", BEYOND_M3)):
        known = context(
            DropLimit(15.0 * INHG, 20.0, REFERENCE_M3),
            {"hold_s": 20.0},
            has_part_valve=False,
            beyond_part_m3=beyond_m3,
        )
        drop = measured(BenchModel(part).run(hold_test(known)))["equivalent_drop"]
        found[name] = drop.u / drop.value
    assert found["part"] < 0.05
    assert found["volume"] > 3.0 * found["part"]
