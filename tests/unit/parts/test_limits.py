"""A limit says what it judges, refuses what cannot be true, and judges by probability."""

from collections.abc import Mapping

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rig.analysis.gas import Law, LeakLaw
from rig.errors import LimitError
from rig.parts.limits import RIG_DEFAULT, Bound, Limit, Passage, Source
from rig.parts.shapes import CONDITION_KINDS, SHAPE_RULES, Condition, Shape
from rig.records import Estimate, Outcome
from rig.units import SEA_LEVEL_PA, Kind, Quantity, parse_quantity

INHG = 3386.389
MANUAL = Source("Tessomar workshop manual", "4-3")
C = Condition


def bound(text: str, kind: Kind, *, inclusive: bool = True) -> Bound:
    """Make a bound from its printed text."""
    return Bound(parse_quantity(text, kind, "test"), inclusive)


def vacuum(text: str) -> Bound:
    """Make an inclusive bound on a vacuum."""
    return bound(text, Kind.VACUUM)


def seconds(text: str) -> Bound:
    """Make an inclusive bound on a time."""
    return bound(text, Kind.TIME)


def given_that(texts: Mapping[Condition, str]) -> dict[Condition, Quantity]:
    """Make conditions from printed texts, each of the first kind that its condition takes."""
    return {
        condition: parse_quantity(text, CONDITION_KINDS[condition][0], condition)
        for condition, text in texts.items()
    }


HELD = given_that({C.START_VACUUM: "15 inHg", C.DURATION: "20 s"})
BOTH_WAYS = given_that({C.START_VACUUM: "20 inHg", C.END_VACUUM: "10 inHg"})
SWITCH = Limit(
    Shape.SWITCH_BAND,
    {},
    MANUAL,
    bound("100 degF", Kind.TEMPERATURE),
    bound("125 degF", Kind.TEMPERATURE),
    Passage.CLOSED,
)


def kelvin(degf: float) -> float:
    """Convert a Fahrenheit reading."""
    return (degf - 32.0) / 1.8 + 273.15


def test_must_hold_without_a_figure_is_half_an_inch_and_marked() -> None:
    """A source that only says "hold" is judged by the rig's own 0.5 inHg, told to be its own."""
    limit = Limit(Shape.HOLD, HELD, MANUAL)

    assert limit.lower is None
    assert limit.upper is None
    assert limit.judged_upper is not None
    assert limit.judged_upper.quantity.value_si == pytest.approx(0.5 * INHG)
    assert str(limit.judged_upper.quantity) == "0.5 inHg"
    assert limit.rests_on_rig_default
    assert limit.source == MANUAL


def test_must_not_hold_without_a_figure_leaves_at_most_half() -> None:
    """A source that only says "must not hold" is judged by half of the start, told as the rig's."""
    conditions = given_that({C.START_VACUUM: "10 inHg", C.DURATION: "10 s"})
    without = Limit(Shape.MUST_NOT_HOLD, conditions, MANUAL)
    printed = Limit(Shape.MUST_NOT_HOLD, conditions, MANUAL, upper=vacuum("2 inHg"))

    assert without.judged_upper is not None
    assert str(without.judged_upper.quantity) == "5 inHg"
    assert without.rests_on_rig_default
    assert without.judge(Estimate(0.2 * INHG, 0.1 * INHG)).outcome is Outcome.PASS
    assert without.judge(Estimate(9.8 * INHG, 0.1 * INHG)).outcome is Outcome.FAIL
    assert printed.judged_upper == printed.upper
    assert not printed.rests_on_rig_default


def test_a_limit_of_the_rigs_own_says_so() -> None:
    """A figure whose source is the rig itself rests on the rig's default."""
    assert Limit(Shape.DROP, HELD, RIG_DEFAULT, upper=vacuum("1 inHg")).rests_on_rig_default
    assert not Limit(Shape.DROP, HELD, MANUAL, upper=vacuum("1 inHg")).rests_on_rig_default


