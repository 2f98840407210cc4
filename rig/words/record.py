"""Own what is said of parts and runs on record: labels, marks, changes; never decide what is shown.

A record outlives the program that wrote it: a code of another version is shown as it stands.
"""

import math
from collections.abc import Iterator, Mapping
from datetime import datetime

from rig import figures
from rig.records import Estimate, Finding, Outcome
from rig.units import Kind
from rig.words.bench import QUANTITIES
from rig.words.results import OUTCOMES, SOURCES
from rig.words.saying import sentence

CLOCK_NOT_SET = "clock not set"
NOT_KNOWN = "not known"
DOUBT_NOT_KNOWN = "how sure is not known"
NUMBER_UNSAID = "not said when it came in"

PART_CONDITIONS: Mapping[str, str] = {
    "used": "used",
    "old_stock": "old stock",
    "rebuilt": "rebuilt",
    "new": "new",
}
LOOK_OVER: Mapping[str, str] = {
    "cracked_nipple": "cracked nipple",
    "painted_nipple": "painted nipple",
    "liquid_inside": "liquid inside",
    "fuel_smell": "smell of fuel",
    "rust": "rust",
    "stiff_by_hand": "stiff by hand",
    "foreign_ball_in_nipple": "foreign ball in the nipple",
}
"""What was seen of a part when it came in."""

PART_LABELS: Mapping[str, str] = {
    "tag": "tag",
    "part": "part",
    "number": "number",
    "number_read": "number on it",
    "number_claimed": "number named",
    "make": "make",
    "date_code": "date code",
    "condition": "condition",
    "source": "from",
    "seen": "seen",
    "notes": "notes",
    "retired": "retired",
    "standing": "standing",
}
RUN_LABELS: Mapping[str, str] = {
    "run": "run",
    "begun": "begun",
    "part": "part",
    "purpose": "purpose",
    "outcome": "outcome",
    "confirmed": "confirmed",
    "note": "note",
    "ended": "ended",
    "void": "void",
    "now_of": "now a run of",
    "rig_volume": "rig's volume",
    "own_leak": "rig's own leak",
    "made_with": "made with",
    "recorded": "recorded",
    "limit": "limit",
    "judged": "judged",
    "doubt": "doubt comes from",
    "at": "at",
    "lasted": "lasted",
    "state": "state",
    "step": "step",
    "ended_by": "ended",
}
RUN_HEADINGS: Mapping[str, str] = {
    "steps": "Steps",
    "events": "What happened",
}
"""What stands before and above the lines about a part and a run."""

BEING_MADE = "being made"
NO_RUNS = "No runs yet."
NO_PARTS = "No parts yet: `rig parts add` takes one in."
NEVER_TAKEN_IN = "never taken in: `rig parts add` does it"
RIG_ITSELF = "the rig itself"
NO_NUMBER = "none"
CLAIMED = "named"

ENDED_BY: Mapping[str, str] = {
    "done": "done",
    "reached": "reached",
    "acknowledged": "mark pressed",
    "decided": "clear",
    "timeout": "not reached",
    "asked": "ended on request",
    "stopped": "stopped",
    "fault": "ended by a fault",
}
"""How a step ended."""

GAPS: Mapping[str, str] = {
    "standing_never_tested": "no run yet",
    "standing_none_valid": "no run counts, the newest being run {run}",
    "standing_before_rebuild": "not since it was rebuilt; before that run {run}",
    "standing_age_unknown": "run {run} cannot be dated, for the clock was not set",
    "standing_too_old": "run {run} is {age_days} days old, and at most {max_age_days} count",
}
"""Why no run of a test counts for a part's standing."""

CHANGES: Mapping[str, str] = {
    "taken_in": "taken in as {after}",
    "renamed": "tag changed from {before} to {after}: {reason}",
    "retired": "retired: {reason}",
    "rebuilt": "rebuilt: {reason}",
    "moved": "run {run} moved from {before} to {after}: {reason}",
    "voided": "run {run} made void: {reason}",
    "clock_corrected": "date of run {run} corrected",
}
"""What was changed on record, and when it was not a run."""

