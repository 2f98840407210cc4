"""Own every sentence and label that the program shows; never decide which one to show.

A sentence is a template. Its figures arrive in SI, named with their units, and are written here in
the units of the trade: a name's ending says how (`_pa` in inHg, `_s` in seconds, and so on).
"""

from collections.abc import Mapping, Sequence

from rig import figures
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.units import Kind, format_quantity

OUTCOMES: Mapping[Outcome, str] = {
    Outcome.PASS: "pass",
    Outcome.FAIL: "fail",
    Outcome.UNDECIDED: "too close to call",
    Outcome.INVALID: "test spoiled",
    Outcome.NOT_TESTED: "not tested",
    Outcome.MEASURED: "measured",
}

PURPOSES: Mapping[Purpose, str] = {
    Purpose.BEFORE_FITTING: "before fitting",
    Purpose.FOR_SALE: "for sale",
    Purpose.JUST_MEASURE: "just measure",
}

LEAK_KINDS: Mapping[str, str] = {
    "none": "no leak that can be told from none",
    "orifice": "a small hole or a gap at a seal",
    "laminar": "a long narrow way, such as a fine crack or perished rubber",
    "permeation": "air passing through the rubber itself",
    "unclear": "one whose kind the curve does not show",
}

SETTLINGS: Mapping[str, str] = {
    "none": "none seen",
    "exponential": "gas warming or rubber giving, dying away",
    "two_exponentials": "gas warming first, then rubber giving",
    "log_creep": "rubber stretching slower and slower",
    "power_creep": "rubber stretching slower and slower",
    "plateau": "rising to a level and staying there, as with a little liquid",
    "mixed": "more than one kind",
}

SOURCES: Mapping[str, str] = {
    "random": "noise of the readings",
    "settling": "what is settling and what is leak",
    "law": "the kind of leak",
    "volume": "the test volume",
    "span": "the sensor's span",
    "gas_temperature": "the gas temperature",
    "ambient": "the barometer",
    "own_leak": "the rig's own leak",
}

REMEDIES: Mapping[str, str] = {
    "law": "Hold at the vacuum that the limit names.",
    "volume": "Measure the test volume more closely, with a graduated syringe.",
    "span": "Have the pressure sensor calibrated.",
    "gas_temperature": "Put a thermometer to the hose and record it with the pressure.",
    "ambient": "Use a better barometer.",
    "own_leak": "Cap the hose end and measure the rig's own leak again, over a longer time.",
}

