"""Own what is said of a recorded hold: outcomes, kinds, sentences; never decide which is said.

A sentence is a template; `rig.words.saying` writes its figures.
"""

from collections.abc import Mapping

from rig.records import Outcome, Purpose

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
