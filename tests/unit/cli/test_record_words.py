"""Tests of the words for parts and runs: one for everything that can stand on record."""

import math

import pytest

from rig import words
from rig.parts.intake import LookOver, PartCondition
from rig.parts.limit_text import limit_from_table
from rig.parts.shapes import SHAPE_RULES, Shape
from rig.parts.standing import standing
from rig.records import Estimate, Finding, Outcome
from rig.store.records import Change
from rig.units import Kind
from tests.contract.tree import texts

INHG = 3386.389


def test_everything_that_can_be_on_record_has_its_word() -> None:
    """Conditions, what was seen, changes, the shapes of limits and all their keys."""
    assert set(words.PART_CONDITIONS) == set(PartCondition)
    assert set(words.LOOK_OVER) == set(LookOver)
    assert set(words.CHANGES) == set(Change)
    assert set(words.LIMIT_SHAPES) == set(Shape)
    keys = {key for rule in SHAPE_RULES.values() for key in rule.conditions}
    bounds = {"at_least", "more_than", "at_most", "less_than"}
    bands = {"closed_below", "open_below", "open_above", "closed_above"}
    assert set(words.LIMIT_KEYS) == keys | bounds | bands


def test_every_gap_of_a_standing_has_its_phrase() -> None:
    """Each code that a standing may give as the reason why nothing counts."""
    text = texts(".py", under="rig/parts/")[f"{standing.__module__.replace('.', '/')}.py"]
    made = {each for each in words.GAPS if f'Finding("{each}"' in text}
    assert made == set(words.GAPS)
    assert text.count('Finding("standing_') == len(made)
    figures: dict[str, float | str] = {
        "test": "hold",
        "run": 12.0,
        "age_days": 400.0,
        "max_age_days": 365.0,
    }
    for code in words.GAPS:
        said = words.gap(Finding(code, figures))
        assert "{" not in said
        assert ".0" not in said


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (
            {"shape": "hold", "from": "15 inHg", "for": "1 min", "source": "sheet 4"},
            "must hold from 15 inHg, for 1 min (sheet 4)",
        ),
        (
            {
                "shape": "drop",
                "source": "manual",
                "page": "8-12",
                "at_most": "0.97 inHg (3.3 kPa)",
                "within": "15 s",
                "from": "19.7 inHg",
            },
            "drop at most 0.97 inHg (3.3 kPa), from 19.7 inHg, within 15 s (manual, page 8-12)",
        ),
        (
            {
                "shape": "switch_band",
                "closed_below": "100 degF",
                "open_above": "125 degF",
                "source": "sheet",
            },
            "passage closed below 100 degF, open above 125 degF (sheet)",
        ),
    ],
)
def test_a_limit_is_written_as_its_sheet_prints_it(table: dict[str, str], said: str) -> None:
    """Figures in their own words, whatever the order in the sheet, with whose it is."""
    limit_from_table(dict(table), "the sheet")
    assert words.limit_as_printed(table) == said


def test_no_limit_is_written_as_nothing() -> None:
    """And texts that were kept as a list are joined."""
    assert words.limit_as_printed({}) == ""
    assert words.limit_as_printed({"shape": "drop", "at_most": ("1 inHg", "3.4 kPa")}) == (
        "drop at most 1 inHg = 3.4 kPa"
    )


@pytest.mark.parametrize(
    ("outcome", "probability", "confidence", "said"),
    [
        (Outcome.PASS, 0.974, 0.95, "pass: 97.4 % sure that it is met, and 95 % was asked for"),
        (Outcome.FAIL, 0.026, 0.99, "fail: 97.4 % sure that it is not met, and 99 % was asked for"),
        (
            Outcome.UNDECIDED,
            0.345,
            0.95,
            "too close to call: the chance that it is met is 34.5 %, and 95 % was asked for",
        ),
        (Outcome.FAIL, None, 0.95, "fail"),
        (Outcome.MEASURED, 0.5, None, "measured"),
    ],
)
def test_a_verdict_is_said_with_how_sure_it_is(
    outcome: Outcome, probability: float | None, confidence: float | None, said: str
) -> None:
    """By the probability where there is one; a verdict by rule has none."""
    assert words.judged(outcome, probability, confidence) == said


def test_what_is_not_known_is_not_made_up() -> None:
    """A value that is none, or whose doubt is none, is shown as that."""
    assert words.estimate(Estimate(math.nan, 1.0), Kind.VACUUM) == "not known"
    for u in (math.inf, math.nan):
        said = words.estimate(Estimate(2.0 * INHG, u), Kind.VACUUM)
        assert said == "2 inHg, how sure is not known"
        assert list(words.doubts(Estimate(1.0, u, {"random": u}), Kind.VACUUM)) == []


def test_the_doubt_is_listed_largest_first() -> None:
    """With words where there are some; what is less than a twentieth is left out."""
    volume = Estimate.from_sources(
        21e-6, {"random": 1e-7, "rig_volume": 6e-7, "made_up": 3e-7, "zero": 1e-8}
    )
    assert list(words.doubts(volume, Kind.VOLUME)) == [
        "the rig's own volume: 1.2 cm3",
        "made up: 0.6 cm3",
        "noise of the readings: 0.20 cm3",
    ]


def test_a_finding_of_another_version_is_shown_as_it_stands() -> None:
    """Code and figures where there is no sentence, or where a figure of the sentence is missing."""
    assert words.said(Finding("no_such_code")) == "no_such_code."
    assert words.said(Finding("no_such_code", {"at_s": 2.5, "of": "p_a"})) == (
        "no_such_code (at_s 2.5, of p_a)."
    )
    assert words.said(Finding("hose_off")) == "hose_off."
    assert words.said(Finding("hose_off", {"time_s": math.nan})) == "hose_off (time_s nan)."
    assert words.said(Finding("hose_off", {"time_s": 30.0})).startswith("At 30 s the vacuum")
