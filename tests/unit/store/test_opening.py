"""Tests of how a folder's database is found, made or refused."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from rig.clock import FastClock, SystemClock
from rig.errors import StoreError
from rig.store import schema
from rig.store.backup import backup, restore
from rig.store.lock import making_runs
from rig.store.opening import begin_anew, open_database
from rig.store.store import Store
from tests.unit.store.kept import PLAN, RESULT, SETUP, START


def _open(folder: Path) -> None:
    Store.open(folder, SystemClock(), threaded=False).close()


def _make_run(folder: Path) -> int:
    with Store.open(folder, SystemClock(), threaded=False) as store:
        run = store.begin(PLAN, SETUP)
        store.finish(run, RESULT)
    return run


def test_a_new_folder_gets_a_record_of_its_own(tmp_path: Path) -> None:
    """Folders above it are made, too; the file says whose it is, and of which version."""
    folder = tmp_path / "far" / "away"
    with closing(open_database(folder, SystemClock())) as made:
        assert made.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
        assert made.execute("PRAGMA user_version").fetchone() == (schema.NEWEST,)
        assert made.execute("SELECT count(*) FROM run").fetchone() == (0,)
    assert sorted(each.name for each in folder.iterdir()) == ["making-runs.lock", "record.db"]


def test_a_record_that_was_half_made_is_made_anew(tmp_path: Path) -> None:
    """Power may fail while the first record is made: nothing was in it yet."""
    for ending in ("", "-wal", "-shm", "-journal"):
        (tmp_path / f"record.db.new{ending}").write_bytes(b"half " * 5000)
    _open(tmp_path)
    assert sorted(each.name for each in tmp_path.iterdir()) == ["making-runs.lock", "record.db"]


@pytest.mark.parametrize("left", ["record.db-wal", "backup", "record-aside-20260101T000000Z.db"])
def test_a_record_that_was_lost_is_never_an_empty_one(tmp_path: Path, left: str) -> None:
    """A log, a backup or what was put aside prove that there was one: the person decides."""
    run = _make_run(tmp_path)
    copy = backup(tmp_path, SystemClock()) if left == "backup" else None
    (tmp_path / "record.db").unlink()
    if copy is None:
        (tmp_path / left).write_bytes(b"what is left")
    for _ in range(2):
        with pytest.raises(StoreError, match=r"record\.db is missing") as refused:
            _open(tmp_path)
        assert not (tmp_path / "record.db").exists()
    if copy is not None:
        assert f"rig restore {copy}" in str(refused.value)
        restore(tmp_path, copy, SystemClock())
        assert _make_run(tmp_path) == run + 1
    else:
        assert "no sound backup" in str(refused.value)


def test_the_way_on_names_the_newest_backup_that_is_whole(tmp_path: Path) -> None:
    """A command that can be copied, also where a folder's name has blanks."""
    folder = tmp_path / "Low Yard"
    _make_run(folder)
    sound, damaged = backup(folder, SystemClock()), backup(folder, SystemClock())
    damaged.write_bytes(b"")
    (folder / "record.db").write_bytes(b"")
    with pytest.raises(StoreError, match="the file is empty") as refused:
        _open(folder)
    assert f"rig restore '{sound}'" in str(refused.value)


def test_beginning_anew_keeps_what_was_there_and_gives_no_number_twice(tmp_path: Path) -> None:
    """Only when the person says so; a certificate's run number stays the only one of its kind."""
    assert _make_run(tmp_path) == 1
    assert _make_run(tmp_path) == 2
    (tmp_path / "record.db").write_bytes(b"damaged")
    aside = begin_anew(tmp_path, FastClock(START))
    assert aside == tmp_path / "record-aside-20260304T050607Z.db"
    assert aside.read_bytes() == b"damaged"
    assert _make_run(tmp_path) == 3
    with making_runs(tmp_path), pytest.raises(StoreError, match="another rig program"):
        begin_anew(tmp_path, FastClock(START))


def test_a_folder_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    """As where a file has its name."""
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(StoreError, match=r"file"):
        _open(tmp_path / "file")
    with pytest.raises(StoreError, match=r"file/inside"):
        _open(tmp_path / "file" / "inside")


def test_two_programs_do_not_make_one_record(tmp_path: Path) -> None:
    """The second waits or is told; none gets a file that the other replaces."""
    with making_runs(tmp_path), pytest.raises(StoreError, match="another rig program"):
        _open(tmp_path)
    assert not (tmp_path / "record.db").exists()
    _open(tmp_path)
    with making_runs(tmp_path):
        _open(tmp_path)


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    """A database that is sound, but none of ours, is not written into."""
    with closing(sqlite3.connect(tmp_path / "record.db")) as other:
        other.execute("CREATE TABLE theirs (a)")
        other.commit()
    before = (tmp_path / "record.db").read_bytes()
    with pytest.raises(StoreError, match="no record of this program"):
        _open(tmp_path)
    assert (tmp_path / "record.db").read_bytes() == before


def test_what_only_the_log_holds_is_there_after_the_next_start(tmp_path: Path) -> None:
    """A copy of file and log, as power leaves them, opens with every commit in it."""
    kept = tmp_path / "as-it-was"
    kept.mkdir()
    with Store.open(tmp_path / "live", SystemClock(), threaded=False) as store:
        run = store.begin(PLAN, SETUP)
        store.finish(run, RESULT)
        for name in ("record.db", "record.db-wal"):
            shutil.copy(tmp_path / "live" / name, kept / name)
    assert (kept / "record.db-wal").stat().st_size > 0
    with Store.open(kept, SystemClock(), threaded=False) as store:
        assert store.load(run).result == RESULT
