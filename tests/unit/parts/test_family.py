"""Tests of a family's records: the cautions it cannot be without, and what its figures give."""

import math

import pytest

from rig.parts.family import Family, FamilyTest, Fitting, Method, Nouns, Port
from rig.parts.limits import RIG_DEFAULT
from rig.records import Finding

INHG = 3386.389


def family(
    name: str = "vacuum_tank",
    title: str = "vacuum tank",
    aliases: tuple[str, ...] = (),
    does: str = "Keeps vacuum for when the engine makes none.",
    *,
    is_of_brakes: bool = False,
) -> Family:
    """Make a family with one caution of its own and the names given."""
    return Family(
        name=name,
        title=title,
        aliases=aliases,
        does=does,
        file_cautions=("Wear eye protection.",),
        fuel_vapour=False,
        is_of_brakes=is_of_brakes,
        ports={},
        variants={},
        look_over=(),
        does_not_show=(),
    )


OF_BRAKES = [
    family(title="Brake booster"),
    family(title="BOOSTER, single chamber"),
    family(title="power-brake vacuum unit"),
    family(title="vacuum servo"),
    family(title="clutch-servo"),
    family(aliases=("tank", "brakes' store of vacuum")),
    family(aliases=("servo unit",)),
    family(name="brake_booster_valve"),
    family(does="Keeps vacuum for braking with the engine stopped."),
    family(is_of_brakes=True),
]


@pytest.mark.parametrize("of_brakes", OF_BRAKES, ids=lambda each: f"{each.title} {each.aliases}")
def test_a_part_of_the_brakes_carries_their_caution_first(of_brakes: Family) -> None:
    """Whatever the file says or leaves out, its own word or one name is enough."""
    assert of_brakes.cautions == (
        Finding("caution_brakes"),
        Finding("caution", {"text": "Wear eye protection."}),
    )


@pytest.mark.parametrize(
    "title", ["vacuum tank", "vacuum break", "vacuum reservoir", "tank, boost"]
)
def test_other_parts_carry_the_cautions_of_their_file_alone(title: str) -> None:
    """A reservoir holds no servo, and a vacuum break is no brake."""
    assert family(title=title).cautions == (Finding("caution", {"text": "Wear eye protection."}),)


def test_a_typical_volume_is_as_wide_as_its_bounds_say() -> None:
    """Known by its bounds alone: the middle, and the half-width over the root of 3 (GUM 4.3.7)."""
    port = Port("nipple", "the one on the cover", 25 * INHG, 6895.0, 8e-6, 25e-6, 2e-6, RIG_DEFAULT)
    assert port.typical_volume_m3 == pytest.approx(16.5e-6)
    assert port.typical_volume_u_m3 == pytest.approx(8.5e-6 / math.sqrt(3.0))


def test_a_hold_leaves_the_pump_room_below_what_a_port_bears() -> None:
    """A hand pump goes past where it is to: half an inch below the maximum a hold may begin."""
    port = Port("nipple", "the one on the cover", 25 * INHG, 6895.0, 8e-6, 25e-6, 2e-6, RIG_DEFAULT)
    assert port.most_hold_pa == pytest.approx(24.5 * INHG)


def test_the_rigs_hose_goes_on_the_port_that_the_plumbing_says() -> None:
    """The drawing and the settings of a test speak of one and the same port."""
    test = FamilyTest(
        name="hold",
        title="holds vacuum",
        method=Method.HOLD,
        needs=(),
        nouns=Nouns("valve", "nipple", None),
        plumbing={"a": Fitting.OPEN, "b": Fitting.HOSE},
        required_for=(),
        vacuum_pa=15 * INHG,
        settle_s=5.0,
        hold_s=60.0,
    )
    assert test.hosed_port == "b"
