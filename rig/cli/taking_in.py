"""Own how the options of `rig parts add` become an intake; never keep one."""

from collections.abc import Mapping, Sequence

from rig import words
from rig.cli import layout, standings
from rig.daemon.desk import RIG_TAG, family_of
from rig.errors import InputError, UsageError
from rig.parts.family import Family
from rig.parts.intake import Intake, LookOver, PartCondition, PartNumber
from rig.toml_text import nearest


def intake_of(
    tag: str, condition: str, saw: Sequence[str], texts: Mapping[str, str | None]
) -> Intake:
    """Make the intake of a part from the texts of the options.

    Raises InputError where a text cannot stand, UsageError where two options contradict.
    """
    refuse_rig_tag(tag)
    family = family_of(texts["family"] or "")
    return Intake(
        tag=tag,
        family=family.name,
        variant=_variant(family, texts["variant"]),
        number_read=_number(texts, "number_read", "number_unreadable"),
        number_claimed=_number(texts, "number_claimed", "number_unclaimed"),
        make=texts["make"] or "",
        date_code=texts["date_code"] or "",
        condition=PartCondition(condition),
        source=texts["source"] or "",
        notes=texts["notes"] or "",
        look_over=tuple(LookOver(each) for each in saw),
    )


def refuse_rig_tag(tag: str) -> None:
    """Raise InputError for the tag of the rig's own runs."""
    if standings.is_rig(tag):
        raise InputError(f"the tag '{RIG_TAG}' is that of the rig's own runs: take another.")


def as_text(intake: Intake) -> str:
    """Say that a part was taken in, and what to mind with its kind."""
    what = standings.what_it_is((intake.family, intake.variant), in_full=True)
    cautions = map(words.caution, family_of(intake.family).cautions)
    return "\n".join(
        [
            *layout.paragraphs([words.DONE["added"].format(tag=intake.tag, what=what)]),
            "",
            *layout.labelled(layout.several(words.FILE_LABELS["cautions"], cautions)),
        ]
    )


def _variant(family: Family, name: str | None) -> str:
    if name is None and len(family.variants) == 1:
        return next(iter(family.variants))
    if name is None:
        raise InputError(
            f"which kind of {family.title} it is, --variant must say: {', '.join(family.variants)}."
            f" `rig families {family.name}` tells how to tell them apart."
        )
    if name not in family.variants:
        raise InputError(
            f"{family.title}: there is no variant '{name}'. {nearest(name, family.variants)}"
        )
    return name


def _number(texts: Mapping[str, str | None], known: str, unknown: str) -> PartNumber:
    text, why = texts[known], texts[unknown]
    if text is not None and why is not None:
        options = " and ".join(f"--{name.replace('_', '-')}" for name in (known, unknown))
        raise UsageError(f"{options} exclude each other: leave one out.")
    if text is not None:
        return PartNumber(text)
    return PartNumber(None, words.NUMBER_UNSAID if why is None else why)
