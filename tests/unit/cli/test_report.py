"""Tests of the report, to a person and to a program, on results made by hand."""

import json
import math
import re
from collections.abc import Callable

import pytest

from rig.analysis.hold import Settling
from rig.cli.analyse_curve import AnalysedCurve
from rig.cli.report import as_json, as_text
from rig.records import Estimate, Finding, Outcome, Purpose

INHG = 3386.389
Make = Callable[..., AnalysedCurve]


def test_json_states_the_result_in_the_units_its_names_say(hand_made: Make) -> None:
    """0.35 inHg on a hand gauge, 1.6 cm3/min, 1.2 inHg on the dial, and what belongs to each."""
    stated = as_json(hand_made())
    assert stated["outcome"] == "pass"
    assert stated["purpose"] == "before-fitting"
    assert stated["probability_of_conformity"] == 0.99999
    leak = stated["leak_std_cm3_min"]
    assert leak == {"value": 1.6, "u": 0.02, "sources": {"volume": 0.02}}
    drop = stated["equivalent_drop_inhg"]
    assert isinstance(drop, dict)
    assert drop["value"] == 0.35
    # sqrt(20^2 + 6^2) Pa in inHg, to six digits.
    assert drop["u"] == pytest.approx(math.hypot(20.0, 6.0) / INHG, rel=1e-5)
    assert set(drop["sources"]) == {"volume", "random", "own_leak"}
    assert stated["observed_drop_inhg"] == 1.2
    assert stated["dial_and_stopwatch"] == {"drop_inhg": 1.2, "outcome": "fail"}
    assert stated["leak_kind"] == "orifice"
    assert stated["settling"] == {
        "kind": "exponential",
        "rise_inhg": pytest.approx(1000.0 / INHG, rel=1e-5),
        "time_constant_s": 1.2,
    }
    assert stated["limit"] == {
        "from_inhg": 15.0,
        "max_drop_inhg": 1.0,
        "within_s": 20.0,
        "reference_volume_cc": 45.0,
        "confidence": 0.95,
        "source": "Umbrevan sheet 4",
    }
    assert stated["hold"] == {
        "start_s": 0.0,
        "end_s": 60.0,
        "start_vacuum_inhg": 16.0,
        "end_vacuum_inhg": 15.0,
    }
    assert stated["noise"] == {"white_sd_pa": 8.0}
    assert stated["candidates"] == [
        {
            "law": "orifice",
            "settling": "exponential",
            "weight": 0.97,
            "leak_std_cm3_min": 1.6,
            "u_std_cm3_min": 0.01,
        }
    ]
    assert stated["decided_at_s"] is None
    reasons = stated["reasons"]
    assert isinstance(reasons, list)
    assert reasons[0].startswith("The leak alone drops a hand gauge by 0.350 inHg")
    findings = stated["findings"]
    assert isinstance(findings, list)
    assert [finding["code"] for finding in findings] == ["within_limit", "dial_misled"]


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_json_is_valid_whatever_the_numbers_are(hand_made: Make, number: float) -> None:
    """What is no number becomes null: JSON knows neither NaN nor infinity."""
    made = hand_made(
        probability_of_conformity=number,
        leak=Estimate(number, number, {"random": number}),
        start_vacuum_pa=number,
        observed_drop_pa=number,
        settling=Settling("exponential", number, number),
        noise={"white_sd_pa": number},
        decided_at_s=number,
    )
    text = json.dumps(as_json(made), allow_nan=False)
    assert json.loads(text)["leak_std_cm3_min"] == {
        "value": None,
        "u": None,
        "sources": {"random": None},
    }


def test_json_of_a_spoiled_test_has_the_same_names_and_no_leak(
    hand_made: Make, spoiled: Make
) -> None:
    """A program finds every name, with null for what a spoiled test cannot say."""
    stated = as_json(spoiled())
    assert set(stated) == set(as_json(hand_made()))
    assert stated["outcome"] == "invalid"
    for name in ("leak_std_cm3_min", "equivalent_drop_inhg", "probability_of_conformity"):
        assert stated[name] is None
    assert stated["settling"] is None
    assert stated["dial_and_stopwatch"] == {"drop_inhg": None, "outcome": None}


