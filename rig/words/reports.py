"""Own the labels and lines of a report and of a picture; never lay one out."""

from collections.abc import Mapping, Sequence

from rig import figures
from rig.records import Finding, Outcome, Purpose
from rig.words.results import OUTCOMES, PURPOSES, SETTLINGS
from rig.words.saying import sentence

LIMIT_SOURCE_UNSAID = "given on the command line"

LABELS: Mapping[str, str] = {
    "hand_gauge": "on a hand gauge",
    "leak": "leak",
    "dial": "dial and stopwatch",
    "settling": "settling",
    "hold": "hold",
    "limit": "limit",
    "purpose": "purpose",
    "doubt": "doubt comes from",
    "notes": "please note",
    "noise": "noise",
    "candidates": "ways it can be read",
}
"""What stands before each line of a report."""

DEFINITIONS = (
    "The drop on a hand gauge is that of the leak alone, at sea level and 20 degC. Give or take: "
    "in 19 runs of 20 the truth lies within. cm3/min ANR: standard flow, of air at 20 degC, 100 "
    "kPa and 65 % relative humidity."
)


def drop_conditions(from_pa: float, within_s: float, volume_m3: float) -> str:
    """Say under what a drop is meant: in 20 s from 15 inHg in 45 cm3."""
    vacuum, volume = figures.inhg(from_pa), figures.volume(volume_m3)
    return f"in {figures.seconds(within_s)} from {vacuum} in {volume}"


def limit_of_drop(max_drop_pa: float, conditions: str, source: str) -> str:
    """Say a limit on a drop, and whose it is."""
    return f"at most {figures.inhg(max_drop_pa)} {conditions} ({source})"


def purpose_and_confidence(purpose: Purpose) -> str:
    """Say what a test is for and how sure its verdict must be."""
    if purpose.confidence is None:
        return PURPOSES[purpose]
    return f"{PURPOSES[purpose]}: a verdict must be {100.0 * purpose.confidence:g} % sure"


def dial_reading(
    observed_pa: float | None, says: Outcome | None, outcome: Outcome, within_s: float
) -> str:
    """Say what a dial and stopwatch would have read, and what they said where it differs."""
    if observed_pa is None:
        return f"no reading: the curve does not reach {figures.seconds(within_s)} into the hold"
    said = "" if says is None or says is outcome else f" and said {OUTCOMES[says]}"
    return f"would have read {figures.dial_inhg(observed_pa)} on this run{said}"


def settling_seen(kind: str, rise_pa: float, time_constant_s: float | None) -> str:
    """Say what settling was found on top of the leak."""
    if kind == "none":
        return SETTLINGS[kind]
    lasting = (
        "" if time_constant_s is None else f", time constant {figures.seconds(time_constant_s)}"
    )
    return f"{figures.inhg(rise_pa)}: {SETTLINGS[kind]}{lasting}"


def hold_seen(lasting_s: float, start_pa: float, end_pa: float) -> str:
    """Say what was held: how long, and from which vacuum to which."""
    return f"{figures.seconds(lasting_s)}, from {figures.inhg(start_pa)} to {figures.inhg(end_pa)}"


PLOT: Mapping[str, str] = {
    "vacuum": "vacuum, inHg",
    "time": "time, s",
    "recorded": "recorded",
    "less_own_leak": "less the rig's own leak",
    "fit": "fitted to it",
    "leak_alone": "the leak alone",
    "at_limit": "a leak at the limit",
    "left_over": "left over, inHg",
    "not_judged": "not judged",
    "decided": "clear from here",
}
PLOT_LEFT_OVER = ("recorded less fitted,", "block by block;", "bars: twice its", "uncertainty")
PLOT_MARKS: Mapping[str, str] = {
    "hose_off": "hose off",
    "frozen": "reading stood still",
    "frames_lost": "no readings",
    "frames_lost_tolerated": "no readings",
    "sensor_at_end": "sensor at its end",
    "jump_split": "jump",
    "leak_grew": "leak grew",
    "vacuum_rose": "vacuum rose",
}
"""The word at the place of a finding whose `time_s` is a time of the curve."""


def plot_title(outcome: Outcome, curve_name: str) -> str:
    """Head a picture: the outcome and the curve it belongs to."""
    return f"{OUTCOMES[outcome]}: {curve_name}"


def plot_subtitle(reasons: Sequence[Finding]) -> str:
    """Say in a picture why the outcome is what it is: the first reason."""
    return sentence(reasons[0]) if reasons else ""