@pytest.mark.parametrize(
    ("limit", "within_s", "max_drop_inhg"),
    [
        (Limit(Shape.HOLD, HELD, MANUAL), 20.0, 0.5),
        (Limit(Shape.DROP, HELD, MANUAL, upper=vacuum("1 inHg")), 20.0, 1.0),
        (Limit(Shape.REMAINING, HELD, MANUAL, lower=vacuum("5 inHg")), 20.0, 10.0),
        (Limit(Shape.TIME_TO_DROP, BOTH_WAYS, MANUAL, lower=seconds("10 s")), 10.0, 10.0),
    ],
)
def test_hold_shapes_become_a_drop_in_a_time(
    limit: Limit, within_s: float, max_drop_inhg: float
) -> None:
    """The four shapes judged from one hold are stated as the drop that means the same."""
    drop = limit.as_drop_limit(default_reference_volume_m3=45e-6, confidence=0.99)

    assert drop.max_drop_pa == pytest.approx(max_drop_inhg * INHG)
    assert drop.within_s == within_s
    assert drop.from_vacuum_pa == limit.conditions[C.START_VACUUM].value_si
    assert drop.reference_volume_m3 == 45e-6
    assert drop.confidence == 0.99


@settings(derandomize=True, max_examples=200)
@given(law=st.sampled_from(Law), rate_pa_s=st.floats(500.0, 8_000.0))
def test_a_time_to_drop_and_its_drop_agree_on_any_leak(law: Law, rate_pa_s: float) -> None:
    """A leak takes 10 s or more from 20 to 10 inHg just where it drops 10 inHg or less in 10 s."""
    limit = Limit(Shape.TIME_TO_DROP, BOTH_WAYS, MANUAL, lower=seconds("10 s"))
    drop = limit.as_drop_limit(45e-6)
    start_pa = SEA_LEVEL_PA - drop.from_vacuum_pa
    leak = LeakLaw(law)
    end_pa = SEA_LEVEL_PA - 10 * INHG
    time_s = float(leak.time_to_reach(end_pa, start_pa, rate_pa_s, SEA_LEVEL_PA))
    dropped_pa = float(leak.pressure(drop.within_s, start_pa, rate_pa_s, SEA_LEVEL_PA)) - start_pa

    assert drop.max_drop_pa is not None
    assert (time_s >= 10.0) is (dropped_pa <= drop.max_drop_pa)


def test_a_reference_volume_of_the_limit_goes_before_the_convention() -> None:
    """The volume that the source states is used, and the given one only where it states none."""
    conditions = {**HELD, **given_that({C.REFERENCE_VOLUME: "45 cc"})}
    limit = Limit(Shape.HOLD, conditions, MANUAL)

    assert limit.as_drop_limit(30e-6).reference_volume_m3 == pytest.approx(45e-6)


def test_just_measuring_asks_for_no_drop() -> None:
    """Without a confidence the same drop is measured and not judged."""
    drop = Limit(Shape.HOLD, HELD, MANUAL).as_drop_limit(45e-6, confidence=None)

    assert drop.max_drop_pa is None
    assert drop.within_s == 20.0


def test_a_shape_that_no_single_hold_judges_is_refused_there() -> None:
    """A switch band cannot be stated as a drop, and the error says which shapes can."""
    with pytest.raises(LimitError, match="Use one of: hold, drop, remaining, time_to_drop"):
        SWITCH.as_drop_limit(45e-6)


@pytest.mark.parametrize(
    ("degf", "u_degf", "outcome"),
    [
        (118.0, 1.0, Outcome.PASS),
        (143.0, 1.0, Outcome.FAIL),
        (90.0, 1.0, Outcome.FAIL),
        (124.5, 1.0, Outcome.UNDECIDED),
        (100.5, 1.0, Outcome.UNDECIDED),
    ],
)
def test_a_switch_that_changes_inside_its_band_passes(
    degf: float, u_degf: float, outcome: Outcome
) -> None:
    """Anywhere between closed-below and open-above is right; outside is a fail either way."""
    judged = SWITCH.judge(Estimate(kelvin(degf), u_degf / 1.8))

    expected = stats.norm.cdf(125, degf, u_degf) - stats.norm.cdf(100, degf, u_degf)
    assert judged.probability_of_conformity == pytest.approx(expected, abs=1e-9)
    assert judged.outcome is outcome


