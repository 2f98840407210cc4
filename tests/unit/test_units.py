"""Quantities are read as the trade prints them, and written for a person, without any guess."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.units import Kind, convert, format_quantity, parse_quantity

VACUUM, ABSOLUTE = Kind.VACUUM, Kind.ABSOLUTE_PRESSURE


@pytest.mark.parametrize(
    ("text", "pa"),
    [
        ("15inHg", 50_795.835),  # 15 x 3386.389
        ("15 inHg", 50_795.835),
        ("15 in Hg", 50_795.835),
        ("15 in. Hg", 50_795.835),
        ('15" Hg', 50_795.835),
        ("15″ Hg", 50_795.835),
        ("15 inches of mercury", 50_795.835),
        ("15 inHg vac", 50_795.835),
        ("15 INHG", 50_795.835),
        ("16 in.Hg", 54_182.224),
        (".5 inHg", 1_693.1945),
        ("50 kPa", 50_000.0),
        ("508 mbar", 50_800.0),
        ("380 mmHg", 50_662.507),
        ("380 torr", 50_662.5),  # half a standard atmosphere, exactly
        ("7.4 psi", 51_021.204),
        ("10 inH2O", 2_490.889),
        ("0 inHg", 0.0),
    ],
)
def test_every_printed_form_of_a_vacuum_is_read(text: str, pa: float) -> None:
    """The same vacuum printed in any of the trade's forms is the same pascal."""
    quantity = parse_quantity(text, VACUUM, "from")

    assert quantity.value_si == pytest.approx(pa, rel=1e-7)
    assert quantity.text == text


