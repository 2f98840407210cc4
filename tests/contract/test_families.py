"""Tests of every family file that is shipped: it loads, warns, and claims no maker's figures."""

import re

import pytest

from rig.parts.families import shipped_families
from rig.parts.family import Family
from rig.parts.family_file import read_family
from tests.contract.tree import texts

FAMILIES = {name: read_family(text, name) for name, text in shipped_families().items()}
FOLDER = "rig/parts/families/"


def _said(family: Family) -> list[str]:
    """List every text of a family that a person may read."""
    said = [family.title, family.does, *family.aliases, *family.file_cautions]
    said += family.does_not_show
    for port in family.ports.values():
        said += [port.name, port.looks]
    for variant in family.variants.values():
        said += [variant.title, variant.tell]
        for question in variant.questions:
            said += [question.statement, question.otherwise]
        for test in variant.tests.values():
            nouns = (test.nouns.part, test.nouns.port, test.nouns.moving or "-")
            said += [test.title, *nouns]
    return said


def _cautions(family: Family) -> str:
    return " ".join(family.file_cautions)


def test_every_family_file_of_the_project_is_shipped() -> None:
    """What lies in the folder is what the installed program finds."""
    files = texts(".toml", under=FOLDER)
    assert {f"{FOLDER}{name}.toml": text for name, text in shipped_families().items()} == files
    assert "choke_pull_off" in FAMILIES


@pytest.mark.parametrize("name", FAMILIES)
def test_the_cautions_stand_where_the_hand_is(name: str) -> None:
    """What moves can pinch, fuel vapour can ignite, and the manual and local rules come first."""
    family = FAMILIES[name]
    said = _cautions(family)
    assert re.search(r"service manual, local rules and licensed practice", said)
    for variant in family.variants.values():
        for test in variant.tests.values():
            moving = test.nouns.moving
            assert moving is None or f"fingers clear of the {moving}" in said
    assert not family.fuel_vapour or re.search(r"vapour.*ventilate", said)


def test_a_pull_off_warns_of_what_hurts_it_and_you() -> None:
    """Snapping rod, fuel residue, and the solvent that kills the rubber."""
    said = _cautions(FAMILIES["choke_pull_off"])
    assert "snaps back" in said
    assert "Fuel residue" in said
    assert "Solvent kills the rubber" in said
    assert FAMILIES["choke_pull_off"].fuel_vapour


@pytest.mark.parametrize("name", FAMILIES)
def test_every_figure_is_marked_as_the_rigs_own(name: str) -> None:
    """No shipped limit, maximum or volume passes for a maker's specification."""
    family = FAMILIES[name]
    assert all(port.source.is_rig_default for port in family.ports.values())
    for variant in family.variants.values():
        for test in variant.tests.values():
            assert test.limit is None or test.limit.source.is_rig_default


@pytest.mark.parametrize("name", FAMILIES)
def test_every_text_is_plain_and_promises_nothing(name: str) -> None:
    """Trade words in plain letters: no acronyms, no traffic lights, no claims, no bypassing."""
    banned = (
        r"\b(legal|compliant|complies|roadworthy|guarantee\w*|warrant\w*|certified|red|green|amber"
        r"|plug it|bypass\w*|device under test|leg|OK|(?<!a )check(?! valve)\w*)\b"
    )
    for text in _said(FAMILIES[name]):
        assert text.isascii(), text
        assert not re.search(banned, text), text
        assert not re.search(r"\b[A-Z]{2,}\b", text), text


@pytest.mark.parametrize("name", FAMILIES)
def test_sentences_are_whole_and_names_are_not(name: str) -> None:
    """Cautions, questions and what tells a variant are sentences; names stand within others."""
    family = FAMILIES[name]
    sentences = [family.does, *family.file_cautions]
    names = [family.title, *family.aliases, *family.does_not_show]
    for variant in family.variants.values():
        sentences += [variant.tell]
        names += [variant.title, *(test.title for test in variant.tests.values())]
        for question in variant.questions:
            sentences += [question.statement, question.otherwise]
    assert [text for text in sentences if not re.fullmatch(r"[A-Z].*\.", text)] == []
    assert [text for text in names if not re.fullmatch(r"[a-z].*[a-z0-9)]", text)] == []


@pytest.mark.parametrize("name", FAMILIES)
def test_no_two_names_of_a_family_are_the_same(name: str) -> None:
    """An alias is another name, to be found by."""
    names = [FAMILIES[name].title, *FAMILIES[name].aliases]
    assert len({each.casefold() for each in names}) == len(names)
