"""Check how a simulated part is read from its keys, and what is refused."""

import math

import pytest

from rig.analysis.gas import Law
from rig.errors import BenchError
from rig.sim.leaks import STATED_AT_PA
from rig.sim.parts import KEYS, SimPart

PULL_OFF = {
    "rest_cm3": 18.0,
    "name": "bench part",
    "stroke_cm3": 5.0,
    "start_inhg": 3.0,
    "full_inhg": 9.0,
    "friction_inhg": 0.4,
    "travel_mm": 8,
    "leak_law": "orifice",
    "leak_std_cm3_min": 6.0,
    "leak_critical_ratio": 0.35,
    "leak_above_inhg": 12.0,
    "creep": "exponential",
    "creep_cm3": 0.5,
    "creep_s": 4.0,
    "liquid_mg": 1.5,
    "liquid_s": 12.0,
    "in_bath": True,
    "passage_std_cm3_min": 3.0,
}


def test_every_key_arrives_in_si() -> None:
    """Conversions by hand: 1 inHg = 3386.389 Pa, 1 std cm3/min = 1/6e7 std m3/s."""
    part = SimPart.from_mapping(PULL_OFF)
    spring = part.spring
    assert part.name == "bench part"
    assert part.rest_m3 == pytest.approx(18e-6)
    assert spring.stroke_m3 == pytest.approx(5e-6)
    assert spring.start_pa == pytest.approx(10_159.167)
    assert spring.full_pa == pytest.approx(30_477.501)
    assert spring.friction_pa == pytest.approx(1354.5556)
    assert part.travel_m == pytest.approx(8e-3)
    assert (part.leak.law, part.leak.critical_ratio) == (Law.ORIFICE, 0.35)
    assert part.leak.size_m3_s == pytest.approx(1e-7)
    assert part.leak.opens_above_pa == pytest.approx(40_636.668)
    assert [(pair.volume_m3, pair.retardation_s) for pair in part.creep] == [(0.5e-6, 4.0)]
    assert part.liquid_kg == pytest.approx(1.5e-6)
    assert part.evaporation_s == 12.0
    assert part.in_bath
    assert not part.blocked
    assert part.passage_m3_s_pa == pytest.approx(5e-8 / 101_325.0)


def test_a_part_needs_its_volume_only() -> None:
    """Everything else has a default: rigid, tight, dry, still."""
    part = SimPart.from_mapping({"rest_cm3": 12})
    assert part.rest_m3 == pytest.approx(12e-6)
    assert part.leak.size_m3_s == part.passage_m3_s_pa == part.liquid_kg == 0.0
    assert part.creep == ()
    assert part.spring.stroke_m3 == 0.0


def test_the_settled_volume_is_rest_less_stroke_less_what_rubber_gives() -> None:
    """18 - 5 - 0.5 at 15 inHg; all of 18 at rest; half the stroke half way."""
    part = SimPart.from_mapping(PULL_OFF)
    assert part.settled_m3(0.0) == pytest.approx(18e-6)
    assert part.settled_m3(STATED_AT_PA) == pytest.approx(12.5e-6)
    half_pa = 6.0 * 3386.389
    assert part.settled_m3(half_pa) == pytest.approx(18e-6 - 2.5e-6 - 0.5e-6 * 6.0 / 15.0)


def test_a_blocked_nipple_hides_the_part() -> None:
    """0.1 cm3 before the plug, whatever lies behind it, and no leak."""
    part = SimPart.from_mapping({**PULL_OFF, "blocked": True})
    assert part.settled_m3(0.0) == part.settled_m3(STATED_AT_PA) == pytest.approx(0.1e-6)
    assert part.leak.size_m3_s == 0.0


