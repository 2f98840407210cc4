"""Own the JSON form of parts, standings and changes on record; never print or fetch one.

Numbers are in SI, named with their units; one that is not known is null.
"""

import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import datetime

from rig.parts.intake import Intake
from rig.parts.standing import Standing
from rig.runs import RunHeader
from rig.store.records import ChangeRecord, PartRecord
from rig.words import gap

Json = dict[str, object]


def dumped(value: object) -> str:
    """Write a value as JSON text, null for a number that is none."""
    return json.dumps(_finite(value), indent=2, allow_nan=False)


def part(it: PartRecord) -> Json:
    """Tell a part as it came in."""
    return {"tag": it.tag, "retired": it.retired, "intake": _intake(it.intake)}


def standing(it: Standing | None) -> Json | None:
    """Tell how a part stands, and why what is missing is."""
    if it is None:
        return None
    return {
        "outcome": str(it.outcome),
        "tests": {
            name: {
                "outcome": str(test.outcome),
                "run": test.run,
                "began_utc": test.began_utc.isoformat(),
            }
            for name, test in it.tests.items()
        },
        "missing": [
            {"code": each.code, "figures": dict(each.figures), "reason": gap(each)}
            for each in it.missing
        ],
    }


def header(it: RunHeader) -> Json:
    """Tell a run as a list shows it."""
    return {
        "run": it.run,
        "tag": it.tag,
        "family": it.family,
        "variant": it.variant,
        "purpose": str(it.purpose),
        "began_utc": it.began_utc.isoformat(),
        "clock_was_set": it.clock_was_set,
        "ending": None if it.ending is None else str(it.ending),
        "outcome": None if it.outcome is None else str(it.outcome),
        "tests": {name: str(outcome) for name, outcome in it.tests.items()},
        "voided": it.voided,
        "before_rebuild": it.before_rebuild,
    }


def change(it: ChangeRecord) -> Json:
    """Tell a change."""
    return {
        "change": str(it.change),
        "run": it.run,
        "before": it.before,
        "after": it.after,
        "reason": it.reason,
        "utc": it.stamp.utc.isoformat(),
        "clock_was_set": it.stamp.clock_was_set,
    }


def _intake(it: Intake | None) -> Json | None:
    if it is None:
        return None
    return {
        **{name: str(value) for name, value in dataclasses.asdict(it).items() if name in _TEXTS},
        "number_read": dataclasses.asdict(it.number_read),
        "number_claimed": dataclasses.asdict(it.number_claimed),
        "look_over": [str(seen) for seen in it.look_over],
    }


_TEXTS = ("tag", "family", "variant", "make", "date_code", "condition", "source", "notes")


def _finite(value: object) -> object:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): _finite(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(each) for each in value]
    return value
