"""Tests of the sentences: every finding has one, with its figures in the units of the trade."""

import ast
import re
from pathlib import Path

import pytest

from rig import words
from rig.records import Estimate, Finding, Outcome, Purpose
from tests.support.finding_figures import BENCH

RIG = Path(words.__file__).parents[1]
INHG = 3386.389
STD_CC_MIN = 1.0 / 6e7

FIGURES: dict[str, dict[str, float | str]] = {
    "within_limit": {
        "drop_pa": 0.35 * INHG,
        "u_pa": 0.02 * INHG,
        "max_drop_pa": INHG,
        "probability": 0.9999,
    },
    "over_limit": {
        "drop_pa": 2.0 * INHG,
        "u_pa": 0.05 * INHG,
        "max_drop_pa": INHG,
        "probability": 0.012,
    },
    "too_close": {
        "drop_pa": 1.02 * INHG,
        "u_pa": 0.05 * INHG,
        "max_drop_pa": INHG,
        "probability": 0.345,
        "hold_s": 29.98,
    },
    "fixed_uncertainty_blocks": {"largest_source": "volume"},
    "settling_not_identified": {"time_constant_s": 12.0, "hold_s": 20.0},
    "candidates_disagree": {},
    "end_disturbed": {"hold_s": 20.0},
    "poor_fit": {"strays_pa": 0.05 * INHG},
    "too_few_samples": {"count": 14.0, "least": 20.0},
    "hold_too_short": {"hold_s": 5.0, "least_s": 8.0},
    "measured": {"leak_m3_s": 1.6 * STD_CC_MIN, "u_m3_s": 0.1 * STD_CC_MIN},
    "not_told_from_zero": {"leak_m3_s": 0.0, "u_m3_s": 0.01 * STD_CC_MIN},
    "settling_found": {"kind": "log_creep", "rise_pa": 0.31 * INHG},
    "leaks_to_ambient": {"time_s": 11.0},
    "hose_off": {"time_s": 30.92},
    "frozen": {"time_s": 22.0, "lasting_s": 38.0},
    "frames_lost": {"time_s": 18.0, "lasting_s": 25.0},
    "frames_lost_tolerated": {"time_s": 18.0, "lasting_s": 6.5},
    "sensor_at_end": {"time_s": 3.0, "pressure_pa": 15_000.0},
    "target_not_reached": {"vacuum_pa": 12.0 * INHG, "target_pa": 15.0 * INHG},
    "ambient_moved": {"change_pa": 0.12 * INHG},
    "jump_split": {"time_s": 20.0, "step_pa": -0.4 * INHG, "first_s": 21.0, "last_s": 60.0},
    "leak_grew": {"time_s": 33.0},
    "wild_samples": {"count": 3.0},
    "vacuum_rose": {"time_s": 9.0},
    "own_leak_too_large": {"share": 0.42},
    "rig_unsteady": {"time_s": 12.5},
    "rig_runs_down": {"time_s": 9.0},
    "own_leak_subtracted": {
        "blank_off": "CAPPED.csv",
        "leak_m3_s": 0.31 * STD_CC_MIN,
        "u_m3_s": 0.02 * STD_CC_MIN,
    },
    "above_ambient": {"pressure_pa": 850_000.0},
    "no_vacuum": {"vacuum_pa": 0.3 * INHG},
    "gas_warmed": {"change_k": 0.25},
    "dial_misled": {"drop_pa": 1.24 * INHG, "says": "fail"},
    "decided_early": {"time_s": 14.0, "probability": 0.997},
    "volume_u_assumed": {"volume_u_m3": 3.75e-6},
    "gas_temperature_assumed": {"gas_temperature_k": 293.15, "gas_temperature_u_k": 3.0},
    "blank_off_volume_u_assumed": {"volume_u_m3": 1.25e-6},
    "blank_off_gas_temperature_assumed": {
        "gas_temperature_k": 293.15,
        "gas_temperature_u_k": 3.0,
    },
    "reference_volume_assumed": {"volume_m3": 75e-6},
    "start_vacuum_taken": {"vacuum_pa": 16.0 * INHG},
    "limit_beyond_hand_pump": {"vacuum_pa": 27.0 * INHG, "reach_pa": 25.0 * INHG},
    "limit_without_volume": {},
    "limit_ends_at_zero": {"end_vacuum_pa": 0.5 * INHG},
}
FIGURES = {**FIGURES, **BENCH}
"""One example of every finding: the figures that whoever makes it gives."""

