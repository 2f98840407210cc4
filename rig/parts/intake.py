"""Own what is written down of a part when it comes in; never judge it, and never store it."""

import unicodedata
from dataclasses import dataclass
from enum import StrEnum

from rig.errors import InputError
from rig.records import Finding

MOST_TAG_LETTERS = 24
_BESIDE_LETTERS = "-_."
"""What a tag may hold beside letters and digits: it becomes part of file names and addresses."""

DRAINED = "drained"
PURGED = "purged"
"""What an operator confirms before a part that held liquid is pulled: codes of a run's plan."""


class PartCondition(StrEnum):
    """In which condition a part comes in."""

    USED = "used"
    OLD_STOCK = "old_stock"
    REBUILT = "rebuilt"
    NEW = "new"


class LookOver(StrEnum):
    """What can be seen, smelt or felt of a part before anything is connected to it."""

    CRACKED_NIPPLE = "cracked_nipple"
    PAINTED_NIPPLE = "painted_nipple"
    LIQUID_INSIDE = "liquid_inside"
    FUEL_SMELL = "fuel_smell"
    RUST = "rust"
    STIFF_BY_HAND = "stiff_by_hand"
    FOREIGN_BALL_IN_NIPPLE = "foreign_ball_in_nipple"


@dataclass(frozen=True)
class PartNumber:
    """A number of a part: its text, or None with the reason why there is none.

    Raises InputError unless it has just one of the two.
    """

    text: str | None
    why_unknown: str = ""

    def __post_init__(self) -> None:
        if self.text is None:
            _refuse_unprintable(self.why_unknown, "the reason why a number is unknown")
        else:
            _refuse_unprintable(self.text, "a part number")
            if self.why_unknown:
                raise InputError(
                    f"the part number '{self.text}' comes with a reason why it is unknown"
                    f" ('{self.why_unknown}'): give one of the two."
                )


@dataclass(frozen=True)
class Intake:
    """A part as it came in.

    `number_read` is what the part itself shows, `number_claimed` what whoever brought it says.
    `make`, `date_code`, `source` and `notes` may be empty.

    Raises InputError when the tag cannot be one, a name is missing, or something was seen twice.
    """

    tag: str
    family: str
    variant: str
    number_read: PartNumber
    number_claimed: PartNumber
    make: str
    date_code: str
    condition: PartCondition
    source: str
    notes: str = ""
    look_over: tuple[LookOver, ...] = ()

    def __post_init__(self) -> None:
        refuse_bad_tag(self.tag)
        _refuse_unprintable(self.family, f"the family of {self.tag}")
        if len(set(self.look_over)) != len(self.look_over):
            raise InputError(f"the look-over of {self.tag} names something twice: name it once.")


def refuse_bad_tag(tag: str) -> None:
    """Raise InputError when a tag cannot stand on a label, in a file name and in an address."""
    allowed = (
        f"A tag is 1 to {MOST_TAG_LETTERS} letters and digits, '-', '_' and '.' between them, "
        "such as N01 or box-3.7."
    )
    if not 1 <= len(tag) <= MOST_TAG_LETTERS:
        raise InputError(f"'{tag}' is no tag: it has {len(tag)} letters. {allowed}")
    if tag != unicodedata.normalize("NFC", tag):
        raise InputError(f"'{tag}' is no tag: type its accented letters as one. {allowed}")
    for letter in tag:
        if not (letter.isalnum() or letter in _BESIDE_LETTERS):
            raise InputError(f"'{tag}' is no tag: {letter!r} cannot stand in one. {allowed}")
    if not (tag[0].isalnum() and tag[-1].isalnum()):
        raise InputError(f"'{tag}' is no tag: it begins and ends with a letter or digit. {allowed}")


def tag_key(tag: str) -> str:
    """Return what two tags share that a person would take for the same: n01 and N01."""
    return unicodedata.normalize("NFKC", tag).casefold()


def refusal(intake: Intake, confirmed: tuple[str, ...]) -> Finding | None:
    """Find out what forbids to pull a part: liquid inside that was not drained and purged.

    `confirmed` holds the codes that the operator confirmed, as in a run's plan.
    """
    if LookOver.LIQUID_INSIDE not in intake.look_over or {DRAINED, PURGED} <= set(confirmed):
        return None
    return Finding("liquid_inside", {"tag": intake.tag})


def _refuse_unprintable(text: str, what: str) -> None:
    if not text.strip():
        raise InputError(f"{what} is missing: write it, or why it is not known.")
    if not text.isprintable():
        raise InputError(f"{what} holds something that cannot be printed: {text!r}.")
