"""Own what is said of backups, settings files and families; never read or lay one out."""

from collections.abc import Mapping

from rig.records import Finding

CAUTIONS: Mapping[str, str] = {
    "caution": "{text}",
    "caution_brakes": (
        "This part has to do with brakes. What a bench shows never makes it fit for the road: the "
        "service manual, local rules and licensed practice decide."
    ),
}
"""The cautions of a family, by their codes."""

FILE_KINDS: Mapping[str, str] = {
    "bench": "bench file",
    "family": "family file",
    "sheet": "spec sheet",
}
"""The files that a person writes."""

FILE_LABELS: Mapping[str, str] = {
    "record": "record",
    "board": "board",
    "pins": "pins",
    "valves": "valves",
    "outputs": "outputs",
    "inputs": "buttons",
    "channels": "channels",
    "safety": "safety",
    "can": "beyond the least",
    "make": "make",
    "limit": "limit for {test}",
    "notes": "please note",
    "does": "what it does",
    "aliases": "also called",
    "port": "port {port}",
    "variant": "kind {variant}",
    "test": "test {test}",
    "question": "confirm {question}",
    "look_over": "look for",
    "does_not_show": "not shown",
    "cautions": "take care",
}
FILE_LINES: Mapping[str, str] = {
    "sound": "{file}: a sound {kind}, {name}.",
    "one_fault": "{file} is a {kind}, and one thing is wrong with it:",
    "faults": "{file} is a {kind}, and {count} things are wrong with it:",
    "board": "at {port}, {rate_hz} frames a second, lease of the supply {lease}",
    "valve": "{name}: {pin}, {at_rest} without power",
    "output": "{name}: {pin}",
    "input": "{name}: {pin}, pressed is {pressed}",
    "channel": "{name}: {kind}, from input {input}",
    "safety": "at most {vacuum}, bath at most {bath}",
    "supply": "supply {least} to {most}",
    "can_no_more": "nothing",
    "port": "{name}: {looks}; bears {vacuum} of vacuum and {pressure} of pressure at most",
    "held_to": "limit: {limit}",
    "no_limit": "no limit is known",
    "needed": "needed {purposes}",
    "needs": "the bench needs a {means}",
    "question": "{statement} If it is otherwise: {otherwise}",
    "question_unless": "(not asked with a {means})",
    "or": " or a ",
    "and": " and ",
}

BACKUP_LINES: Mapping[str, str] = {
    "made": "Backed up and looked through: {file} ({size}).",
    "none": "No backups yet: `rig backup` makes one.",
    "ask": "Put {file} in the place of the record in {folder}?",
    "not_restored": "Nothing was changed.",
    "restored": "The record in {folder} is that of {file} now: {parts} parts, newest run {run}.",
    "aside": "What was there before is kept as {file}.",
}


def caution(finding: Finding) -> str:
    """Write a caution of a family."""
    return CAUTIONS[finding.code].format_map(finding.figures)