SAID = {
    "within_limit": ("0.35 inHg, give or take 0.04", "at most 1 inHg", "more than 99.9 % sure"),
    "over_limit": ("2.00 inHg, give or take 0.10", "98.8 % sure that it is over"),
    "too_close": ("1.02 inHg, give or take 0.10", "30 s of hold", "within is 34.5 %"),
    "fixed_uncertainty_blocks": ("the test volume", "graduated syringe"),
    "settling_not_identified": ("about 12 s", "hold of 20 s", "at least 40 s"),
    "end_disturbed": ("hold of 20 s", "Hold longer"),
    "poor_fit": ("strays by 0.05 inHg", "pull again"),
    "too_few_samples": ("14 readings", "at least 20"),
    "hold_too_short": ("lasted 5 s", "at least 8 s"),
    "measured": ("1.60 cm3/min ANR, give or take 0.20",),
    "not_told_from_zero": ("at most 0.020 cm3/min ANR",),
    "settling_found": ("0.31 inHg", "rubber stretching"),
    "leaks_to_ambient": ("within 11 s", "Reseat the hose"),
    "hose_off": ("At 30.9 s", "reseat the hose and repeat"),
    "frozen": ("From 22 s", "for 38 s"),
    "frames_lost": ("From 18 s", "for 25 s"),
    "frames_lost_tolerated": ("6.5 s from 18 s on",),
    "sensor_at_end": ("At 3 s", "15 kPa absolute"),
    "target_not_reached": ("began at 12 inHg", "starts from 15 inHg"),
    "ambient_moved": ("0.12 inHg",),
    "jump_split": ("At 20 s", "jumped by 0.4 inHg", "21 s to 60 s"),
    "wild_samples": ("3 wild readings were left out",),
    "own_leak_too_large": ("42 %",),
    "rig_unsteady": ("At 12.5 s", "rig alone"),
    "rig_runs_down": ("within 9 s", "rig alone"),
    "own_leak_subtracted": ("as CAPPED.csv shows it: 0.31 cm3/min ANR, give or take 0.04",),
    "above_ambient": ("850 kPa absolute",),
    "no_vacuum": ("0.3 inHg",),
    "gas_warmed": ("warmed by 0.25 degC",),
    "dial_misled": ("would have read 1.2 inHg and said fail",),
    "decided_early": ("14 s into the hold", "99.7 % sure"),
    "volume_u_assumed": ("3.75 cm3", "--volume-u"),
    "gas_temperature_assumed": ("20 degC", "give or take 6 degC", "--gas-temperature"),
    "blank_off_volume_u_assumed": ("1.25 cm3", "# volume_u_cc"),
    "blank_off_gas_temperature_assumed": ("20 degC", "give or take 6 degC", "# gas_temperature_c"),
    "reference_volume_assumed": ("75 cm3",),
    "start_vacuum_taken": ("16 inHg",),
    "limit_beyond_hand_pump": ("27 inHg", "25 inHg"),
    "limit_ends_at_zero": ("0.5 inHg",),
}


def _codes_made_in(path: Path) -> set[str]:
    """List the codes of findings that a module makes, read off its text."""
    codes = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call) and node.args and isinstance(node.func, ast.Name):
            first = node.args[0]
            is_code = isinstance(first, ast.Constant) and isinstance(first.value, str)
            if node.func.id in ("Finding", "finding") and is_code:
                codes.add(first.value)
    return codes


def _everything_said() -> list[str]:
    """List every text of the module: sentences as shown, labels, help."""
    texts = [words.sentence(Finding(code, FIGURES[code])) for code in words.SENTENCES]
    for name, value in vars(words).items():
        if name.startswith("_"):
            continue
        if isinstance(value, str):
            texts.append(value)
        elif isinstance(value, dict):
            texts += [text for text in value.values() if isinstance(text, str)]
    return texts


def test_every_finding_that_a_command_shows_has_a_sentence() -> None:
    """No module behind a command can make a finding whose sentence is missing."""
    modules = [
        path for path in RIG.rglob("*.py") if path.parent.name not in ("sim", "words", "sensing")
    ]
    made = {code for path in modules for code in _codes_made_in(path)}
    assert made
    assert made <= set(words.SENTENCES)
    assert set(FIGURES) == set(words.SENTENCES)


def test_an_unknown_code_or_a_missing_figure_raises() -> None:
    """A finding is never shown half, nor left out in silence."""
    with pytest.raises(KeyError):
        words.sentence(Finding("no_such_code"))
    with pytest.raises(KeyError):
        words.sentence(Finding("hose_off"))
    with pytest.raises(KeyError):
        words.sentence(Finding("fixed_uncertainty_blocks", {"largest_source": "weather"}))


@pytest.mark.parametrize("code", sorted(SAID))
def test_a_sentence_gives_its_figures_in_the_units_of_the_trade(code: str) -> None:
    """SI goes in, inHg, seconds and standard cm3/min come out."""
    said = words.sentence(Finding(code, FIGURES[code]))
    for part in SAID[code]:
        assert part in said