SENTENCES: Mapping[str, str] = {
    # verdicts
    "within_limit": (
        "The leak alone drops a hand gauge by {drop}; at most {max_drop_pa} is allowed "
        "({sure} sure that it is within)."
    ),
    "over_limit": (
        "The leak alone drops a hand gauge by {drop}; at most {max_drop_pa} is allowed "
        "({sure_not} sure that it is over)."
    ),
    "too_close": (
        "The leak alone drops a hand gauge by {drop}, and at most {max_drop_pa} is allowed: after "
        "{hold_s} of hold that is too close to call (the chance that it is within is {sure}). Hold "
        "longer, or vent and pull a second time."
    ),
    "fixed_uncertainty_blocks": (
        "Holding longer will not settle it: most of the doubt comes from {largest_source}. {remedy}"
    ),
    "settling_not_identified": (
        "The gauge was still settling, with a time constant of about {time_constant_s}, when the "
        "hold of {hold_s} ended. Hold for at least {longer}, then pull a second time."
    ),
    "candidates_disagree": (
        "The curve can be read as a leak or as settling, and the two give different answers. Hold "
        "longer, then vent and pull a second time: settling shrinks, a leak repeats."
    ),
    "end_disturbed": (
        "The last readings of the hold of {hold_s} leave the course of those before, as when "
        "something begins to move or comes loose. Hold longer, and leave hose and part alone."
    ),
    "poor_fit": (
        "The curve strays by {strays_pa} from every course that a leak and settling can take "
        "together. Look for what moves or warms, vent, and pull again."
    ),
    "too_few_samples": (
        "There are {count} readings in the hold; at least {least} are needed. Record faster, or "
        "hold longer."
    ),
    "hold_too_short": (
        "The hold lasted {hold_s}; at least {least_s} after the last stroke are needed. Hold "
        "longer."
    ),
    "measured": "The part leaks {leak}. This was a measurement, not a judgement.",
    "not_told_from_zero": (
        "No leak can be told from none: it is {leak}. This was a measurement, not a judgement."
    ),
    "decided_early": "The answer was clear {time_s} into the hold ({sure} sure).",
    # what the curve showed
    "settling_found": (
        "{rise_pa} of what the gauge lost over the hold is settling, not leak: {kind}."
    ),
    "leaks_to_ambient": (
        "The gauge ran all the way down within {time_s}, as it does through a large leak. Reseat "
        "the hose and repeat once, to be sure that it is the part."
    ),
    "jump_split": (
        "At {time_s} the vacuum jumped by {step}, as when a seat pops or a rod sticks; only "
        "{first_s} to {last_s} was judged. Repeat, and watch the part."
    ),
    "wild_samples": "{count} wild {readings} left out.",
    "frames_lost_tolerated": (
        "No readings came for {lasting_s} from {time_s} on; the rest was enough to go by."
    ),
    "gas_warmed": "The gas {warmed} by {change} during the hold; that is taken out.",
    "dial_misled": (
        "A dial and stopwatch on this run would have read {reading} and said {says}: they cannot "
        "tell a leak from settling, nor one volume from another."
    ),
    # spoiled tests: they never say anything about the part
    "hose_off": (
        "At {time_s} the vacuum fell away to atmosphere, as when a hose comes off or the vent is "
        "opened. That says nothing about the part: reseat the hose and repeat, or end the record "
        "before the vent."
    ),
    "leak_grew": (
        "From {time_s} on the leak grew, as when a hose works loose or a seat opens. Reseat the "
        "hose and repeat; if it grows again at the same vacuum, it is the part."
    ),
    "frozen": (
        "From {time_s} on the reading stood still for {lasting_s}, without even its usual noise. "
        "Look at the sensor's plug and the logger, and repeat."
    ),
    "frames_lost": (
        "From {time_s} on no readings came for {lasting_s}, too much to judge the rest by. Look at "
        "the cable and the logger, and repeat."
    ),
    "sensor_at_end": (
        "At {time_s} the sensor stood at the end of its range, {pressure_pa} absolute. Pull less, "
        "or use a sensor that reaches further."
    ),
    "target_not_reached": (
        "The hold began at {vacuum_pa}, but the limit starts from {target_pa}. Pull again; if it "
        "falls short again, cap the hose end and see whether pump and hose get there alone."
    ),
    "ambient_moved": (
        "The air pressure of the room moved by {change_pa} during the hold. Repeat when it is "
        "steady."
    ),
    "vacuum_rose": (
        "From {time_s} on the vacuum went on rising: something still draws, and would hide a leak. "
        "Close off the pump, let the part cool if it is hot, and repeat."
    ),
    "own_leak_too_large": (
        "The rig's own leak is {share} of what the limit allows, too much to judge a part beside "
        "it. Cap the hose end, find the leak in the rig, and repeat."
    ),
    "above_ambient": (
        "The curve stands at {pressure_pa} absolute, above the air of the room. Only vacuum can be "
        "judged: look at the ambient pressure given and at what the sensor reads."
    ),
    "no_vacuum": (
        "There was too little vacuum to hold: {vacuum_pa} at the deepest. Look at hose and pump, "
        "pull again and repeat."
    ),
    "rig_unsteady": (
        "At {time_s} the vacuum of the rig alone jumped or gave way. See that cap and hose sit "
        "fast, and repeat."
    ),
    "rig_runs_down": (
        "The rig alone lost all its vacuum within {time_s}. Cap the hose end, find the leak in the "
        "rig, and repeat."
    ),
    "own_leak_subtracted": "The rig's own leak is taken out as {blank_off} shows it: {leak}.",
    # what was taken because nobody said
    "volume_u_assumed": (
        "No uncertainty of the test volume was given: {volume_u_m3} (5 %) is taken. Give it with "
        "--volume-u."
    ),
    "gas_temperature_assumed": (
        "No gas temperature was given: {gas_temperature_k} is taken, give or take "
        "{give}. Give it with --gas-temperature."
    ),
    "blank_off_volume_u_assumed": (
        "The blank-off gives no uncertainty of the rig's volume: {volume_u_m3} (5 %) is taken. "
        "Give it in its line `# volume_u_cc: ...`."
    ),
    "blank_off_gas_temperature_assumed": (
        "The blank-off gives no gas temperature: {gas_temperature_k} is taken, give or take "
        "{give}. Give it in its line `# gas_temperature_c: ...`."
    ),
    "reference_volume_assumed": (
        "No reference volume was given: the drop is that in this run's own {volume_m3}."
    ),
    "start_vacuum_taken": "No limit was given: the drop is that from the {vacuum_pa} held.",
    # what is doubtful about a limit
    "limit_beyond_hand_pump": (
        "The limit starts from {vacuum_pa}; most hand pumps reach no more than {reach_pa}."
    ),
    "limit_without_volume": "The limit names no volume, and its seconds depend on it.",
    "limit_ends_at_zero": (
        "The limit ends at no vacuum, which a leak only approaches: {end_vacuum_pa} is taken."
    ),
}
"""The sentence of every finding, by its code."""


