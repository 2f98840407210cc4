"""Tests of `rig words`: all that the program shows, once, in groups."""

import ast
import json
from pathlib import Path

import pytest

from rig import words
from rig.cli.main import run

FOLDER = Path(words.__file__).parent


def _texts_written() -> set[str]:
    """List every text that stands in a public constant of the words, read off their modules."""
    texts = set()
    for file in FOLDER.glob("*.py"):
        for node in ast.parse(file.read_text(encoding="utf-8")).body:
            target = node.target if isinstance(node, ast.AnnAssign) else None
            if isinstance(node, ast.Assign):
                target = node.targets[0]
            if isinstance(target, ast.Name) and target.id.isupper() and target.id[0] != "_":
                value = node.value  # type: ignore[attr-defined]
                entries = value.values if isinstance(value, ast.Dict) else [value]
                texts |= {
                    each.value
                    for each in entries
                    if isinstance(each, ast.Constant) and isinstance(each.value, str)
                }
    return texts


@pytest.fixture(name="listed")
def _listed(capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, str]]:
    assert run(["words", "--json"]) == 0
    groups: dict[str, dict[str, str]] = json.loads(capsys.readouterr().out)
    return groups


def test_no_text_is_left_out(listed: dict[str, dict[str, str]]) -> None:
    """Labels, sentences, help, outcomes: whatever stands in `rig.words` is in the list."""
    texts = {text for group in listed.values() for text in group.values()}
    written = _texts_written()
    assert len(written) > 200
    assert written - texts == set()


def test_no_text_is_listed_twice_under_one_name(listed: dict[str, dict[str, str]]) -> None:
    """What a module takes from another is listed where it is written."""
    entries = [entry for group in listed.values() for entry in group.items()]
    assert len(entries) == len(set(entries))
    assert not any(title.startswith("saying:") for title in listed)


def test_a_person_reads_the_same_list(
    listed: dict[str, dict[str, str]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Group by group, no line too wide for the screen."""
    assert run(["words"]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 96
    plain = " ".join(out.split())
    for title, group in listed.items():
        assert title in plain
        for name, text in group.items():
            assert f"{name}: {' '.join(text.split())}" in plain
