"""Own the list of the parts on record, for a person and for a program; never print it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rig import words
from rig.cli import layout, plain, standings
from rig.cli.places import system_clock
from rig.parts.intake import Intake
from rig.parts.standing import Standing
from rig.records import Purpose
from rig.store.records import PartRecord
from rig.store.store import Store


@dataclass(frozen=True)
class Wanted:
    """What a part is to stand for, and for how many days a test counts."""

    purpose: Purpose
    max_age_days: int


@dataclass(frozen=True)
class Listed:
    """A part with its kind, if known, and how it stands at the moment `now_utc`."""

    part: PartRecord
    kind: tuple[str, str] | None
    stands: Standing | None
    now_utc: datetime


def listed(store: Store, wanted: Wanted) -> tuple[Listed, ...]:
    """Read all parts, the rig itself left out, with how they stand now."""
    now_utc = system_clock().utc()
    return tuple(
        one_listed(store, part, wanted, now_utc)
        for part in store.parts()
        if not standings.is_rig(part.tag)
    )


def one_listed(store: Store, part: PartRecord, wanted: Wanted, now_utc: datetime) -> Listed:
    """Read how one part stands."""
    runs = store.runs_of(part.tag)
    stands = standings.standing_of(part, runs, wanted.purpose, now_utc, wanted.max_age_days)
    return Listed(part, standings.kind_of(part, runs), stands, now_utc)


def as_json(parts: Sequence[Listed], wanted: Wanted) -> plain.Json:
    """Tell the parts to a program."""
    return {
        "purpose": str(wanted.purpose),
        "max_age_days": wanted.max_age_days,
        "parts": [
            {**plain.part(each.part), "standing": plain.standing(each.stands)} for each in parts
        ],
    }


def as_text(parts: Sequence[Listed]) -> str:
    """List the parts for a person."""
    if not parts:
        return words.NO_PARTS
    head = [words.PART_LABELS[name] for name in ("tag", "part", "number", "condition", "standing")]
    return "\n".join(layout.table([head, *map(_row, parts)]))


def _row(each: Listed) -> list[str]:
    intake = each.part.intake
    return [
        each.part.tag,
        standings.what_it_is(each.kind, in_full=False),
        words.NOT_KNOWN if intake is None else _number(intake),
        _condition(each.part),
        standings.in_short(each.stands, each.now_utc),
    ]


def _number(intake: Intake) -> str:
    if intake.number_read.text is not None:
        return intake.number_read.text
    claimed = intake.number_claimed.text
    return words.NOT_KNOWN if claimed is None else f"{claimed} ({words.CLAIMED})"


def _condition(part: PartRecord) -> str:
    condition = "" if part.intake is None else words.PART_CONDITIONS[part.intake.condition]
    retired = "" if part.retired is None else words.PART_LABELS["retired"]
    return ", ".join(each for each in (condition, retired) if each) or words.NOT_KNOWN