def test_every_sentence_is_whole_and_plain() -> None:
    """Each starts with a capital or figure, ends in a full stop, and is plain ASCII."""
    for code in words.SENTENCES:
        said = words.sentence(Finding(code, FIGURES[code]))
        assert re.fullmatch(r"[A-Z0-9][ -~]*\.", said), code
        assert "{" not in said
        assert "  " not in said


def test_one_wild_reading_is_not_written_as_several() -> None:
    """Singular and plural agree with the count."""
    assert words.sentence(Finding("wild_samples", {"count": 1.0})) == "1 wild reading was left out."


def test_gas_that_cools_is_not_said_to_warm() -> None:
    """The sign of a change becomes a word."""
    said = words.sentence(Finding("gas_warmed", {"change_k": -0.25}))
    assert "cooled by 0.25 degC" in said


SPOILED = (
    "hose_off",
    "frozen",
    "frames_lost",
    "sensor_at_end",
    "target_not_reached",
    "ambient_moved",
    "vacuum_rose",
    "own_leak_too_large",
    "above_ambient",
    "no_vacuum",
)


@pytest.mark.parametrize("code", SPOILED)
def test_a_spoiled_test_never_accuses_the_part_and_says_what_to_do(code: str) -> None:
    """It tells what was observed and the next step, and calls nothing good or bad."""
    said = words.sentence(Finding(code, FIGURES[code]))
    assert not re.search(
        r"\b(bad|faulty|defective|leaky|fail|failed|reject)\b", said, re.IGNORECASE
    )
    assert re.search(r"\b(repeat|pull|look|use)\b", said, re.IGNORECASE)


def test_no_word_promises_or_judges_more_than_the_rig_can() -> None:
    """No claim of law or fitness, no traffic lights, and `check` is left to check valves."""
    banned = (
        r"\b(legal|compliant|complies|roadworthy|guarantee\w*|warrant\w*|certified"
        r"|red|green|amber|check\w*|plug it|bypass|device under test|sonic|n_eff)\b"
    )
    for text in _everything_said():
        assert not re.search(banned, text, re.IGNORECASE), text
        assert text.isascii(), text


def test_every_outcome_and_purpose_has_its_word() -> None:
    """The words on screen are those of the trade, and none is missing."""
    assert [words.OUTCOMES[outcome] for outcome in Outcome] == [
        "pass",
        "fail",
        "too close to call",
        "test spoiled",
        "not tested",
        "measured",
    ]
    assert set(words.PURPOSES) == set(Purpose)
    assert words.purpose_and_confidence(Purpose.FOR_SALE).endswith("99 % sure")
    assert words.purpose_and_confidence(Purpose.JUST_MEASURE) == "just measure"


def test_every_source_of_doubt_that_blocks_has_a_label_and_a_remedy() -> None:
    """Whatever a longer hold cannot mend can be named, with what mends it."""
    from rig.analysis.estimator import FIXED_SOURCES  # noqa: PLC0415 - words load without numpy

    assert set(FIXED_SOURCES) <= set(words.SOURCES)
    assert set(FIXED_SOURCES) == set(words.REMEDIES)


def test_doubt_is_listed_by_source_largest_first_without_the_negligible() -> None:
    """1.96 standard uncertainties each; less than a twentieth of the whole is left out."""
    drop = Estimate.from_sources(
        INHG, {"random": 0.01 * INHG, "volume": 0.04 * INHG, "ambient": 0.0005 * INHG}
    )
    assert words.doubt_by_source(drop) == [
        ("the test volume", "0.08 inHg"),
        ("noise of the readings", "0.020 inHg"),
    ]
    with pytest.raises(KeyError):
        words.doubt_by_source(Estimate.from_sources(INHG, {"weather": 1.0}))


def test_a_dial_is_quoted_where_it_would_have_said_otherwise() -> None:
    """The dial's opinion is given only where it differs from the outcome."""
    other = words.dial_reading(1.24 * INHG, Outcome.FAIL, Outcome.PASS, 20.0)
    assert other == "would have read 1.2 inHg on this run and said fail"
    same = words.dial_reading(0.42 * INHG, Outcome.PASS, Outcome.PASS, 20.0)
    assert same == "would have read 0.4 inHg on this run"
    none = words.dial_reading(None, None, Outcome.FAIL, 20.0)
    assert none == "no reading: the curve does not reach 20 s into the hold"


def test_settling_is_told_with_its_size_and_time_constant() -> None:
    """A settling has its rise, its kind in words, and its time constant where it has one."""
    said = words.settling_seen("exponential", 0.28 * INHG, 1.2)
    assert said == "0.28 inHg: gas warming or rubber giving, dying away, time constant 1.2 s"
    assert words.settling_seen("none", 0.0, None) == "none seen"
    assert "time constant" not in words.settling_seen("log_creep", INHG, None)