@pytest.mark.parametrize(
    ("degf", "below", "state"),
    [
        (99.0, Passage.CLOSED, Passage.CLOSED),
        (110.0, Passage.CLOSED, None),
        (126.0, Passage.CLOSED, Passage.OPEN),
        (99.0, Passage.OPEN, Passage.OPEN),
        (110.0, Passage.OPEN, None),
        (126.0, Passage.OPEN, Passage.CLOSED),
    ],
)
def test_between_its_two_temperatures_a_switch_may_be_either(
    degf: float, below: Passage, state: Passage | None
) -> None:
    """The dead band demands nothing; outside it the passage must be what the source says."""
    limit = Limit(Shape.SWITCH_BAND, {}, MANUAL, SWITCH.lower, SWITCH.upper, below)

    assert limit.passage_at(kelvin(degf)) is state


def test_a_limit_that_is_no_band_demands_no_passage() -> None:
    """Only a band has a state to stand in."""
    assert Limit(Shape.HOLD, HELD, MANUAL).passage_at(0.0) is None


@pytest.mark.parametrize(
    ("confidence", "outcome"),
    [(0.95, Outcome.PASS), (0.99, Outcome.UNDECIDED), (None, Outcome.MEASURED)],
)
def test_the_purpose_sets_how_sure_a_pass_must_be(
    confidence: float | None, outcome: Outcome
) -> None:
    """Two standard uncertainties inside are 97.7 %: enough before fitting, not for sale."""
    limit = Limit(Shape.DROP, HELD, MANUAL, upper=vacuum("1 inHg"))
    judged = limit.judge(Estimate(0.8 * INHG, 0.1 * INHG), confidence)

    assert judged.probability_of_conformity == pytest.approx(0.977250, abs=1e-6)
    assert judged.outcome is outcome
    assert judged.limit is limit
    assert judged.confidence == confidence


@pytest.mark.parametrize(("inclusive", "outcome"), [(True, Outcome.PASS), (False, Outcome.FAIL)])
def test_the_wording_of_a_bound_is_kept(inclusive: bool, outcome: Outcome) -> None:
    """Exactly 20 s meets ">= 20 s" and does not meet "> 20 s"."""
    conditions = given_that({C.START_VACUUM: "15 inHg", C.END_VACUUM: "14 inHg"})
    lower = bound("20 s", Kind.TIME, inclusive=inclusive)
    limit = Limit(Shape.TIME_TO_DROP, conditions, MANUAL, lower=lower)

    assert limit.judge(Estimate(20.0, 0.0)).outcome is outcome


@pytest.mark.parametrize(
    ("shape", "texts", "lower", "upper", "kind"),
    [
        (Shape.SETTLE, {C.DURATION: "10 s"}, vacuum("4.4 inHg"), vacuum("7 inHg"), Kind.VACUUM),
        (
            Shape.COIL_OHMS,
            {C.TEMPERATURE: "20 degC"},
            bound("36 ohm", Kind.RESISTANCE),
            bound("44 ohm", Kind.RESISTANCE),
            Kind.RESISTANCE,
        ),
        (
            Shape.SIGNAL_AT_VACUUM,
            {C.AT_VACUUM: "4 inHg"},
            bound("2.15 V", Kind.VOLTAGE),
            None,
            Kind.VOLTAGE,
        ),
    ],
)
def test_a_limit_names_the_kind_that_an_estimate_must_have(
    shape: Shape,
    texts: dict[Condition, str],
    lower: Bound | None,
    upper: Bound | None,
    kind: Kind,
) -> None:
    """Whoever measures can see from the limit in which SI unit to hand over the value."""
    assert Limit(shape, given_that(texts), MANUAL, lower, upper).kind is kind


