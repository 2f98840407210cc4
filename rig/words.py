"""Own every sentence and label that the program shows; never decide which one to show.

A sentence is a template. Its figures arrive in SI, named with their units, and are written here in
the units of the trade: a name's ending says how (`_pa` in inHg, `_s` in seconds, and so on).
"""

from collections.abc import Mapping

from rig.records import Estimate, Finding, Outcome
from rig.units import ZERO_CELSIUS_K, Kind, format_quantity

COVERAGE_FACTOR = 1.96
"""What is said as "give or take" is this many standard uncertainties: 19 runs in 20."""

OUTCOMES: Mapping[Outcome, str] = {
    Outcome.PASS: "pass",
    Outcome.FAIL: "fail",
    Outcome.UNDECIDED: "too close to call",
    Outcome.INVALID: "test spoiled",
    Outcome.NOT_TESTED: "not tested",
    Outcome.MEASURED: "measured",
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
        "{hold_s} of hold that is too close to call ({sure} sure that it is within). Hold longer, "
        "or vent and pull a second time."
    ),
    "fixed_uncertainty_blocks": (
        "Holding longer will not settle it: most of the doubt comes from {largest_source}. {remedy}"
    ),
    "settling_not_identified": (
        "The gauge was still settling, with a time constant of about {time_constant_s}, when the "
        "hold of {hold_s} ended. Hold for at least {three_time_constants}, then pull a second time."
    ),
    "candidates_disagree": (
        "The curve can be read as a leak or as settling, and the two give different answers. Hold "
        "longer, then vent and pull a second time: settling shrinks, a leak repeats."
    ),
    "hold_too_short": (
        "The hold lasted {hold_s}; at least {least_s} after the last stroke are needed. Hold "
        "longer."
    ),
    "measured": "The part leaks {leak}. This was a measurement, not a judgement.",
    "not_told_from_zero": (
        "No leak can be told from none: it is {leak_at_most}. This was a measurement, not a "
        "judgement."
    ),
    "decided_early": "The answer was clear {time_s} into the hold ({probability} sure).",
    # what the curve showed
    "settling_found": (
        "{rise_pa} of what the gauge lost over the hold is settling, not leak: {settling_kind}."
    ),
    "mostly_settling": "{share} of what the gauge lost is settling, not leak.",
    "leaks_to_ambient": (
        "The gauge ran all the way down within {time_s}, as it does through a large leak. Reseat "
        "the hose and repeat once, to be sure that it is the part."
    ),
    "leak_grew": (
        "From {time_s} on the leak grew. Repeat, and watch whether it grows again at the same "
        "vacuum."
    ),
    "jump_split": (
        "At {time_s} the vacuum jumped by {step_size}, as when a seat pops or a rod sticks; only "
        "{first_s} to {last_s} was judged. Repeat, and watch the part."
    ),
    "wild_samples": "{count} wild reading{count_s} left out.",
    "frames_lost_tolerated": (
        "No readings came for {lasting_s} from {time_s} on; the rest was enough to go by."
    ),
    "gas_warmed": "The gas {warmed} by {change_k} during the hold; that is taken out.",
    "drift_allowed": (
        "No gas temperature was recorded, so a drift of {k_per_min} a minute either way is allowed "
        "for."
    ),
    "law_matters": "Not knowing the kind of leak adds {leak_u} of doubt.",
    "extrapolated": (
        "The hold ran at {vacuum_held_pa} and the limit starts from {vacuum_limit_pa}; the leak is "
        "carried over, and the doubt of that is counted."
    ),
    "dial_misled": (
        "A dial and stopwatch on this run would have read {drop_pa} and said {says}: they cannot "
        "tell a leak from settling, nor one volume from another."
    ),
    # spoiled tests: they never say anything about the part
    "hose_off": (
        "At {time_s} the vacuum that had held fell away to atmosphere, as when a hose comes off. "
        "That says nothing about the part: reseat the hose and repeat."
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
        "At {time_s} the vacuum rose, as with another stroke of the pump. Repeat, and leave the "
        "pump alone once the hold has begun."
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
    # what was taken because nobody said
    "volume_u_assumed": (
        "No uncertainty of the test volume was given: {volume_u_m3} (5 %) is taken. Give it with "
        "--volume-u."
    ),
    "gas_temperature_assumed": (
        "No gas temperature was given: {gas_temperature_k} is taken, give or take "
        "{gas_temperature_give_k}. Give it with --gas-temperature."
    ),
    "reference_volume_assumed": (
        "No reference volume was given: the drop is that in this run's own {volume_m3}."
    ),
    "start_vacuum_taken": "No limit was given: the drop is that from the {vacuum_pa} held.",
}
"""The sentence of every finding, by its code."""


def sentence(finding: Finding) -> str:
    """Return the sentence of a finding, its figures in the units of the trade.

    Raises KeyError for a code without a sentence, or where a figure of the sentence is missing.
    """
    template = SENTENCES[finding.code]
    said = {name: _figure(name, value) for name, value in finding.figures.items()}
    return template.format_map(said | _derived(finding.figures))


def _figure(name: str, value: float | str) -> str:
    if isinstance(value, str):
        words = _WORDS_OF.get(name)
        return value if words is None else words[value]
    for ending, write in _WRITE.items():
        if name.endswith(ending):
            return write(value)
    return f"{value:g}"


