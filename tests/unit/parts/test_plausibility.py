"""Figures that cannot be true are refused with the reason; rounding is not taken for a misprint."""

import pytest

from rig.errors import LimitError
from rig.parts import plausibility
from rig.units import Kind, Quantity, parse_quantity


def quantity(text: str, kind: Kind = Kind.VACUUM) -> Quantity:
    """Read a printed value for a test."""
    return parse_quantity(text, kind, "test")


@pytest.mark.parametrize(
    ("first", "second", "kind"),
    [
        ("10 inHg", "34 kPa", Kind.VACUUM),  # 33.86 kPa
        ("10 inHg", "33.9 kPa", Kind.VACUUM),
        ("33.9 kPa", "10 inHg", Kind.VACUUM),
        ("2 inHg", "7 kPa", Kind.VACUUM),
        ("7 inHg", "23 kPa", Kind.VACUUM),  # 23.7 kPa; 7 may stand for 6.5 to 7.5
        ("20 inHg", "67 kPa", Kind.VACUUM),
        ("7.1 inHg", "24 kPa", Kind.VACUUM),
        ("20.5 inHg", "520 mmHg", Kind.VACUUM),
        ("11.8 inHg", "400 mbar", Kind.VACUUM),
        ("14.6 inHg", "49.3 kPa", Kind.VACUUM),
        ("1.01 inHg", "3.43 kPa", Kind.VACUUM),
        ("0.97 inHg", "3.3 kPa", Kind.VACUUM),
        ("95 degF", "35 degC", Kind.TEMPERATURE),
        ("129 degF", "54 degC", Kind.TEMPERATURE),  # 53.9 degC
        ("86 degF", "30 degC", Kind.TEMPERATURE),
        ("1 min", "60 s", Kind.TIME),
    ],
)
def test_a_value_in_two_units_may_differ_by_its_rounding(
    first: str, second: str, kind: Kind
) -> None:
    """Pairs from service information that differ by the rounding of their digits are taken."""
    plausibility.refuse_disagreement([quantity(first, kind), quantity(second, kind)], "from")


@pytest.mark.parametrize(
    ("first", "second", "kind", "truth"),
    [
        ("10 inHg", "69 kPa", Kind.VACUUM, "10 inHg is 33.9 kPa, not 69 kPa"),
        ("10 inHg", "36.1 kPa", Kind.VACUUM, "10 inHg is 33.9 kPa, not 36.1 kPa"),
        ("10.0 inHg", "34.2 kPa", Kind.VACUUM, "10.0 inHg is 33.9 kPa, not 34.2 kPa"),
        ("95 degF", "45 degC", Kind.TEMPERATURE, "95 degF is 35 degC, not 45 degC"),
        ("129 degF", "55 degC", Kind.TEMPERATURE, "129 degF is 53.9 degC, not 55 degC"),
    ],
)
def test_a_value_in_two_units_that_disagree_is_refused(
    first: str, second: str, kind: Kind, truth: str
) -> None:
    """A pair further apart than its rounding names both figures and what the first really is."""
    with pytest.raises(LimitError) as refusal:
        plausibility.refuse_disagreement([quantity(first, kind), quantity(second, kind)], "from")

    assert f"from: {truth}. One of the two is a misprint" in str(refusal.value)


@pytest.mark.parametrize("text", ["65.9 inHg", "30 inHg", "102 kPa", "761 mmHg"])
def test_a_vacuum_beyond_a_perfect_one_is_refused(text: str) -> None:
    """No vacuum is deeper than the atmosphere at sea level, 101.325 kPa."""
    with pytest.raises(LimitError, match=f"A start vacuum of {text} cannot exist"):
        plausibility.refuse_beyond_barometer(quantity(text), "A start vacuum")


@pytest.mark.parametrize("text", ["29.9 inHg", "101 kPa", "0 inHg"])
def test_a_vacuum_up_to_a_perfect_one_is_taken(text: str) -> None:
    """What can exist at sea level is not refused here."""
    plausibility.refuse_beyond_barometer(quantity(text), "A start vacuum")


def test_an_absolute_pressure_may_exceed_the_atmosphere() -> None:
    """The barometer bounds a vacuum, not an absolute pressure."""
    absolute = quantity("110 kPa", Kind.ABSOLUTE_PRESSURE)
    plausibility.refuse_beyond_barometer(absolute, "An absolute pressure")


def test_bounds_with_nothing_between_are_refused() -> None:
    """A lower bound at or above the upper one leaves no value that conforms."""
    for lower, upper in (("44 ohm", "36 ohm"), ("36 ohm", "36 ohm")):
        with pytest.raises(LimitError, match=f"nothing lies above {lower} and below {upper}"):
            plausibility.refuse_out_of_order(
                quantity(lower, Kind.RESISTANCE), quantity(upper, Kind.RESISTANCE), "The bounds"
            )
    plausibility.refuse_out_of_order(
        quantity("36 ohm", Kind.RESISTANCE), quantity("44 ohm", Kind.RESISTANCE), "The bounds"
    )


def test_what_a_hand_pump_hardly_reaches_is_a_finding() -> None:
    """More than 25 inHg is possible, so it is told and not refused."""
    finding = plausibility.beyond_hand_pump(quantity("26 inHg"))

    assert finding is not None
    assert finding.code == "limit_beyond_hand_pump"
    assert finding.figures["vacuum_pa"] == pytest.approx(88_046.1, abs=0.1)
    assert finding.figures["reach_pa"] == pytest.approx(84_659.7, abs=0.1)
    assert plausibility.beyond_hand_pump(quantity("25 inHg")) is None