@pytest.mark.parametrize(
    ("shape", "texts", "codes"),
    [
        (Shape.HOLD, {C.START_VACUUM: "26 inHg", C.DURATION: "20 s"}, ["limit_beyond_hand_pump"]),
        (Shape.HOLD, {C.START_VACUUM: "25 inHg", C.DURATION: "20 s"}, []),
        (
            Shape.FALL_TIME,
            {C.START_VACUUM: "8 inHg", C.END_VACUUM: "0 inHg"},
            ["limit_without_volume", "limit_ends_at_zero"],
        ),
        (
            Shape.FALL_TIME,
            {C.START_VACUUM: "8 inHg", C.END_VACUUM: "1 inHg", C.REFERENCE_VOLUME: "10 cc"},
            [],
        ),
        (
            Shape.RISE_TIME,
            {C.SUPPLY_VACUUM: "10 inHg", C.END_VACUUM: "8 inHg"},
            ["limit_without_volume"],
        ),
    ],
)
def test_what_is_doubtful_is_told_and_not_refused(
    shape: Shape, texts: dict[Condition, str], codes: list[str]
) -> None:
    """A start beyond a hand pump, a time without its volume, or a fall to zero is a finding."""
    lower = None if shape is Shape.HOLD else seconds("15 s")
    limit = Limit(shape, given_that(texts), MANUAL, lower=lower)

    assert [finding.code for finding in limit.findings] == codes


RISE = given_that({C.SUPPLY_VACUUM: "10 inHg", C.END_VACUUM: "8 inHg"})


