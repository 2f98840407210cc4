"""Every shape of published limit is read from a spec sheet, and a bad sheet is told where."""

import tomllib

import pytest

from rig.errors import LimitError
from rig.parts.limit_text import drop_limit_from_text, limit_from_table, source_from_text
from rig.parts.limits import RIG_DEFAULT, Bound, Limit, Passage, Source
from rig.parts.shapes import Condition, Shape

INHG = 3386.389
WHERE = "sheet.toml, limit 1"


def read(toml: str) -> Limit:
    """Read one limit as a user's spec sheet would give it."""
    table = {"source": "Umbrevan workshop manual", **tomllib.loads(toml)}
    return limit_from_table(table, WHERE)


def figure(bound: Bound | None) -> tuple[float, bool] | None:
    """Reduce a bound to its SI value and whether it is inclusive."""
    return None if bound is None else (pytest.approx(bound.quantity.value_si), bound.inclusive)


# Shape, sheet, lower and upper bound in SI with strictness, conditions in SI.
PUBLISHED = [
    (
        Shape.HOLD,
        'from = "16 inHg"\nfor = "20 s"',
        None,
        None,
        {Condition.START_VACUUM: 16 * INHG, Condition.DURATION: 20.0},
    ),
    (
        Shape.REMAINING,
        'from = "15 inHg"\nafter = "10 s"\nat_least = "5 inHg"',
        (5 * INHG, True),
        None,
        {Condition.START_VACUUM: 15 * INHG, Condition.DURATION: 10.0},
    ),
    (
        Shape.TIME_TO_DROP,
        'from = "20 inHg"\nto = "10 inHg"\nmore_than = "10 s"',
        (10.0, False),
        None,
        {Condition.START_VACUUM: 20 * INHG, Condition.END_VACUUM: 10 * INHG},
    ),
    (
        Shape.DROP,
        'from = "19.7 inHg"\nwithin = "15 s"\nat_most = "0.97 inHg (3.3 kPa)"',
        None,
        (0.97 * INHG, True),
        {Condition.START_VACUUM: 19.7 * INHG, Condition.DURATION: 15.0},
    ),
    (
        Shape.DROP,
        'from = "300 mbar"\nwithin = "10 min"\nless_than = "50 mbar"\n'
        'reference_volume = "1 L"\ntemperature = "20 degC"',
        None,
        (5_000.0, False),
        {
            Condition.START_VACUUM: 30_000.0,
            Condition.DURATION: 600.0,
            Condition.REFERENCE_VOLUME: 1e-3,
            Condition.TEMPERATURE: 293.15,
        },
    ),
    (
        Shape.MUST_NOT_HOLD,
        'from = "10 inHg"\nwithin = "10 s"',
        None,
        None,
        {Condition.START_VACUUM: 10 * INHG, Condition.DURATION: 10.0},
    ),
    (
        Shape.RISE_TIME,
        'supply = "10 inHg"\nfrom = "0 inHg"\nto = "8 inHg"\nat_least = "1 s"\nat_most = "3 s"',
        (1.0, True),
        (3.0, True),
        {
            Condition.SUPPLY_VACUUM: 10 * INHG,
            Condition.START_VACUUM: 0.0,
            Condition.END_VACUUM: 8 * INHG,
        },
    ),
    (
        Shape.FALL_TIME,
        'from = "8 inHg"\nto = "0 inHg"\nat_least = "15 s"\nat_most = "28 s"',
        (15.0, True),
        (28.0, True),
        {Condition.START_VACUUM: 8 * INHG, Condition.END_VACUUM: 0.0},
    ),
    (
        Shape.FLOW_BAND,
        'closed_below = "2 inHg (7 kPa)"\nopen_above = "7 inHg = 23 kPa"',
        (2 * INHG, True),
        (7 * INHG, True),
        {},
    ),
    (
        Shape.SETTLE,
        'after = "10 s"\nat_least = "4.4 inHg (15 kPa)"\nat_most = "7.1 inHg (24 kPa)"',
        (4.4 * INHG, True),
        (7.1 * INHG, True),
        {Condition.DURATION: 10.0},
    ),
    (
        Shape.SWITCH_BAND,
        'closed_below = "95 degF = 35 degC"\nopen_above = "129 degF = 54 degC"',
        (308.15, True),
        (327.038889, True),
        {},
    ),
    (
        Shape.POSITION_TIME,
        'travel = "100 %"\nat = "15 inHg"\nat_most = "10 s"',
        None,
        (10.0, True),
        {Condition.TRAVEL: 1.0, Condition.AT_VACUUM: 15 * INHG},
    ),
    (
        Shape.POSITION_TIME,
        'travel = "0 %"\nat_least = "20 s"',
        (20.0, True),
        None,
        {Condition.TRAVEL: 0.0},
    ),
    (
        Shape.TRAVEL_AT_VACUUM,
        'travel = "0.5 mm"\nat_least = "49.3 kPa (14.6 inHg)"\nat_most = "57.3 kPa (16.9 inHg)"',
        (49_300.0, True),
        (57_300.0, True),
        {Condition.TRAVEL: 0.5e-3},
    ),
    (
        Shape.SIGNAL_AT_VACUUM,
        'at = "4 inHg"\nat_least = "2.15 V"\nat_most = "2.65 V"',
        (2.15, True),
        (2.65, True),
        {Condition.AT_VACUUM: 4 * INHG},
    ),
    (
        Shape.SIGNAL_AT_VACUUM,
        'at_pressure = "100 kPa abs"\nat_most = "2.7 kohm"',
        None,
        (2_700.0, True),
        {Condition.AT_PRESSURE: 100_000.0},
    ),
    (
        Shape.COIL_OHMS,
        'temperature = "20 degC"\nat_least = "36 ohm"\nat_most = "44 ohm"',
        (36.0, True),
        (44.0, True),
        {Condition.TEMPERATURE: 293.15},
    ),
]