def sentence(finding: Finding) -> str:
    """Return the sentence of a finding, its figures in the units of the trade.

    Raises KeyError for a code without a sentence, or where a figure of the sentence is missing.
    """
    template = SENTENCES[finding.code]
    said = {name: _figure(name, value) for name, value in finding.figures.items()}
    return template.format_map(said | _derived(finding.figures))


def blank_off_refused(name: str, spoiled_by: Finding) -> str:
    """Say that a blank-off cannot be used, and what spoiled it."""
    return f"{name} cannot serve as blank-off: {sentence(spoiled_by)}"


def _figure(name: str, value: float | str) -> str:
    if isinstance(value, str):
        return value if name not in _WORDS_OF else _WORDS_OF[name][value]
    if name in _WRITTEN_AS:
        return format_quantity(value, *_WRITTEN_AS[name])
    if name.endswith("_pa"):
        return figures.inhg(value)
    for ending, (kind, unit) in _ENDINGS.items():
        if name.endswith(ending):
            return format_quantity(value, kind, unit)
    return f"{value:g}"


_WORDS_OF: Mapping[str, Mapping[str, str]] = {
    "kind": SETTLINGS,
    "largest_source": SOURCES,
    "says": {str(outcome): word for outcome, word in OUTCOMES.items()},
}
_WRITTEN_AS = {
    "pressure_pa": (Kind.ABSOLUTE_PRESSURE, "kPa"),
    "gas_temperature_k": (Kind.TEMPERATURE, "degC"),
    "share": (Kind.SHARE, "%"),
}
_ENDINGS = {
    "_m3_s": (Kind.FLOW, figures.FLOW_UNIT),
    "_m3": (Kind.VOLUME, "cm3"),
    "_k": (Kind.TEMPERATURE_DIFFERENCE, "degC"),
    "_s": (Kind.TIME, "s"),
}


def _derived(given: Mapping[str, float | str]) -> dict[str, str]:
    """Write what is made of more than one figure, or of one in another way."""
    said: dict[str, str] = {}
    number = {name: value for name, value in given.items() if not isinstance(value, str)}
    if "drop_pa" in number and "u_pa" in number:
        said["drop"] = figures.drop(number["drop_pa"], number["u_pa"])
    if "drop_pa" in number:
        said["reading"] = figures.dial_inhg(number["drop_pa"])
    if "leak_m3_s" in number:
        said["leak"] = figures.flow(number["leak_m3_s"], number["u_m3_s"])
    if "probability" in number:
        said["sure"] = figures.sure(number["probability"])
        said["sure_not"] = figures.sure(1.0 - number["probability"])
    if "time_constant_s" in number:
        longer_s = max(3.0 * number["time_constant_s"], 2.0 * number["hold_s"])
        said["longer"] = figures.seconds(longer_s)
    if "step_pa" in number:
        said["step"] = figures.inhg(abs(number["step_pa"]))
    if "change_k" in number:
        said["warmed"] = "warmed" if number["change_k"] > 0.0 else "cooled"
        said["change"] = _figure("_k", abs(number["change_k"]))
    if "count" in number:
        said["readings"] = "reading was" if number["count"] == 1 else "readings were"
    if "gas_temperature_u_k" in number:
        said["give"] = _figure("_k", 2.0 * number["gas_temperature_u_k"])
    if "largest_source" in given:
        said["remedy"] = REMEDIES[str(given["largest_source"])]
    return said


