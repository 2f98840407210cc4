"""Own what is said at the bench: prompts, what a test found, faults; never decide when."""

from collections.abc import Mapping

STATES: Mapping[str, str] = {
    "ready": "ready",
    "zeroing": "zeroing",
    "pulling": "pulling",
    "settling": "settling",
    "holding": "holding",
    "venting": "venting",
    "finished": "finished",
    "stopped": "stopped",
    "tripped": "tripped",
}

ENDINGS: Mapping[str, str] = {
    "finished": "finished",
    "stopped": "stopped after a step",
    "aborted": "aborted",
    "tripped": "ended by a fault",
    "interrupted": "interrupted: the program ended in mid-run",
}

QUANTITIES: Mapping[str, str] = {
    "ambient": "air of the room",
    "rest_volume": "volume at rest",
    "stop_volume": "volume on the stop",
    "stroke": "taken up by the stroke",
    "reference_volume": "stated in a volume of",
    "manifold_leak": "manifold alone, this run",
    "leak": "leak",
    "leak_at_least": "leak, at least",
    "equivalent_drop": "on a hand gauge",
    "observed_drop": "dial and stopwatch",
    "start_vacuum": "held from",
    "end_vacuum": "held to",
    "hold": "held for",
    "decided_at": "clear after",
    "own_leak": "the rig's own leak",
    "rig_volume": "volume of manifold and hose",
    "vent_opens": "vent by command",
    "lease_withdrawn": "vent by the lease",
}
"""What a test measured, as a table names it."""

CAUSES: Mapping[str, str] = {
    "disk_full": "the disk is full",
    "locked": "another program holds the record",
    "write_error": "the disk refused a write",
    "read_only": "it may only be read",
    "damaged": "the record is damaged",
    "stalled": "the disk does not answer",
    "internal": "a fault of the program, see its log",
    "not_pulled": "the manifold was not pulled far enough",
    "leaks_too_fast": "it leaks, or its rubber gives, too fast for that",
    "pulled_too_far": "the pull went too far for it",
    "no_room": "there is too little room between the test's vacuum and the most allowed",
    "too_few_readings": "too few readings came",
}
"""Why something could not be done, inside a sentence."""

