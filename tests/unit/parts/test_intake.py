"""Tests of what is written down of a part when it comes in."""

import pytest

from rig.errors import InputError
from rig.parts.intake import (
    Intake,
    LookOver,
    PartCondition,
    PartNumber,
    refusal,
    refuse_bad_tag,
    tag_key,
)
from rig.records import Finding


def _intake(tag: str = "N01", family: str = "pull-off", *look_over: LookOver) -> Intake:
    unknown = PartNumber(None, "no label")
    return Intake(
        tag, family, "", unknown, unknown, "", "", PartCondition.USED, "", look_over=look_over
    )


@pytest.mark.parametrize("tag", ["N01", "7", "box-3.7", "a_b", "Ü3", "x" * 24])
def test_a_tag_that_fits_a_label_is_taken(tag: str) -> None:
    """Letters and digits of any script, and between them what file names and addresses allow."""
    refuse_bad_tag(tag)


@pytest.mark.parametrize(
    ("tag", "said"),
    [
        ("", "0 letters"),
        ("x" * 25, "25 letters"),
        ("a/b", "'/'"),
        ("a\\b", r"'\\\\'"),
        ("a b", "' '"),
        ("a\n", r"'\\n'"),
        ("a\x00b", r"'\\x00'"),
        ("a+b", r"'\+'"),
        ("#1", "'#'"),
        ("50%", "'%'"),
        ("a:b", "':'"),
        (".hidden", "begins and ends"),
        ("..", "begins and ends"),
        ("a.", "begins and ends"),
        ("-x", "begins and ends"),
        ("U\u03083", "accented"),
    ],
)
def test_a_tag_that_could_not_stand_in_a_path_or_address_is_refused(tag: str, said: str) -> None:
    """The error names what is wrong and shows how a tag looks."""
    with pytest.raises(InputError, match=said) as refused:
        refuse_bad_tag(tag)
    assert "such as N01" in str(refused.value)


def test_tags_that_a_person_takes_for_the_same_share_a_key() -> None:
    """Small and capital letters, and other forms of one letter, are no other tag."""
    assert tag_key("n01") == tag_key("N01") == tag_key("Ｎ01")
    assert tag_key("straße") == tag_key("STRASSE")
    assert tag_key("N01") != tag_key("N10")


def test_a_number_is_known_or_has_its_reason() -> None:
    """A number that cannot be read says why; nothing stands for it, and never both."""
    assert PartNumber("17 04-3").text == "17 04-3"
    assert PartNumber(None, "illegible").why_unknown == "illegible"
    for wrong in ((None, ""), (None, "  "), ("", ""), (" ", ""), ("1704", "illegible")):
        with pytest.raises(InputError, match="number"):
            PartNumber(*wrong)
    with pytest.raises(InputError, match="cannot be printed"):
        PartNumber("17\t04")


def test_an_intake_needs_tag_and_family_and_names_nothing_twice() -> None:
    """What identifies a part cannot be left out; the rest may be empty."""
    assert _intake().notes == ""
    with pytest.raises(InputError, match="is no tag"):
        _intake("a/b")
    with pytest.raises(InputError, match="family of N01"):
        _intake("N01", " ")
    with pytest.raises(InputError, match="twice"):
        _intake("N01", "pull-off", LookOver.RUST, LookOver.RUST)


REFUSED = Finding("liquid_inside", {"tag": "N01"})


@pytest.mark.parametrize(
    ("look_over", "confirmed", "answer"),
    [
        ((), (), None),
        ((LookOver.RUST, LookOver.FUEL_SMELL), (), None),
        ((LookOver.LIQUID_INSIDE,), (), REFUSED),
        ((LookOver.LIQUID_INSIDE,), ("drained",), REFUSED),
        ((LookOver.LIQUID_INSIDE,), ("purged", "nipple_clear"), REFUSED),
        ((LookOver.RUST, LookOver.LIQUID_INSIDE), ("purged", "drained"), None),
    ],
)
def test_a_part_with_liquid_inside_is_not_pulled_until_drained_and_purged(
    look_over: tuple[LookOver, ...], confirmed: tuple[str, ...], answer: Finding | None
) -> None:
    """Liquid would be drawn into the manifold; both have to be confirmed, in any order."""
    assert refusal(_intake("N01", "pull-off", *look_over), confirmed) == answer