@pytest.mark.parametrize(("shape", "sheet", "lower", "upper", "conditions"), PUBLISHED)
def test_every_published_shape_is_read(
    shape: Shape,
    sheet: str,
    lower: tuple[float, bool] | None,
    upper: tuple[float, bool] | None,
    conditions: dict[Condition, float],
) -> None:
    """Bounds with their strictness and conditions come out in SI, whatever unit was printed."""
    limit = read(f'shape = "{shape}"\n{sheet}')

    assert limit.shape is shape
    assert figure(limit.lower) == lower
    assert figure(limit.upper) == upper
    si = {condition: quantity.value_si for condition, quantity in limit.conditions.items()}
    assert si == pytest.approx(conditions)
    assert limit.source == Source("Umbrevan workshop manual")


def test_no_shape_is_left_out() -> None:
    """The published examples above cover every shape that the program knows."""
    assert {case[0] for case in PUBLISHED} == set(Shape)


def test_a_value_printed_twice_keeps_its_whole_text() -> None:
    """The first of two units gives the value, and both are kept to be shown."""
    limit = read('shape = "hold"\nfrom = "10 inHg = 33.9 kPa"\nfor = "20 s"')
    start = limit.conditions[Condition.START_VACUUM]

    assert str(start) == "10 inHg = 33.9 kPa"
    assert start.unit == "inHg"
    assert start.value_si == pytest.approx(10 * INHG)


@pytest.mark.parametrize(
    ("sheet", "below"),
    [
        ('closed_below = "103 degF"\nopen_above = "128 degF"', Passage.CLOSED),
        ('open_below = "122 degF (50 degC)"\nclosed_above = "176 degF (80 degC)"', Passage.OPEN),
        ('open_above = "55 degC"', Passage.CLOSED),
        ('open_below = "30 degC"', Passage.OPEN),
    ],
)
def test_a_band_says_what_the_passage_is_below_it(sheet: str, below: Passage) -> None:
    """Types that open and types that close with heat are both told from the sheet's words."""
    assert read(f'shape = "switch_band"\n{sheet}').below is below


def test_the_page_stands_beside_the_source() -> None:
    """Whose limit it is can be quoted with its page, printed as text or number."""
    limit = read('shape = "hold"\nfrom = "10 inHg"\nfor = "20 s"\npage = "8-12"')
    assert str(limit.source) == "Umbrevan workshop manual, page 8-12"
    numbered = read('shape = "hold"\nfrom = "10 inHg"\nfor = "20 s"\npage = 8')
    assert str(numbered.source) == "Umbrevan workshop manual, page 8"


def test_the_rig_can_be_the_source() -> None:
    """A sheet that names the rig's default gives a limit marked as no specification."""
    assert source_from_text("Rig default") is RIG_DEFAULT
    assert str(RIG_DEFAULT) == "rig default, not a specification"
    assert not source_from_text("Tessomar sheet").is_rig_default


HOLD = 'shape = "hold"\nfrom = "10 inHg"\nfor = "20 s"\n'
DROP = 'shape = "drop"\nfrom = "15 inHg"\nwithin = "20 s"\n'


