"""Own how a part's standing is fetched from the record and written; never put one together."""

from collections.abc import Iterable
from datetime import datetime, timedelta

from rig import words
from rig.daemon.desk import RIG_TAG, family_of
from rig.errors import InputError
from rig.parts.family import Family, Variant
from rig.parts.intake import tag_key
from rig.parts.planning import required_tests
from rig.parts.standing import Standing, standing
from rig.procedure.planned import SELF_TEST
from rig.records import Outcome, Purpose
from rig.runs import RunHeader
from rig.store.records import PartRecord

MAX_AGE_DAYS = 365


def is_rig(tag: str) -> bool:
    """Tell whether a tag is that of the rig's own runs."""
    return tag_key(tag) == tag_key(RIG_TAG)


def kind_of(part: PartRecord, runs: Iterable[RunHeader]) -> tuple[str, str] | None:
    """Get family and variant of a part: from its intake, else from its newest run."""
    if part.intake is not None:
        return part.intake.family, part.intake.variant
    newest = next(iter(runs), None)
    return None if newest is None else (newest.family, newest.variant)


def known_kind(kind: tuple[str, str] | None) -> tuple[Family, Variant] | None:
    """Find family and variant by their names; None where this program does not know them."""
    if kind is None:
        return None
    try:
        family = family_of(kind[0])
    except InputError:
        return None
    variant = family.variants.get(kind[1])
    return None if variant is None else (family, variant)


def standing_of(
    part: PartRecord,
    runs: tuple[RunHeader, ...],
    purpose: Purpose,
    now_utc: datetime,
    max_age_days: int,
) -> Standing | None:
    """Put together how a part stands for a purpose; None where its kind is not known."""
    if is_rig(part.tag):
        required: tuple[str, ...] = (SELF_TEST.name,)
    else:
        known = known_kind(kind_of(part, runs))
        if known is None:
            return None
        required = required_tests(known[1], purpose)
    return standing(runs, required, now_utc, timedelta(days=max_age_days))


def in_short(stands: Standing | None, now_utc: datetime) -> str:
    """Write a standing in one line: its word, and how old its newest test is."""
    if stands is None:
        return words.NOT_KNOWN
    said = words.OUTCOMES[stands.outcome]
    if stands.outcome is Outcome.NOT_TESTED and stands.missing:
        return f"{said} ({words.gap(stands.missing[0])})"
    newest = max((test.began_utc for test in stands.tests.values()), default=None)
    return said if newest is None else f"{said}, {words.ago(newest, now_utc)}"


def what_it_is(kind: tuple[str, str] | None, *, in_full: bool) -> str:
    """Name a part's kind as a person calls it; by its family's name where that is not known."""
    known = known_kind(kind)
    if known is not None:
        family, variant = known
        return f"{family.title}, {variant.title}" if in_full else family.title
    return words.NOT_KNOWN if kind is None else ", ".join(name for name in kind if name)