MORE_SOURCES: Mapping[str, str] = {
    "rig_volume": "the rig's own volume",
    "temperature": "the temperature of the gas",
    "leak": "what leaked meanwhile",
    "stroke": "how far the part moves",
    "zero": "the sensor's zero",
    "step": "the steps of the converter",
    "rounding": "the steps of the converter",
    "transient": "gas that was still warming",
    "leak_heating": "gas that was still warming",
    "syringe_scale": "the syringe's scale",
    "attached": "tip and tube of the syringe",
    "assumed": "what was taken for want of a measurement",
    "part": "the part's own volume",
}
"""Where the doubt of a volume or a level comes from, beside what a drop's comes from."""

LIMIT_SHAPES: Mapping[str, str] = {
    "hold": "must hold",
    "remaining": "vacuum left",
    "time_to_drop": "time until it has dropped",
    "drop": "drop",
    "must_not_hold": "must not hold: vacuum left",
    "rise_time": "time to rise",
    "fall_time": "time to fall",
    "flow_band": "passage",
    "settle": "settles",
    "switch_band": "passage",
    "position_time": "time until the rod stands there",
    "travel_at_vacuum": "vacuum at which the rod has moved",
    "signal_at_vacuum": "signal",
    "coil_ohms": "coil",
}
LIMIT_KEYS: Mapping[str, str] = {
    "at_least": "at least {}",
    "more_than": "more than {}",
    "at_most": "at most {}",
    "less_than": "less than {}",
    "closed_below": "closed below {}",
    "open_below": "open below {}",
    "open_above": "open above {}",
    "closed_above": "closed above {}",
    "supply": "supplied with {}",
    "travel": "travel {}",
    "from": "from {}",
    "to": "to {}",
    "at": "at {}",
    "at_pressure": "at {}",
    "within": "within {}",
    "after": "after {}",
    "for": "for {}",
    "reference_volume": "in {}",
    "temperature": "at {}",
}
"""A limit as it is printed, piece by piece in this order."""

NO_MAKERS_LIMIT = "no maker's limit is known"

DONE: Mapping[str, str] = {
    "added": "{tag} is taken in: {what}.",
    "renamed": "{old} is {new} from now on, and {old} still finds it. Change the label.",
    "retired": "{tag} is retired; its story is kept.",
    "rebuilt": "{tag} is noted as rebuilt. What was found before no longer counts: test it anew.",
    "voided": "Run {run} counts for nothing from now on; it stays on record.",
    "moved": "Run {run} is one of {tag} from now on.",
}
"""What a command that changes the record says when it is done."""

RUN_LINES: Mapping[str, str] = {
    "head": "run {run}, {tag}: {outcome}",
    "test": "{test}: {outcome}",
    "recorded": "{frames} frames of {channels} channels, {lost}",
    "none_lost": "none lost",
    "lost": "{count} lost",
    "made_with": "program {program}, board {board} with firmware {firmware}",
    "from_run": "{value}, from run {run}",
    "from": "{value}, from {source}",
    "moved_here": "moved here from {tag}",
    "void": "void: {reason}",
}

REANALYSIS: Mapping[str, str] = {
    "same": (
        "Judged again from its raw readings by version {now}, it comes out just as version {then} "
        "stored it."
    ),
    "otherwise": (
        "Judged again from the same raw readings by version {now}, it comes out otherwise than "
        "version {then} stored it. That is a defect of the program, in one of the two, and says "
        "nothing about the part: do not go by this run until it is known which. What differs:"
    ),
    "not_finished": ("The run was {ending}. It judged nothing, and nothing is to be judged again."),
    "as_stored": "As stored: {outcome}",
    "under": "By the limits of {sheet} ({make} {number}): {outcome}",
    "stored": "stored",
    "now": "now",
    "nothing": "not there",
}
"""What comes of judging a run again."""


