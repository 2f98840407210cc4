"""Tests of how figures are written: units of the trade, rounded to what their doubt supports."""

import pytest

from rig import figures
from rig.units import Kind

INHG = 3386.389
STD_CC_MIN = 1.0 / 6e7


@pytest.mark.parametrize(
    ("value_inhg", "u_inhg", "expected"),
    [
        # 1.96 x 0.0179 = 0.0351: one digit of the doubt, as it begins with 3.
        (0.3512, 0.0179, "0.35 inHg, give or take 0.04"),
        # 1.96 x 0.0061 = 0.0120: two digits, as it begins with 1 (GUM 7.2.6).
        (0.3512, 0.0061, "0.351 inHg, give or take 0.012"),
        (1.0193, 0.0459, "1.02 inHg, give or take 0.09"),
        (12.0, 2.0, "12 inHg, give or take 4"),
        # Not told from none: value + 1.96 u, at the place that the doubt supports.
        (0.01, 0.02, "at most 0.05 inHg"),
        (-0.3, 0.02, "at most 0.04 inHg"),
        # A doubt below 0.001 inHg is not worth a word.
        (15.0, 1e-9, "15 inHg"),
        (0.0, 0.0, "0 inHg"),
        (0.0, 1e-9, "at most 0.0010 inHg"),
    ],
)
def test_a_drop_is_written_to_the_place_its_doubt_supports(
    value_inhg: float, u_inhg: float, expected: str
) -> None:
    """Value and doubt end at the same place; a value within its doubt becomes a bound."""
    assert figures.drop(value_inhg * INHG, u_inhg * INHG) == expected


def test_a_leak_is_written_in_standard_flow() -> None:
    """1.6 cm3/min ANR with u = 0.0306: 1.96 u = 0.06."""
    said = figures.flow(1.6 * STD_CC_MIN, 0.0306 * STD_CC_MIN)
    assert said == "1.60 cm3/min ANR, give or take 0.06"
    assert figures.flow(0.0, 0.01 * STD_CC_MIN) == "at most 0.020 cm3/min ANR"


@pytest.mark.parametrize(
    ("probability", "expected"),
    [
        (1.0, "more than 99.9 %"),
        (0.9991, "more than 99.9 %"),
        (0.974, "97.4 %"),
        (0.05, "5.0 %"),
        (0.0, "less than 0.1 %"),
    ],
)
def test_nothing_is_ever_certain_or_impossible(probability: float, expected: str) -> None:
    """A probability is never shown as 100 % or 0 %."""
    assert figures.sure(probability) == expected


@pytest.mark.parametrize(
    ("value_inhg", "expected"),
    [(15.0, "15 inHg"), (0.278, "0.28 inHg"), (-0.0006, "0 inHg"), (15.964, "16 inHg")],
)
def test_a_vacuum_is_written_to_a_hundredth_at_most(value_inhg: float, expected: str) -> None:
    """No gauge shows more, and none shows minus zero."""
    assert figures.inhg(value_inhg * INHG) == expected


def test_a_dial_is_read_to_a_tenth() -> None:
    """A dial shows tenths, a small rise as zero."""
    assert figures.dial_inhg(1.24 * INHG) == "1.2 inHg"
    assert figures.dial_inhg(-0.01 * INHG) == "0.0 inHg"


def test_the_doubt_of_one_source_may_be_too_small_to_say() -> None:
    """Below 0.001 inHg a source is not listed."""
    assert figures.doubt_of_drop(0.0459 * INHG) == "0.09 inHg"
    assert figures.doubt_of_drop(0.0004 * INHG) is None


@pytest.mark.parametrize(
    ("value_si", "u_si", "kind", "expected"),
    [
        # 1.96 x 0.21 cm3 = 0.41: one digit of the doubt, as it begins with 4.
        (21.37e-6, 0.21e-6, Kind.VOLUME, "21.4 cm3, give or take 0.4"),
        (0.2e-6, 0.5e-6, Kind.VOLUME, "at most 1.2 cm3"),
        (101_286.2, 103.0, Kind.ABSOLUTE_PRESSURE, "101.29 kPa, give or take 0.20"),
        (101_286.2, 0.1, Kind.ABSOLUTE_PRESSURE, "101 kPa"),
        (7.9452, 0.0, Kind.TIME, "7.95 s"),
        # The doubt of a temperature is a difference: 1.96 x 0.3 degC.
        (321.15, 0.3, Kind.TEMPERATURE, "48.0 degC, give or take 0.6"),
        (1.5e-3, 0.05e-3, Kind.LENGTH, "1.50 mm, give or take 0.10"),
    ],
)
def test_each_kind_of_quantity_has_its_unit(
    value_si: float, u_si: float, kind: Kind, expected: str
) -> None:
    """SI goes in; the unit that is shown for the kind comes out, with the doubt."""
    assert figures.measured(value_si, u_si, kind) == expected
    assert set(figures.UNIT_SHOWN) == set(Kind)


def test_the_doubt_of_one_source_is_in_the_unit_of_its_quantity() -> None:
    """1.96 x 0.3 K is 0.6 degC, not some temperature far below zero."""
    assert figures.doubt(0.3, Kind.TEMPERATURE) == "0.6 degC"
    assert figures.doubt(0.21e-6, Kind.VOLUME) == "0.4 cm3"
    assert figures.doubt(0.0001e-6, Kind.VOLUME) is None
