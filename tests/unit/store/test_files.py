"""Tests of how a file is replaced: power may fail between any two of its steps."""

import os
from pathlib import Path

import pytest

from rig.store.files import replace_file


def _watched(monkeypatch: pytest.MonkeyPatch, fail_at: int | None = None) -> list[str]:
    """Note each step that reaches the disk, in order, and let one of them fail."""
    steps: list[str] = []

    def note(step: str) -> None:
        steps.append(step)
        if fail_at == len(steps):
            raise OSError(28, "No space left on device")

    real_fsync, real_replace = os.fsync, Path.replace

    def fsync(descriptor: int) -> None:
        note(f"fsync {Path(os.readlink(f'/proc/self/fd/{descriptor}')).name}")
        real_fsync(descriptor)

    def replace(file: Path, target: Path) -> Path:
        note(f"rename {file.name} to {target.name}")
        return real_replace(file, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "replace", replace)
    return steps


def test_content_then_name_then_folder_reach_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name never stands for content that is not on the disk yet, and the name itself lasts."""
    steps = _watched(monkeypatch)
    file = tmp_path / "a.json"
    replace_file(file, b"one")
    replace_file(file, b"two")
    assert file.read_bytes() == b"two"
    once = ["fsync a.json.new", "rename a.json.new to a.json", f"fsync {tmp_path.name}"]
    assert steps == once * 2


@pytest.mark.parametrize("step", [1, 2, 3])
def test_a_step_that_fails_leaves_the_old_content_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """Wherever it ends, the file is whole; and it can be replaced again afterwards."""
    file = tmp_path / "a.json"
    file.write_bytes(b"one")
    with monkeypatch.context() as patched:
        _watched(patched, fail_at=step)
        with pytest.raises(OSError, match="No space left"):
            replace_file(file, b"two, and longer")
    assert file.read_bytes() == (b"two, and longer" if step == 3 else b"one")
    replace_file(file, b"three")
    assert file.read_bytes() == b"three"
    assert [each.name for each in tmp_path.iterdir()] == ["a.json"]
