"""Tests of the conditions that a file or the command line gives, and which of the two holds."""

import math

import pytest

from rig.cli.settings import CONDITION_OF_KEY, CONDITIONS, KnownConditions
from rig.errors import InputError


@pytest.mark.parametrize(
    ("key", "number", "text", "si"),
    [
        ("ambient_kpa", "101.1", "29.85481 inHg abs", 101_100.0),
        ("ambient_u_kpa", "0.2", "2 mbar", 200.0),
        ("gas_temperature_c", "22.0", "71.6degF", 295.15),
        ("gas_temperature_u_c", "1", "1.8 degF", 1.0),
        ("volume_cc", "75.0", "0.075 L", 75e-6),
        ("volume_u_cc", "0.75", "0.75 ml", 0.75e-6),
        ("span_u_percent", "1.5", "1.5%", 0.015),
        ("own_leak_std_cm3_min", "0.06", "0.06 cm3/min ANR", 1e-9),
        ("own_leak_u_std_cm3_min", "0.06", "0.00006 L/min ANR", 1e-9),
    ],
)
def test_a_file_and_an_option_mean_the_same(key: str, number: str, text: str, si: float) -> None:
    """A plain number in the key's unit and a quantity with its unit give one SI value."""
    condition = CONDITION_OF_KEY[key]
    # 29.85481 inHg is 101.1 kPa to its last place, 2e-7 of it; the others are exact.
    assert condition.read_plain(number, "here") == pytest.approx(si, rel=1e-12)
    assert condition.read(text, "here") == pytest.approx(si, rel=2e-7)


def test_every_condition_is_tested_and_its_example_can_be_read() -> None:
    """The example in the help of an option is one that the option accepts."""
    for condition in CONDITIONS:
        assert math.isfinite(condition.read(condition.example.strip('"'), condition.option))
        assert hasattr(KnownConditions(), condition.field)


@pytest.mark.parametrize(
    ("key", "text", "part"),
    [
        ("ambient_kpa", "1011 kPa", "here is 1011 kPa, but 30 to 120 kPa is believable"),
        ("ambient_kpa", "101.1", "has no unit"),
        ("gas_temperature_c", "295 degC", "-40 to 150 degC"),
        ("volume_cc", "0 cc", "0.1 to 100000 cm3"),
        ("volume_cc", "75 kPa", "45 cm3"),
        ("span_u_percent", "101 %", "0 to 20 %"),
    ],
)
def test_what_cannot_be_is_refused(key: str, text: str, part: str) -> None:
    """A value that no bench has, or of another kind, is refused with what is believable."""
    with pytest.raises(InputError) as refused:
        CONDITION_OF_KEY[key].read(text, "here")
    assert str(refused.value).startswith("here")
    assert part in str(refused.value)


def test_the_ends_of_the_believable_range_are_believed() -> None:
    """Bounds are inclusive, whatever the conversion of units rounds."""
    for condition in CONDITIONS:
        for end in (condition.low, condition.high):
            assert math.isfinite(condition.read_plain(repr(end), "here"))


def test_an_option_replaces_a_line_and_its_uncertainty() -> None:
    """A new volume does not inherit how well the old one was known; what is not said stays."""
    file = KnownConditions(ambient_pa=101_100.0, volume_m3=75e-6, volume_u_m3=0.75e-6, span_u=0.02)
    merged = file.overridden_by(KnownConditions(volume_m3=420e-6))
    assert merged == KnownConditions(ambient_pa=101_100.0, volume_m3=420e-6, span_u=0.02)


def test_an_uncertainty_may_be_replaced_alone() -> None:
    """The value of the file stays beside the uncertainty of the option."""
    file = KnownConditions(volume_m3=75e-6, volume_u_m3=0.75e-6)
    merged = file.overridden_by(KnownConditions(volume_u_m3=2e-6))
    assert merged == KnownConditions(volume_m3=75e-6, volume_u_m3=2e-6)