@pytest.mark.parametrize(
    ("sheet", "says"),
    [
        ("", "sheet.toml, limit 1, shape: the limit has no shape. Use one of: hold, remaining"),
        ('shape = "drp"', "has the shape 'drp', which is not known. Did you mean 'drop'?"),
        ("shape = 3", "has the shape '3', which is not known"),
        (DROP + 'at_mots = "1 inHg"', "'at_mots' is no key of a 'drop' limit. Did you mean 'at_"),
        (DROP + 'at_least = "1 inHg"', "'at_least' is no key of a 'drop' limit"),
        (HOLD + 'at_most = "1 inHg"', "'at_most' is no key of a 'hold' limit. Use one of: shape"),
        (HOLD + 'supply = "1 inHg"', "'supply' is no key of a 'hold' limit"),
        (DROP + 'at_most = "1 inHg"\nless_than = "1 inHg"', "at_most and less_than say the same"),
        (DROP + "at_most = 1", "limit 1, at_most: 1 has no unit. Write it as text with its unit"),
        (DROP + 'at_most = "1"', "limit 1, at_most: '1' has no unit; write it like 15 inHg"),
        (DROP + 'at_most = "1 s"', "at_most: '1 s' gives time where vacuum is needed"),
        (DROP + 'at_most = "1,5 inHg"', "at_most: '1,5 inHg' has a comma"),
        (HOLD.replace("10 inHg", "10 inHg = 69 kPa"), "limit 1, from: 10 inHg is 33.9 kPa, not 69"),
        (HOLD.replace("10 inHg", "10 inHg (69 kPa)"), "limit 1, from: 10 inHg is 33.9 kPa, not 69"),
        (HOLD.replace("10 inHg", "65.9 inHg"), "limit 1: A start vacuum of 65.9 inHg cannot exist"),
        (HOLD + 'source = ""', "limit 1, source: say whose limit this is"),
        (HOLD + "source = 5", "limit 1, source: say whose limit this is"),
        (HOLD + "page = 1.5", "limit 1, page: write the page as text"),
        ('shape = "drop"\nwithin = "1 s"\nat_most = "1 inHg"', "state it under 'from'"),
        (
            'shape = "switch_band"\nclosed_below = "95 degF"\nclosed_above = "129 degF"',
            "limit 1: the passage is the same below and above its band",
        ),
        (
            'shape = "switch_band"\nclosed_below = "95 degF"\nopen_below = "96 degF"',
            "closed_below and open_below say the same end twice",
        ),
        (
            'shape = "switch_band"\nclosed_below = "95 degF = 45 degC"\nopen_above = "129 degF"',
            "limit 1, closed_below: 95 degF is 35 degC, not 45 degC",
        ),
        (
            'shape = "switch_band"\nclosed_below = "130 degF"\nopen_above = "100 degF"',
            "The passage cannot be closed and not closed at once",
        ),
        (
            'shape = "position_time"\ntravel = "5 V"\nat_most = "10 s"',
            "travel: '5 V' gives voltage where length is needed",
        ),
    ],
)
def test_a_bad_sheet_names_the_key_and_the_remedy(sheet: str, says: str) -> None:
    """Whatever is wrong with a table is told with file, limit and key."""
    with pytest.raises(LimitError) as refusal:
        read(sheet)

    assert str(refusal.value).startswith(WHERE)
    assert says in str(refusal.value)


def test_a_drop_limit_is_read_from_the_options_of_the_command_line() -> None:
    """The four short texts give the limit that a sheet with the same figures gives."""
    limit = drop_limit_from_text("15inHg", "1inHg", "20s", "45cc", RIG_DEFAULT)
    without = drop_limit_from_text("15inHg", "1inHg", "20s", None, RIG_DEFAULT)

    drop = limit.as_drop_limit(default_reference_volume_m3=30e-6)
    assert drop.from_vacuum_pa == pytest.approx(15 * INHG)
    assert drop.max_drop_pa == pytest.approx(INHG)
    assert drop.within_s == 20.0
    assert drop.reference_volume_m3 == pytest.approx(45e-6)
    assert without.as_drop_limit(30e-6).reference_volume_m3 == 30e-6
    assert limit.source is RIG_DEFAULT


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        (("15", "1inHg", "20s", None), "--from: '15' has no unit"),
        (("15inHg", "1s", "20s", None), "--max-drop: '1s' gives time where vacuum is needed"),
        (("15inHg", "1inHg", "20cc", None), "--within: '20cc' gives volume where time is needed"),
        (("15inHg", "1inHg", "20s", "45"), "--reference-volume: '45' has no unit"),
        (("15inHg", "1inHg", "0s", None), "A time of 0s means nothing"),
        (("15inHg", "1inHg", "20s", "0cc"), "A reference volume of 0cc means nothing"),
        (("15inHg", "16inHg", "20s", None), "16inHg is not below 15inHg"),
        (("65.9inHg", "1inHg", "20s", None), "A start vacuum of 65.9inHg cannot exist"),
    ],
)
def test_a_bad_option_is_named(texts: tuple[str, str, str, str | None], says: str) -> None:
    """A text that cannot be read names its option; figures that clash name each other."""
    with pytest.raises(LimitError) as refusal:
        drop_limit_from_text(*texts, RIG_DEFAULT)

    assert says in str(refusal.value)
