"""Tests of `rig backup` and `rig restore` as a person meets them: asked, refused, told."""

import json
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from rig.cli.main import INTERRUPTED, run
from tests.unit.cli.shop_record import make_record

Rig = Callable[..., tuple[int, str, str]]


@pytest.fixture(name="rig")
def _rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Rig:
    """Run one command line over the record of the shop."""
    make_record(tmp_path)

    def rig(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        status = run([*arguments, "--data", str(tmp_path)])
        said = capsys.readouterr()
        return status, said.out, said.err

    return rig


def test_a_backup_is_made_named_and_listed(rig: Rig, tmp_path: Path) -> None:
    """The newest first, each with its size."""
    assert rig("backup", "--list")[:2] == (0, "No backups yet: `rig backup` makes one.\n")
    made = [json.loads(rig("backup", "--json")[1]) for _ in range(2)]
    assert [Path(each["file"]).parent for each in made] == [tmp_path / "backups"] * 2
    assert made[0]["bytes"] == Path(made[0]["file"]).stat().st_size
    assert json.loads(rig("backup", "--list", "--json")[1]) == {"backups": made[::-1]}
    assert rig("backup", "--list")[1].splitlines() == [each["file"] for each in made[::-1]]
    assert rig("backup")[1].startswith(f"Backed up and looked through: {tmp_path}/backups/record-")


def test_a_restored_record_is_that_of_the_backup(rig: Rig, tmp_path: Path) -> None:
    """What came after is kept aside; parts and newest run are told; the name alone will do."""
    backup = json.loads(rig("backup", "--json")[1])["file"]
    rig("parts", "rename", "N01", "N77", "--reason", "label lost")
    status, out, err = rig("restore", Path(backup).name, "--yes", "--json")
    told = json.loads(out)
    assert (status, err) == (0, "")
    assert (told["restored"], told["parts"], told["newest_run"]) == (backup, 4, 5)
    assert Path(told["set_aside"]).is_file()
    assert "N01  " in rig("parts")[1]
    status, out, _ = rig("restore", backup, "--yes")
    assert status == 0
    assert out.startswith(
        f"The record in {tmp_path} is that of {backup} now: 4 parts, newest run 5.\n"
    )
    assert "What was there before is kept as " in out


@pytest.mark.parametrize("agreed", [False, True])
def test_nothing_is_replaced_without_a_yes(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, agreed: bool
) -> None:
    """The question names both; a no changes nothing."""
    asked = []

    def confirm(text: str, **_: object) -> bool:
        asked.append(text)
        return agreed

    backup = json.loads(rig("backup", "--json")[1])["file"]
    rig("parts", "rename", "N01", "N77", "--reason", "label lost")
    monkeypatch.setattr(click, "confirm", confirm)
    status, out, _ = rig("restore", backup)
    assert status == 0
    assert asked == [f"Put {backup} in the place of the record in {Path(backup).parents[1]}?"]
    assert ("Nothing was changed." in out) is not agreed
    assert ("N77" in rig("parts")[1]) is not agreed


def test_an_answer_that_never_comes_changes_nothing(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The end of the input, or Ctrl-C, is no yes."""

    def confirm(*_: object, **__: object) -> bool:
        raise click.Abort

    backup = json.loads(rig("backup", "--json")[1])["file"]
    rig("parts", "rename", "N01", "N77", "--reason", "label lost")
    monkeypatch.setattr(click, "confirm", confirm)
    assert rig("restore", backup)[0] == INTERRUPTED
    assert "N77" in rig("parts")[1]


def test_what_is_no_backup_is_refused(rig: Rig, tmp_path: Path) -> None:
    """A name that is not there, a file of another kind, and a program that does not say --yes."""
    status, _, err = rig("restore", "record-9.db", "--yes")
    assert (status, "`rig backup --list`" in err) == (3, True)
    other = tmp_path / "notes.db"
    other.write_text("not a record")
    status, _, err = rig("restore", str(other), "--yes")
    assert (status, "Nothing was changed" in err) == (5, True)
    status, out, _ = rig("restore", str(other), "--json")
    assert status == 2
    assert "--yes" in json.loads(out)["error"]
    assert "N01" in rig("parts")[1]