def doubt_by_source(estimate: Estimate) -> list[tuple[str, str]]:
    """List what the doubt of a drop [Pa] comes from: label and inHg, largest first.

    What adds less than a twentieth of the whole is left out. Raises KeyError for a source without
    a label.
    """
    parts = sorted(estimate.sources.items(), key=lambda item: -item[1])
    said = []
    for name, u_pa in parts:
        label, doubt = SOURCES[name], figures.doubt_of_drop(u_pa)
        if doubt is not None and u_pa > 0.05 * estimate.u:
            said.append((label, doubt))
    return said


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


PROGRAM_HELP = (
    "Tell whether a vacuum-operated part holds, by how much it leaks, and how sure that is."
)
ANALYSE_SHORT_HELP = "Judge a recorded hold, from a curve that any logger wrote."
ANALYSE_HELP = """Judge a recorded hold: how fast a part lost its vacuum once the pump was shut off.

CURVE.csv is what a logger wrote: a line with the names of the columns, then one line a sample.
Needed are the columns t_s (seconds) and pressure_kpa (absolute) or vacuum_inhg (below the air of
the room); gas_temperature_c and ambient_kpa are used if they are there, others are passed over.
Above them, lines such as

\b
    # ambient_kpa: 101.1
    # gas_temperature_c: 22.0
    # volume_cc: 75.0
    # volume_u_cc: 0.75

say under what the curve was recorded: the barometer as it stands, the temperature of the air in the
hose, and the volume of hose and part together with its uncertainty. An option below takes the place
of such a line. Write its value with the unit.

Without a limit the leak is measured, not judged.

\b
Example:
    rig analyse curve.csv --from 15inHg --max-drop 1inHg --within 20s --reference-volume 45cc

Exit status: 0 pass or measured, 1 fail, 2 the options do not fit together, 3 file or value cannot
be used, 6 test spoiled, 7 too close to call. With --json an error is one JSON object, too: "error"
and "exit_status".
"""
OPTION_HELP: Mapping[str, str] = {
    "from": "Limit: the vacuum that it starts from.",
    "max_drop": "Limit: the most that a hand gauge may drop.",
    "within": "Limit: the time for that drop.",
    "reference_volume": "Volume that the drop is meant in: hand pump, hose and part.  [this run's]",
    "source": "Whose limit it is, such as a manual and its page.",
    "purpose": (
        "What for: before fitting (a verdict must be 95 % sure), for sale (99 %), or just to "
        "measure.  [before-fitting with a limit, else just-measure]"
    ),
    "ambient": "The barometer at the bench as it stands, not reduced to sea level.",
    "ambient_u": "Its standard uncertainty.  [0.2kPa]",
    "gas_temperature": "Temperature of the air in the hose.  [20degC, uncertain by 3]",
    "gas_temperature_u": "Its standard uncertainty.  [1degC]",
    "volume": "Whole test volume: hose and part together.",
    "volume_u": "Its standard uncertainty.  [5 % of it]",
    "span_u": "Standard uncertainty of the pressure sensor's span.  [1%]",
    "own_leak": "The rig's own leak, hose end capped.",
    "own_leak_u": "Its standard uncertainty.",
    "blank_off": (
        "Curve of the rig alone, hose end capped, in place of --own-leak: its rise is taken out. "
        "The conditions are those of its own lines."
    ),
    "json": "Print one JSON object instead of text.",
    "plot": "Draw the curve, what was fitted and the limit into this file.",
    "details": "Say also how noisy the curve is and in which ways it can be read.",
    "version": "Show the version and stop.",
    "help": "Show this text and stop.",
}