SENTENCES: Mapping[str, str] = {
    # prompts
    "prompt_wait": "Leave pump, hose and part alone.",
    "prompt_pump": (
        "Pump to {target_pa}: steady strokes, until the rig shuts the pump off. Fingers clear of "
        "the rod."
    ),
    "prompt_pump_gently": (
        "Pump once, slowly: only {target_pa} is wanted, and the rig shuts the pump off there."
    ),
    "prompt_reseat": (
        "Fingers clear of the rod: it is vented now. Take the hose off the nipple, look at both, "
        "push it home again and press mark."
    ),
    "prompt_cap_hose": "Take the part off, cap the hose end tightly and press mark.",
    "prompt_strokes_against_shut": (
        "Give the hand pump three full strokes: the pump valve is shut, and the gauge must not "
        "move. Then press mark."
    ),
    "prompt_syringe_in": (
        "Put the syringe on the hose end where a part goes, its plunger fully in, and press mark."
    ),
    "prompt_syringe": "Draw the plunger to {volume_m3}, hold it there and press mark.",
    "prompt_fingers_clear": "Venting: a sprung rod snaps back. Fingers clear.",
    # what a run found besides its hold
    "vented_unsteady": (
        "Vented, the gauge still moved by {moved_pa}: wait until nothing blows on hose or sensor, "
        "then repeat."
    ),
    "vent_blocked": (
        "Vented, the rig reads {ambient_pa} where it last read {last_pa}: look for a blocked vent "
        "or its filter, then repeat. If the rig was carried to another height, run the self-test."
    ),
    "volume_not_measured": (
        "The part's volume on its stop could not be measured ({cause}): it was taken from its "
        "volume at rest, or from what parts of its kind have."
    ),
    "rest_not_measured": (
        "The part's volume at rest could not be measured ({cause}): its stroke is not known."
    ),
    "test_cut_short": (
        "The run ended before this test was through: what was recorded judges nothing. Repeat it."
    ),
    "own_leak_large": (
        "With the hose end capped the rig itself leaks {leak}: above {most_m3_s} no tight part can "
        "be judged. Look for the leak in cap, hose, fittings and valves."
    ),
    "part_not_proved": (
        "Without a part valve nothing shows that air came from the part: a blocked nipple holds, "
        "too. Look that the rod moves."
    ),
    "nothing_behind": (
        "There is nothing behind this nipple: it takes in no more air than a cap. Probe it for "
        "paint, dirt or a cap that was left on, say that it is clear, and repeat."
    ),
    "passage_blocked": (
        "Clear at the nipple, and still nothing behind it takes in air: the passage is blocked."
    ),
    "source_too_weak": (
        "Even the manifold alone could not be pulled to {target_pa}: repeat with a better pump, "
        "and look at the pump hose. This says nothing about the part."
    ),
    "target_not_reached_no_valve": (
        "{target_pa} was not reached, and without a part valve hose, pump and part cannot be told "
        "apart: reseat the hose and repeat; then run the self-test."
    ),
    "leaks_more_than_pumped": (
        "With the hose put on again the part still lets in more air than the pump draws: it never "
        "reached {target_pa}, and the manifold alone did."
    ),
    "runs_down_again": (
        "With the hose put on again the vacuum ran all the way down once more: the part lets the "
        "air in."
    ),
    "pulls_fall": (
        "The second pull lost clearly less than the first: something settles or dries. A leak "
        "would have lost the same. Vent, wait, and pull once more."
    ),
    "pulls_repeat": (
        "Two pulls ran far down, and a dial read {drop_pa} of each: settling shrinks, a leak "
        "repeats."
    ),
    "connections_agree": "A second connection of the hose gave the same answer.",
    "connections_disagree": (
        "The first connection of the hose failed the part, the second did not: look at hose and "
        "nipple, and repeat."
    ),
    "second_connection_missing": (
        "A fail this close to the limit needs a second connection of the hose that agrees, and "
        "there was none: repeat."
    ),
    "vent_slow": (
        "After {timeout_s} of venting the gauge was not back: look at the vent and its filter."
    ),
    "not_seen_to_return": (
        "The reading did not come back when the rig was vented, and has no noise by which a "
        "frozen one could be known: look at vent and sensor, and repeat."
    ),
    "zero_moved": "Vented again, the gauge was {moved_pa} from where it began.",
    "no_hold_made": "The run ended before its hold: there is nothing to judge. Repeat it.",
    "no_self_test": (
        "No self-test is on record: the rig's own leak is not taken off. Run `rig selftest`."
    ),
    "self_test_old": (
        "The last self-test is {days} days old: the rig's own leak may have changed since. Run "
        "`rig selftest`."
    ),
    "rig_volume_assumed": (
        "The rig's own volume was never measured: {volume_m3} was taken, and the leak is as "
        "uncertain as that. Run `rig selftest --syringe`."
    ),
    # the rig itself
    "self_test_passed": "Valves, sensors and lease did what they must.",
    "blank_not_reached": (
        "With the hose end capped {target_pa} was not reached: look at cap, pump and pump valve."
    ),
    "vent_does_not_open": (
        "The vent did not let the vacuum out within {timeout_s}: look at its valve and filter. Run "
        "nothing until it does."
    ),
    "lease_does_not_drop": (
        "Without heartbeats the vent stayed shut for {timeout_s}: the supply relay does not drop. "
        "Run nothing until it does."
    ),
    "pump_valve_does_not_shut": (
        "Strokes against the shut pump valve drew {drawn_pa}: it lets air through. Clean or "
        "replace it."
    ),
    "part_valve_does_not_shut": (
        "The part valve does not shut: what stood behind it was vented with the rig. Clean or "
        "replace it; until then no volume of a part can be measured."
    ),
    "sensors_disagree": (
        "Vented, {channel} reads {apart_pa} away from p_a: calibrate it, or look whether its port "
        "is free."
    ),
    "own_leak_changed": (
        "The rig's own leak was {before_m3_s} at the last self-test and is {now_m3_s} now."
    ),
    "rig_volume_unusable": "The syringe's steps give no volume: {what}",
    # what the operator and the engine did
    "marked": "Mark pressed.",
    "stop_asked": "Stop after this step was asked for.",
    "run_stopped": "Stopped after a step, as asked: what was recorded is kept, and judges nothing.",
    "run_aborted": "Aborted: what was recorded is kept, and judges nothing.",
    "run_interrupted": (
        "The program ended in the midst of this run: what was recorded is kept, and there is no "
        "verdict. Repeat it."
    ),
    "not_begun": "The run did not begin: {what}.",
    # the part and its record
    "caution": "{text}",
    "caution_brakes": (
        "Brakes are safety-critical: what a bench says of this part never makes it fit for the "
        "road."
    ),
    "liquid_inside": (
        "{tag} had liquid inside: drain it, purge it with air, and say that both were done."
    ),
    "standing_never_tested": "{test}: never tested.",
    "standing_none_valid": "{test}: no valid test; the last was run {run}. Repeat it.",
    "standing_before_rebuild": (
        "{test}: last tested in run {run}, before the part was rebuilt. Repeat it."
    ),
    "standing_age_unknown": (
        "{test}: how old run {run} is cannot be told; the clock was not set. Set it, or repeat the "
        "test."
    ),
    "standing_too_old": (
        "{test}: run {run} is {age_days} days old; at most {max_age_days} count. Repeat it."
    ),
    "move_refused": "A valve was not moved: {what}",
    "internal_fault": "Something that was not foreseen stopped the run: {what}",
}

LIVE: Mapping[str, str] = {
    "venting": "Venting: fingers clear.",
    "target": "to",
    "keys": 'Enter: mark.  "stop": stop after this step.  "abort", or Ctrl-C: at once.',
    "no_post_stop": (
        "This run is outside the service: if this program is killed, only the lease of the "
        "supply lets the valves go."
    ),
    "serving": "The rig is at work. Its door for other programs: {address}",
    "stopped": "The rig has stopped; its outputs are at rest.",
    "at_rest": "All outputs are at rest.",
    "dry_run": "What the test will do, step by step. Nothing moves now.",
}
"""What stands in the terminal while a run is made."""
