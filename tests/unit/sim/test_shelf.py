"""Check the named parts' stories, and what is drawn at random."""

from collections import Counter

import numpy as np
import pytest

from rig.errors import BenchError
from rig.sim.leaks import STATED_AT_PA
from rig.sim.parts import SimPart
from rig.sim.plant import BenchPlant
from rig.sim.plant_settings import PlantSettings
from rig.sim.pumps import STROKE_M3
from rig.sim.shelf import REFERENCE_HOSE_M3, SHELF, draw_part, reference_volume, shelf_part
from tests.support.leaks import INHG_PA

PULL, HOLD = {"vent": True, "pump": True}, {"vent": True}
LIMIT = (15.0 * INHG_PA, 20.0, 45e-6)
"""The rig's default: at most 1 inHg in 20 s from 15 inHg in 45 cm3."""


def _dial(name: str, rig_cm3: float) -> float:
    """Read what a dial drops [inHg] in the 20 s after the last stroke, from 16 inHg."""
    plant = BenchPlant(PlantSettings(rig_volume_m3=rig_cm3 * 1e-6, drifting=False))
    plant.connect({"shelf": name})
    ambient_pa, manifold = plant.room.air.pressure_pa, plant.gas.manifold
    ticks = 0
    while ambient_pa - manifold.pressure_pa < 16.0 * INHG_PA:
        if ticks % 95 == 0:
            plant.stroke(STROKE_M3)
        plant.advance(PULL, 0.01)
        ticks += 1
    start_pa = manifold.pressure_pa
    for _ in range(2000):
        plant.advance(HOLD, 0.01)
    return (manifold.pressure_pa - start_pa) / INHG_PA


def test_n01_looks_bad_on_a_dial_and_is_good() -> None:
    """Stretching rubber drops a dial by 1.2 inHg in 20 s; its leak alone by a fraction of 1."""
    assert _dial("N01", 25.0) == pytest.approx(1.2, abs=0.1)
    leak = shelf_part("N01").leak
    assert leak.standard_flow(15.0 * INHG_PA) * 6e7 == pytest.approx(0.15)
    assert leak.equivalent_drop(*LIMIT) / INHG_PA < 0.1


def test_n02_looks_good_on_a_long_hose_and_is_bad() -> None:
    """On 420 cm3 of hose a dial drops 0.4 inHg; its leak of 9 drops 2 in the reference volume."""
    assert _dial("N02", 420.0) == pytest.approx(0.4, abs=0.05)
    leak = shelf_part("N02").leak
    assert leak.standard_flow(15.0 * INHG_PA) * 6e7 == pytest.approx(9.0)
    assert leak.equivalent_drop(*LIMIT) / INHG_PA > 1.9


def test_n03_holds_because_nothing_is_behind_its_nipple() -> None:
    """Blocked: no leak, and a tenth of a cubic centimetre."""
    part = shelf_part("N03")
    assert part.blocked
    assert part.settled_m3(STATED_AT_PA) < 0.2e-6


@pytest.mark.parametrize("name", list(SHELF))
def test_every_named_part_can_be_hung_on_the_bench(name: str) -> None:
    """Its keys are right, it bears its own name, and it keeps a volume when all has given."""
    assert shelf_part(name).name == name
    assert shelf_part(name).settled_m3(25.0 * INHG_PA) > 0.0


def test_a_part_that_is_not_on_the_shelf_is_refused() -> None:
    """The error lists what is there."""
    with pytest.raises(BenchError, match="no part 'N99', but N01"):
        shelf_part("N99")


def test_good_and_bad_lie_either_side_of_the_default_limit() -> None:
    """The generic parts leave no doubt: a third of the limit at most, twice at least."""
    good, bad = (shelf_part(name).leak.equivalent_drop(*LIMIT) for name in ("good", "bad"))
    assert good < INHG_PA / 3.0
    assert bad > 2.0 * INHG_PA


DRAWN = [draw_part(seed) for seed in range(400)]


def test_drawn_parts_cover_the_trade() -> None:
    """8 to 25 cm3, strokes of 2 to 8, every law and every creep, about as many good as bad."""
    rests = [each.part.rest_m3 * 1e6 for each in DRAWN]
    strokes = [each.part.spring.stroke_m3 * 1e6 for each in DRAWN]
    assert 8.0 <= min(rests) < 9.0
    assert 24.0 < max(rests) <= 25.0
    assert min(strokes) >= 2.0
    assert 6.0 < max(strokes) <= 8.0
    assert set(Counter(each.part.leak.law for each in DRAWN)) == {
        "orifice",
        "laminar",
        "permeation",
    }
    assert len(Counter(str(each.keys.get("creep", "none")) for each in DRAWN)) == 5
    good = sum(each.leak_multiple < 1.0 for each in DRAWN)
    assert 160 < good < 240


def test_a_drawn_leak_is_its_multiple_of_the_limit() -> None:
    """The straight line of the stated flow drops that many times 1 inHg in the reference volume."""
    for each in DRAWN[:50]:
        volume_m3 = reference_volume(each.part)
        assert volume_m3 == pytest.approx(each.part.settled_m3(STATED_AT_PA) + REFERENCE_HOSE_M3)
        slope_pa_s = each.part.leak.size_m3_s * 1.185 * 288.0 * 293.15 / volume_m3
        assert slope_pa_s * 20.0 == pytest.approx(each.leak_multiple * INHG_PA, rel=1e-9)
        assert not 0.6 < each.leak_multiple < 1.7


def test_true_drops_of_drawn_parts_keep_their_side_of_the_limit() -> None:
    """Bent by its law, the drop is less than the line's, but no bad part becomes good by that."""
    for each in DRAWN[:60]:
        drop = each.part.leak.equivalent_drop(15.0 * INHG_PA, 20.0, reference_volume(each.part))
        assert (drop < INHG_PA) is (each.leak_multiple < 1.0)


def test_near_parts_lie_about_the_limit() -> None:
    """For the hard cases: 0.6 to 1.7 times the limit."""
    multiples = np.array([draw_part(seed, near=True).leak_multiple for seed in range(100)])
    assert multiples.min() >= 0.6
    assert multiples.max() <= 1.7
    assert 30 < np.count_nonzero(multiples < 1.0) < 70


def test_a_seed_draws_one_part() -> None:
    """The same seed the same part, and its keys make it again."""
    assert draw_part(7) == draw_part(7)
    assert draw_part(7) != draw_part(8)
    assert SimPart.from_mapping(draw_part(7).keys) == draw_part(7).part