@pytest.mark.parametrize(
    ("shape", "conditions", "bounds", "says"),
    [
        (Shape.DROP, HELD, {"upper": vacuum("16 inHg")}, "16 inHg is not below 15 inHg"),
        (Shape.DROP, HELD, {"upper": vacuum("15 inHg")}, "15 inHg is not below 15 inHg"),
        (Shape.DROP, HELD, {"upper": vacuum("0 inHg")}, "of 0 inHg means nothing"),
        (Shape.DROP, HELD, {"upper": vacuum("65.9 inHg")}, "of 65.9 inHg cannot exist"),
        (Shape.DROP, HELD, {"upper": seconds("1 s")}, "1 s is time, and a limit of shape 'drop'"),
        (Shape.DROP, HELD, {}, "needs a figure"),
        (Shape.DROP, HELD, {"lower": vacuum("1 inHg")}, "takes no lower bound, and has 1 inHg"),
        (Shape.HOLD, HELD, {"upper": vacuum("1 inHg")}, "takes no upper bound, and has 1 inHg"),
        (Shape.REMAINING, HELD, {"lower": vacuum("16 inHg")}, "16 inHg is not below 15 inHg"),
        (Shape.REMAINING, HELD, {"lower": vacuum("15 inHg")}, "nothing loses nothing"),
        (Shape.REMAINING, HELD, {"lower": vacuum("0 inHg")}, "of 0 inHg means nothing"),
        (Shape.MUST_NOT_HOLD, HELD, {"upper": vacuum("15 inHg")}, "may be left must be below"),
        (Shape.TIME_TO_DROP, BOTH_WAYS, {"lower": seconds("0 s")}, "of 0 s means nothing"),
        (Shape.TIME_TO_DROP, BOTH_WAYS, {"upper": seconds("9 s")}, "takes no upper bound"),
        (Shape.TIME_TO_DROP, HELD, {"lower": seconds("9 s")}, "needs its end vacuum: state it un"),
        (
            Shape.FALL_TIME,
            given_that({C.START_VACUUM: "8 inHg", C.END_VACUUM: "8 inHg"}),
            {"upper": seconds("9 s")},
            "A fall must end below its start: 8 inHg is not below 8 inHg",
        ),
        (
            Shape.FALL_TIME,
            BOTH_WAYS,
            {"lower": seconds("28 s"), "upper": seconds("15 s")},
            "The bounds: nothing lies above 28 s and below 15 s",
        ),
        (
            Shape.RISE_TIME,
            given_that({C.SUPPLY_VACUUM: "8 inHg", C.END_VACUUM: "8 inHg"}),
            {"upper": seconds("9 s")},
            "A rise must end below its supply",
        ),
        (
            Shape.RISE_TIME,
            {**RISE, **given_that({C.START_VACUUM: "8 inHg"})},
            {"upper": seconds("9 s")},
            "A rise must end above its start",
        ),
        (
            Shape.RISE_TIME,
            given_that({C.SUPPLY_VACUUM: "0 inHg", C.END_VACUUM: "8 inHg"}),
            {"upper": seconds("9 s")},
            "A supply vacuum of 0 inHg means nothing",
        ),
        (
            Shape.SETTLE,
            given_that({C.DURATION: "10 s", C.SUPPLY_VACUUM: "4 inHg"}),
            {"lower": vacuum("4.4 inHg"), "upper": vacuum("7 inHg")},
            "A part cannot settle above its supply",
        ),
        (
            Shape.SIGNAL_AT_VACUUM,
            {},
            {"lower": bound("2 V", Kind.VOLTAGE)},
            "needs either the vacuum applied ('at') or the absolute pressure applied",
        ),
        (
            Shape.SIGNAL_AT_VACUUM,
            given_that({C.AT_VACUUM: "4 inHg", C.AT_PRESSURE: "90 kPa"}),
            {"lower": bound("2 V", Kind.VOLTAGE)},
            "and not both",
        ),
        (
            Shape.SIGNAL_AT_VACUUM,
            given_that({C.AT_VACUUM: "4 inHg"}),
            {"lower": bound("2 V", Kind.VOLTAGE), "upper": bound("9 ohm", Kind.RESISTANCE)},
            "9 ohm is resistance",
        ),
        (
            Shape.COIL_OHMS,
            given_that({C.TEMPERATURE: "20 degC", C.DURATION: "1 s"}),
            {"lower": bound("36 ohm", Kind.RESISTANCE)},
            "has no time, and 1 s is given for one",
        ),
        (
            Shape.HOLD,
            {**HELD, C.DURATION: parse_quantity("45 cc", Kind.VOLUME, "test")},
            {},
            "The time cannot be 45 cc, which is volume",
        ),
        (
            Shape.HOLD,
            given_that({C.START_VACUUM: "0 inHg", C.DURATION: "1 s"}),
            {},
            "A start vacuum of 0 inHg means nothing",
        ),
        (
            Shape.HOLD,
            given_that({C.START_VACUUM: "0.4 inHg", C.DURATION: "1 s"}),
            {},
            "0.5 inHg is not below 0.4 inHg",
        ),
        (Shape.SWITCH_BAND, {}, {"lower": SWITCH.lower}, "needs a word on when the passage"),
        (
            Shape.DROP,
            HELD,
            {"upper": vacuum("1 inHg"), "below": Passage.OPEN},
            "does not take a word on when the passage",
        ),
        (
            Shape.SWITCH_BAND,
            {},
            {"lower": SWITCH.upper, "upper": SWITCH.lower, "below": Passage.OPEN},
            "The passage cannot be open and not open at once: nothing lies above 125 degF",
        ),
    ],
)
def test_a_limit_that_cannot_be_true_is_refused(
    shape: Shape, conditions: Mapping[Condition, Quantity], bounds: dict[str, object], says: str
) -> None:
    """Contradictions, impossible figures and missing or foreign parts are refused with reasons."""
    with pytest.raises(LimitError) as refusal:
        Limit(shape, conditions, MANUAL, **bounds)

    assert says in str(refusal.value)


@pytest.mark.parametrize("shape", Shape)
def test_every_shape_has_its_rule(shape: Shape) -> None:
    """Each shape says which kinds it judges, and its conditions have kinds of their own."""
    rule = SHAPE_RULES[shape]

    assert rule.judged
    assert all(condition in CONDITION_KINDS for condition in rule.conditions.values())
    assert rule.rests_on_default or rule.takes_lower or rule.takes_upper


def test_the_conditions_of_a_limit_do_not_change_with_the_caller() -> None:
    """A limit keeps its own copy of what it was given, and nobody can write into it."""
    mine = dict(HELD)
    limit = Limit(Shape.HOLD, mine, MANUAL)
    mine.clear()

    assert limit.conditions[C.DURATION].value_si == 20.0
    with pytest.raises(TypeError):
        limit.conditions[C.TRAVEL] = HELD[C.DURATION]