@pytest.mark.parametrize("creep", ["log", "power", "chain"])
def test_each_kind_of_creep_is_read(creep: str) -> None:
    """Log and power creep give what is stated in a minute; a chain is what its lists say."""
    keys: dict[str, object] = {"rest_cm3": 20.0, "creep": creep}
    if creep == "chain":
        keys |= {"creep_chain_cm3": [0.2, 0.3], "creep_chain_s": [1.0, 8.0]}
    else:
        keys |= {"creep_cm3": 0.4, "creep_s": 0.5, "creep_exponent": 0.3}
    pairs = SimPart.from_mapping(keys).creep
    minute = sum(pair.volume_m3 * -math.expm1(-60.0 / pair.retardation_s) for pair in pairs)
    expected = 0.2e-6 * -math.expm1(-60.0) + 0.3e-6 * -math.expm1(-7.5)
    assert minute == pytest.approx(expected if creep == "chain" else 0.4e-6)


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({}, "'rest_cm3' is missing"),
        ({"rest_cm3": 18.0, "stroke_cm": 5.0}, "did you mean 'stroke_cm3'"),
        ({"rest_cm3": 18.0, "colour": "red"}, "no key 'colour'; known are"),
        ({"rest_cm3": "18"}, "rest_cm3 = '18' is no number"),
        ({"rest_cm3": True}, "rest_cm3 = True is no number"),
        ({"rest_cm3": math.nan}, "is no number"),
        ({"rest_cm3": 18.0, "blocked": 1}, "blocked = 1 is no true or false"),
        ({"rest_cm3": 18.0, "leak_law": 3}, "leak_law = 3 is no text"),
        ({"rest_cm3": 18.0, "creep_chain_s": [1.0, "x"]}, "is no list of numbers"),
        ({"rest_cm3": 0.0}, "rest_cm3 must be more than 0"),
        ({"rest_cm3": 18.0, "leak_std_cm3_min": -1.0}, "is negative"),
        ({"rest_cm3": 18.0, "start_inhg": 9.0, "full_inhg": 9.0}, "must lie above start_inhg"),
        ({"rest_cm3": 18.0, "leak_law": "hole"}, "write one of none, orifice"),
        ({"rest_cm3": 18.0, "creep": "slow"}, "write one of none, exponential"),
        ({"rest_cm3": 18.0, "leak_std_cm3_min": 2.0}, "go together"),
        ({"rest_cm3": 18.0, "leak_law": "laminar"}, "go together"),
        (
            {
                "rest_cm3": 18.0,
                "leak_law": "orifice",
                "leak_std_cm3_min": 2.0,
                "leak_critical_ratio": 1.0,
            },
            "must lie below 1",
        ),
        ({"rest_cm3": 18.0, "creep_exponent": 1.0}, "between 0 and 1"),
        ({"rest_cm3": 18.0, "creep_s": 0.0}, "must be more than 0"),
        ({"rest_cm3": 18.0, "creep": "chain"}, "lists of one length"),
        (
            {
                "rest_cm3": 18.0,
                "creep": "chain",
                "creep_chain_cm3": [1.0],
                "creep_chain_s": [1.0, 2.0],
            },
            "lists of one length",
        ),
        (
            {
                "rest_cm3": 18.0,
                "creep": "chain",
                "creep_chain_cm3": [1.0],
                "creep_chain_s": [0.0],
            },
            "must be more than 0",
        ),
        ({"rest_cm3": 18.0, "creep_cm3": 1.0}, "give both or neither"),
        ({"rest_cm3": 18.0, "creep": "log"}, "give both or neither"),
        ({"rest_cm3": 8.0, "stroke_cm3": 8.0}, "take all of its 8 cm3"),
    ],
)
def test_what_cannot_be_a_part_is_refused(keys: dict[str, object], said: str) -> None:
    """The error names the key, says what is wrong and what to write."""
    with pytest.raises(BenchError, match=said):
        SimPart.from_mapping(keys)


def test_an_error_names_the_part() -> None:
    """Among many parts the name says which one."""
    with pytest.raises(BenchError, match="simulated part 'X9'"):
        SimPart.from_mapping({"name": "X9", "rest_cm3": 0.0})


def test_every_key_has_its_unit_or_none() -> None:
    """A key that is a number with a unit names it at its end."""
    units = ("_cm3", "_inhg", "_mm", "_min", "_s", "_mg", "_ratio", "_exponent")
    plain = {"name", "leak_law", "creep", "blocked", "in_bath"}
    assert [key for key in KEYS if key not in plain and not key.endswith(units)] == []