def _derived(figures: Mapping[str, float | str]) -> dict[str, str]:
    """Write the figures that are made of more than one, or stand in more than one way."""
    said: dict[str, str] = {}
    number = {name: value for name, value in figures.items() if not isinstance(value, str)}
    if "drop_pa" in number and "u_pa" in number:
        said["drop"] = drop(number["drop_pa"], number["u_pa"])
    if "leak_m3_s" in number and "u_m3_s" in number:
        said["leak"] = flow(number["leak_m3_s"], number["u_m3_s"])
        said["leak_at_most"] = _at_most(
            number["leak_m3_s"], number["u_m3_s"], Kind.FLOW, FLOW_UNIT
        )
    elif "u_m3_s" in number:
        said["leak_u"] = _plain(COVERAGE_FACTOR * number["u_m3_s"], Kind.FLOW, FLOW_UNIT)
    if "probability" in number:
        said["sure"] = sure(number["probability"])
        said["sure_not"] = sure(1.0 - number["probability"])
    if "time_constant_s" in number:
        said["three_time_constants"] = seconds(3.0 * number["time_constant_s"])
    if "step_pa" in number:
        said["step_size"] = inhg(abs(number["step_pa"]))
    if "change_k" in number:
        said["warmed"] = "warmed" if number["change_k"] > 0.0 else "cooled"
        said["change_k"] = _kelvins(abs(number["change_k"]))
    if "count" in number:
        said["count_s"] = " was" if number["count"] == 1 else "s were"
    if "gas_temperature_u_k" in number:
        said["gas_temperature_give_k"] = _kelvins(COVERAGE_FACTOR * number["gas_temperature_u_k"])
    if "largest_source" in figures:
        said["remedy"] = REMEDIES[str(figures["largest_source"])]
    if "kind" in figures:
        said["settling_kind"] = SETTLINGS[str(figures["kind"])]
    return said


FLOW_UNIT = "cm3/min ANR"


def inhg(value_pa: float) -> str:
    """Write a vacuum, or a difference of pressures, given in Pa: 1.2 inHg."""
    return _plain(value_pa, Kind.VACUUM, "inHg")


def seconds(value_s: float) -> str:
    """Write a time given in seconds: 12.4 s."""
    return _plain(value_s, Kind.TIME, "s")


def volume(value_m3: float) -> str:
    """Write a volume given in m3: 45 cm3."""
    return _plain(value_m3, Kind.VOLUME, "cm3")


def percent(share: float) -> str:
    """Write a share of one: 42 %."""
    return _plain(share, Kind.SHARE, "%")


def sure(probability: float) -> str:
    """Write how sure something is, never as certain or impossible: 97.4 %."""
    if probability > 0.999:
        return "more than 99.9 %"
    if probability < 0.001:
        return "less than 0.1 %"
    return f"{100.0 * probability:.1f} %"


def drop(value_pa: float, u_pa: float) -> str:
    """Write a drop with its doubt, in inHg; one that cannot be told from none as a bound."""
    if value_pa < COVERAGE_FACTOR * u_pa:
        return _at_most(value_pa, u_pa, Kind.VACUUM, "inHg")
    return _give_or_take(value_pa, u_pa, Kind.VACUUM, "inHg")


def flow(value_m3_s: float, u_m3_s: float) -> str:
    """Write a leak with its doubt, in standard cm3/min."""
    if value_m3_s < COVERAGE_FACTOR * u_m3_s:
        return _at_most(value_m3_s, u_m3_s, Kind.FLOW, FLOW_UNIT)
    return _give_or_take(value_m3_s, u_m3_s, Kind.FLOW, FLOW_UNIT)


def doubt_by_source(estimate: Estimate) -> list[tuple[str, str]]:
    """List what the doubt of a drop [Pa] comes from: label and inHg, largest first.

    What adds less than a twentieth of the whole is left out. Raises KeyError for a source without
    a label.
    """
    parts = sorted(estimate.sources.items(), key=lambda item: -item[1])
    return [
        (SOURCES[name], _rounded(COVERAGE_FACTOR * u_pa, Kind.VACUUM, "inHg", u_pa))
        for name, u_pa in parts
        if u_pa > 0.05 * estimate.u
    ]


def _plain(value_si: float, kind: Kind, unit: str) -> str:
    return format_quantity(value_si, kind, unit)


def _give_or_take(value_si: float, u_si: float, kind: Kind, unit: str) -> str:
    wide = COVERAGE_FACTOR * u_si
    value = _rounded(value_si, kind, unit, wide)
    return f"{value}, give or take {_rounded(wide, kind, unit, wide).removesuffix(unit).strip()}"


def _at_most(value_si: float, u_si: float, kind: Kind, unit: str) -> str:
    bound = max(value_si, 0.0) + COVERAGE_FACTOR * u_si
    return f"at most {_rounded(bound, kind, unit, COVERAGE_FACTOR * u_si)}"


def _rounded(value_si: float, kind: Kind, unit: str, wide_si: float) -> str:
    """Write a value to the place that its doubt `wide_si` supports: one digit of it, two if small.

    Two digits of a doubt that begins with 1 or 2 and one digit of others lose at most a sixth of it.
    """
    if wide_si <= 0.0:
        return format_quantity(value_si, kind, unit)
    leading = f"{format_quantity(wide_si, kind, unit, wide_si)}".lstrip("0.")[0]
    return format_quantity(value_si, kind, unit, wide_si if leading in "12" else 10.0 * wide_si)
