"""Tests of writing a file: whole or not at all, and never over what was read."""

import os
from pathlib import Path

import pytest

from rig.cli.output_file import refuse_target, write_whole
from rig.errors import InputError, UsageError


def test_a_file_is_replaced_whole_and_nothing_else_is_left(tmp_path: Path) -> None:
    """The new text is there, and no part file beside it."""
    target = tmp_path / "plot.svg"
    target.write_text("old")
    write_whole(target, "new\n")
    assert target.read_bytes() == b"new\n"
    assert os.listdir(tmp_path) == ["plot.svg"]


def test_a_write_that_breaks_off_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that fills up in the middle costs nothing that was there."""
    target = tmp_path / "plot.svg"
    target.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(InputError, match=r"plot\.svg cannot be written: No space left on device"):
        write_whole(target, "new")
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["plot.svg"]


def test_a_link_is_written_through(tmp_path: Path) -> None:
    """A link stays a link, and the file that it names gets the text."""
    target, link = tmp_path / "real.svg", tmp_path / "link.svg"
    target.write_text("old")
    link.symlink_to(target)
    write_whole(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"


def test_a_new_file_has_the_rights_that_the_user_asks_for(tmp_path: Path) -> None:
    """The user's mask decides, as for any file."""
    before = os.umask(0o027)
    try:
        write_whole(tmp_path / "plot.svg", "new")
    finally:
        os.umask(before)
    assert (tmp_path / "plot.svg").stat().st_mode & 0o777 == 0o640


def test_the_file_that_is_read_is_never_the_target(tmp_path: Path) -> None:
    """Under whichever name it is given."""
    source, link = tmp_path / "curve.svg", tmp_path / "other.svg"
    source.write_text("t_s,pressure_kpa\n")
    link.symlink_to(source)
    for target in (source, link, tmp_path / "." / "curve.svg"):
        with pytest.raises(UsageError, match="is the file that is read"):
            refuse_target(target, source, ".svg")


def test_a_place_where_no_file_can_be_is_refused(tmp_path: Path) -> None:
    """A folder, a missing folder, a device and a wrong ending each get their sentence."""
    source = tmp_path / "curve.csv"
    (tmp_path / "folder.svg").mkdir()
    with pytest.raises(InputError, match="not a plain file"):
        refuse_target(tmp_path / "folder.svg", source, ".svg")
    with pytest.raises(InputError, match="there is no folder"):
        refuse_target(tmp_path / "none" / "plot.svg", source, ".svg")
    device = tmp_path / "null.svg"
    device.symlink_to(os.devnull)
    with pytest.raises(InputError, match="not a plain file"):
        refuse_target(device, source, ".svg")
    with pytest.raises(UsageError, match=r"ending"):
        refuse_target(tmp_path / "plot.png", source, ".svg")
    refuse_target(tmp_path / "plot.SVG", source, ".svg")


def test_a_folder_without_permission_is_said_to_be_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's refusal names the file that was asked for, not the part file."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match=r"/plot\.svg cannot be written: Permission denied"):
        write_whole(tmp_path / "plot.svg", "new")
