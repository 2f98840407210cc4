"""Tests of the lock on a folder: one program at a time, and none for ever."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from rig.errors import StoreError
from rig.store.lock import Lock, making_runs

HOLD = """
import sys
from pathlib import Path
from rig.store.lock import making_runs
making_runs(Path(sys.argv[1])).take()
print("held", flush=True)
sys.stdin.read()
"""


def test_a_lock_is_held_once_and_dropped(tmp_path: Path) -> None:
    """The second is refused with what the first does and where; then it is free again."""
    first, second = making_runs(tmp_path), making_runs(tmp_path)
    first.take()
    first.take()
    with pytest.raises(StoreError, match=f"another rig program is making runs in {tmp_path}"):
        second.take()
    first.drop()
    first.drop()
    second.take()
    second.drop()


def test_locks_on_different_things_do_not_meet(tmp_path: Path) -> None:
    """A backup may be made while runs are made."""
    with Lock(tmp_path, "making runs"), Lock(tmp_path, "making a backup"):
        assert len(list(tmp_path.iterdir())) == 2


def test_a_lock_ends_with_its_program_however_that_ends(tmp_path: Path) -> None:
    """A program that was killed leaves no lock behind."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=Path(__file__).parents[3],
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(StoreError, match="another rig program"):
            making_runs(tmp_path).take()
        os.kill(other.pid, signal.SIGKILL)
        other.wait()
    with making_runs(tmp_path):
        pass


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    """The error says which file could not be made."""
    with pytest.raises(StoreError, match=r"nowhere/making-runs\.lock: No such file"):
        making_runs(tmp_path / "nowhere").take()