def test_text_says_the_outcome_first_then_why_then_the_figures(hand_made: Make) -> None:
    """Outcome in a line of its own, the reasons, and inHg before standard flow."""
    text = as_text(hand_made(), details=False)
    lines = text.splitlines()
    assert lines[:2] == ["pass", ""]
    assert lines[2].startswith(
        "The leak alone drops a hand gauge by 0.350 inHg, give or take 0.012"
    )
    assert text.index("on a hand gauge") < text.index("cm3/min ANR")
    assert "in 20 s from 15 inHg in 45 cm3" in text
    assert "1.60 cm3/min ANR, give or take 0.04: a small hole or a gap at a seal" in text
    assert "would have read 1.2 inHg on this run and said fail" in text
    assert "0.3 inHg: gas warming or rubber giving, dying away, time constant 1.2 s" in text
    assert "60 s, from 16 inHg to 15 inHg" in text
    assert "(Umbrevan sheet 4)" in text
    assert "before fitting: a verdict must be 95 % sure" in text
    assert re.search(r"doubt comes from +the test volume: 0\.012 inHg", text)


def test_text_fits_a_terminal_and_is_plain(hand_made: Make, spoiled: Make) -> None:
    """No line over 96 letters, no trailing blanks, nothing but ASCII."""
    for made in (hand_made(), spoiled(), hand_made(outcome=Outcome.UNDECIDED)):
        text = as_text(made, details=True)
        assert text.isascii()
        for line in text.splitlines():
            assert len(line) <= 96
            assert line == line.rstrip()


def test_text_of_a_spoiled_test_says_what_was_held_and_nothing_of_a_leak(spoiled: Make) -> None:
    """No leak, no drop, no dial: they would speak about the part."""
    text = as_text(spoiled(), details=False)
    assert text.startswith("test spoiled\n\nAt 30 s the vacuum fell away")
    assert "hold" in text
    for word in ("leak ", "on a hand gauge", "dial", "settling"):
        assert word not in text


def test_text_keeps_technical_words_for_the_details(hand_made: Make) -> None:
    """The laws by their names, weights and noise appear only where they are asked for."""
    plain, full = (as_text(hand_made(), details=details) for details in (False, True))
    for word in ("orifice", "exponential", "white_sd_pa", "97.0 %"):
        assert word not in plain
        assert word in full


def test_text_without_a_limit_names_none(hand_made: Make) -> None:
    """A measurement is reported without limit and verdict, with what was taken."""
    made = hand_made()
    limit = type(made.result.limit)(16.0 * INHG, 20.0, 75e-6)
    text = as_text(
        hand_made(
            outcome=Outcome.MEASURED,
            limit=limit,
            dial_outcome=None,
            limit_source=None,
            purpose=Purpose.JUST_MEASURE,
            notes=(Finding("volume_u_assumed", {"volume_u_m3": 3.75e-6}),),
        ),
        details=False,
    )
    assert text.startswith("measured\n")
    assert "\nlimit" not in text
    assert re.search(r"purpose +just measure\n", text)
    assert re.search(r"please note +No uncertainty of the test volume was given: 3\.75 cm3", text)
    assert re.search(r"dial and stopwatch +would have read 1\.2 inHg on this run\n", text)


@pytest.mark.parametrize(
    ("outcome", "word"),
    [
        (Outcome.PASS, "pass"),
        (Outcome.FAIL, "fail"),
        (Outcome.UNDECIDED, "too close to call"),
        (Outcome.INVALID, "test spoiled"),
        (Outcome.NOT_TESTED, "not tested"),
        (Outcome.MEASURED, "measured"),
    ],
)
def test_every_outcome_has_its_word_on_the_first_line(
    hand_made: Make, outcome: Outcome, word: str
) -> None:
    """The first line is the outcome, in the words of the bench."""
    assert as_text(hand_made(outcome=outcome), details=False).splitlines()[0] == word