def said(finding: Finding) -> str:
    """Return the sentence of a finding on record, or its code and figures where it has none here.

    It may have been made by another version of the program.
    """
    try:
        return sentence(finding)
    except (KeyError, ValueError):
        given = ", ".join(f"{name} {_plain(value)}" for name, value in finding.figures.items())
        return f"{finding.code} ({given})." if given else f"{finding.code}."


def moment(utc: datetime, *, clock_was_set: bool) -> str:
    """Write when something was, in this machine's time zone; no date where no clock was set."""
    return f"{utc.astimezone():%Y-%m-%d %H:%M}" if clock_was_set else CLOCK_NOT_SET


def ago(utc: datetime, now_utc: datetime) -> str:
    """Say how long ago a day was, by the calendar of this machine's time zone."""
    days = (now_utc.astimezone().date() - utc.astimezone().date()).days
    return {0: "today", 1: "yesterday"}.get(days, f"{days} days ago")


def quantity(name: str) -> str:
    """Name a measured quantity, as its name stands where there is no word for it."""
    return QUANTITIES.get(name, name.replace("_", " "))


def estimate(measured: Estimate, kind: Kind) -> str:
    """Write a measured value with its give or take."""
    if not math.isfinite(measured.value):
        return NOT_KNOWN
    if not math.isfinite(measured.u):
        return f"{figures.measured(measured.value, 0.0, kind)}, {DOUBT_NOT_KNOWN}"
    return figures.measured(measured.value, measured.u, kind)


def doubts(measured: Estimate, kind: Kind) -> Iterator[str]:
    """List what the doubt of a value comes from, largest first, less than a twentieth left out."""
    for name, u in sorted(measured.sources.items(), key=lambda each: -each[1]):
        shown = figures.doubt(u, kind) if math.isfinite(u) else None
        if shown is not None and u > 0.05 * measured.u:
            label = SOURCES.get(name) or MORE_SOURCES.get(name) or name.replace("_", " ")
            yield f"{label}: {shown}"


def gap(finding: Finding) -> str:
    """Say why no run of a test counts for the standing."""
    return GAPS[finding.code].format_map(
        {name: _plain(value) for name, value in finding.figures.items()}
    )


def limit_as_printed(table: Mapping[str, str | tuple[str, ...]]) -> str:
    """Write a limit as its sheet prints it, with its source; nothing where there is none."""
    if not table:
        return ""
    text = {
        key: " = ".join(value) if isinstance(value, tuple) else value
        for key, value in table.items()
    }
    shape = text.get("shape", "")
    pieces = [pattern.format(text[key]) for key, pattern in LIMIT_KEYS.items() if key in text]
    page = f", page {text['page']}" if "page" in text else ""
    printed = f"{LIMIT_SHAPES.get(shape, shape)} {', '.join(pieces)}"
    return f"{printed} ({text['source']}{page})" if "source" in text else printed


def judged(outcome: Outcome, probability: float | None, confidence: float | None) -> str:
    """Say a verdict and how sure it is; `confidence` is what it had to reach."""
    if probability is None or outcome in (Outcome.MEASURED, Outcome.NOT_TESTED):
        return OUTCOMES[outcome]
    if outcome is Outcome.FAIL:
        how_sure = f"{figures.sure(1.0 - probability)} sure that it is not met"
    elif outcome is Outcome.PASS:
        how_sure = f"{figures.sure(probability)} sure that it is met"
    else:
        how_sure = f"the chance that it is met is {figures.sure(probability)}"
    needed = "" if confidence is None else f", and {100.0 * confidence:g} % was asked for"
    return f"{OUTCOMES[outcome]}: {how_sure}{needed}"


def _plain(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"