@pytest.mark.parametrize(
    ("text", "kind", "value_si"),
    [
        ("20 s", Kind.TIME, 20.0),
        ("20 sec", Kind.TIME, 20.0),
        ("20 sec.", Kind.TIME, 20.0),
        ("1 min", Kind.TIME, 60.0),
        ("12 h", Kind.TIME, 43_200.0),
        ("45cc", Kind.VOLUME, 45e-6),
        ("45 cm3", Kind.VOLUME, 45e-6),
        ("45 cm³", Kind.VOLUME, 45e-6),
        ("45 cm^3", Kind.VOLUME, 45e-6),
        ("1 L", Kind.VOLUME, 1e-3),
        ("1 cu. in.", Kind.VOLUME, 16.387064e-6),
        ("118 degF", Kind.TEMPERATURE, 320.927778),  # (118 - 32) / 1.8 + 273.15
        ("118 °F", Kind.TEMPERATURE, 320.927778),
        ("48 degC", Kind.TEMPERATURE, 321.15),
        ("48℃", Kind.TEMPERATURE, 321.15),
        ("-40 F", Kind.TEMPERATURE, 233.15),
        ("−40 C", Kind.TEMPERATURE, 233.15),
        ("300 K", Kind.TEMPERATURE, 300.0),
        ("18 degF", Kind.TEMPERATURE_DIFFERENCE, 10.0),
        ("8 degC", Kind.TEMPERATURE_DIFFERENCE, 8.0),
        ("0.5 mm", Kind.LENGTH, 0.5e-3),
        ("0.02 in", Kind.LENGTH, 0.508e-3),
        ("36 ohm", Kind.RESISTANCE, 36.0),
        ("36 Ω", Kind.RESISTANCE, 36.0),
        ("36 \N{OHM SIGN}", Kind.RESISTANCE, 36.0),
        ("2.7 kΩ", Kind.RESISTANCE, 2700.0),
        ("2.1 V", Kind.VOLTAGE, 2.1),
        ("-0.1 V", Kind.VOLTAGE, -0.1),
        ("159 Hz", Kind.FREQUENCY, 159.0),
        ("9 cm3/min ANR", Kind.FLOW, 1.5e-7),
        ("9 std cm3/min", Kind.FLOW, 1.5e-7),
        ("60 L/min ANR", Kind.FLOW, 1e-3),
        ("50 %", Kind.SHARE, 0.5),
        ("29.92 inHg abs", ABSOLUTE, 101_320.759),
        ("101.3 kPa", ABSOLUTE, 101_300.0),
        ("1013 hPa", ABSOLUTE, 101_300.0),
        ("1.5e2 kPa (abs)", ABSOLUTE, 150_000.0),
    ],
)
def test_every_kind_is_read_in_si(text: str, kind: Kind, value_si: float) -> None:
    """Each kind of quantity becomes its SI unit, a scale's offset counting for readings only."""
    quantity = parse_quantity(text, kind, "cell 3")

    assert quantity.value_si == pytest.approx(value_si, rel=1e-7)
    assert quantity.kind is kind


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("15", VACUUM, "has no unit; write it like 15 inHg"),
        ("inHg", VACUUM, "does not begin with a number"),
        ("", VACUUM, "does not begin with a number"),
        ("nan inHg", VACUUM, "does not begin with a number"),
        ("inf kPa", VACUUM, "does not begin with a number"),
        ("1e999 kPa", VACUUM, "not a finite number"),
        ("0,5 inHg", VACUUM, "Write a decimal with a point"),
        ("1,500 cc", Kind.VOLUME, "thousands without any mark"),
        ("15 furlong", VACUUM, "a unit that is not known here; write it like 15 inHg"),
        ("15 s abs", Kind.TIME, "a unit that is not known here"),
        ("15 in", VACUUM, "gives length where vacuum is needed"),
        ("20 inHg", Kind.TIME, "gives vacuum where time is needed; write it like 20 s"),
        ("15 inHg abs", VACUUM, "says absolute pressure where vacuum is needed"),
        ("15 inHg vac", ABSOLUTE, "says vacuum where absolute pressure is needed"),
        ("-50 kPa", VACUUM, "how far it lies below the atmosphere, without a sign"),
        ("-1 s", Kind.TIME, "is negative, and no time is"),
        ("-36 ohm", Kind.RESISTANCE, "is negative, and no resistance is"),
        ("-460 degF", Kind.TEMPERATURE, "below absolute zero"),
        ("9 sccm", Kind.FLOW, "does not say at which pressure and temperature"),
        ("9 cc/min", Kind.FLOW, "write it like 9 cm3/min ANR"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_reason(text: str, kind: Kind, says: str) -> None:
    """A text that is no quantity of the kind asked for names the place and what to write."""
    with pytest.raises(InputError) as refusal:
        parse_quantity(text, kind, "--from")

    assert str(refusal.value).startswith(f"--from: '{text}'")
    assert says in str(refusal.value)


@pytest.mark.parametrize(
    ("text", "kind", "rounding_si"),
    [
        ("34 kPa", VACUUM, 500.0),
        ("33.9 kPa", VACUUM, 50.0),
        ("9.25 inHg", VACUUM, 16.931945),
        ("129 degF", Kind.TEMPERATURE, 0.5 / 1.8),
        ("1.5e2 kPa", VACUUM, 5_000.0),
    ],
)
def test_rounding_is_half_of_the_last_printed_place(
    text: str, kind: Kind, rounding_si: float
) -> None:
    """How coarsely a figure was printed is kept beside it, in SI."""
    assert parse_quantity(text, kind, "cell").rounding_si == pytest.approx(rounding_si)


@pytest.mark.parametrize(
    ("value_si", "kind", "unit", "u_si", "shown"),
    [
        (50_795.835, VACUUM, "inHg", None, "15 inHg"),
        (31_324.1, VACUUM, "inHg", None, "9.25 inHg"),
        (101_325.0, ABSOLUTE, "mbar", None, "1013 mbar"),
        (101_325.0, ABSOLUTE, "kPa", None, "101 kPa"),
        (320.92778, Kind.TEMPERATURE, "degF", None, "118 degF"),
        (273.15, Kind.TEMPERATURE, "degC", None, "0 degC"),
        (10.0, Kind.TEMPERATURE_DIFFERENCE, "degF", None, "18 degF"),
        (45e-6, Kind.VOLUME, "cm3", None, "45 cm3"),
        (9.9996, Kind.TIME, "s", None, "10 s"),
        (-1e-3, VACUUM, "kPa", None, "0 kPa"),
        (0.5, Kind.SHARE, "%", None, "50 %"),
        (4063.7, VACUUM, "inHg", 271.0, "1.200 inHg"),  # u = 0.080 inHg
        (2.5e-9, Kind.FLOW, "cm3/min ANR", 4.0e-10, "0.150 cm3/min ANR"),  # u = 0.024
        (101_325.0, ABSOLUTE, "Pa", 230.0, "101320 Pa"),  # u = 230: the tens
    ],
)
def test_a_value_is_shown_with_the_digits_it_deserves(
    value_si: float, kind: Kind, unit: str, u_si: float | None, shown: str
) -> None:
    """Three digits without an uncertainty; with one, down to its second significant digit."""
    assert format_quantity(value_si, kind, unit, u_si) == shown


@pytest.mark.parametrize("value_si", [math.nan, math.inf])
def test_a_value_without_digits_is_not_shown(value_si: float) -> None:
    """Neither nan nor infinity may reach a person as if it were measured."""
    with pytest.raises(ValueError, match="no digits"):
        format_quantity(value_si, VACUUM, "inHg")


@pytest.mark.parametrize(("kind", "unit"), [(Kind.TIME, "inHg"), (VACUUM, "furlong")])
def test_a_unit_of_another_kind_is_not_converted_to(kind: Kind, unit: str) -> None:
    """Asking for a value in a unit that does not measure it is a defect of the caller."""
    with pytest.raises(ValueError, match="is not a unit of"):
        convert(1.0, kind, unit)


@settings(derandomize=True, max_examples=200)
@given(
    number=st.decimals(min_value=0, max_value=10_000, places=3),
    unit_and_kind=st.sampled_from(
        [
            ("inHg", VACUUM),
            ("mmHg", VACUUM),
            ("psi", ABSOLUTE),
            ("min", Kind.TIME),
            ("in3", Kind.VOLUME),
            ("degF", Kind.TEMPERATURE),
            ("degF", Kind.TEMPERATURE_DIFFERENCE),
            ("in", Kind.LENGTH),
            ("kohm", Kind.RESISTANCE),
            ("cm3/min ANR", Kind.FLOW),
            ("%", Kind.SHARE),
        ]
    ),
)
def test_a_printed_number_comes_back(number: object, unit_and_kind: tuple[str, Kind]) -> None:
    """Reading a number and converting it back to its own unit returns the number."""
    unit, kind = unit_and_kind
    quantity = parse_quantity(f"{number} {unit}", kind, "cell")

    assert quantity.unit == unit
    back = convert(quantity.value_si, kind, quantity.unit)
    assert back == pytest.approx(float(str(number)), rel=1e-12, abs=1e-9)
