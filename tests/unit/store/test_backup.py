"""Tests of backups: what a copy holds, which are kept, and the way back from one."""

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import pytest

from rig.clock import FastClock, SystemClock
from rig.errors import StoreError
from rig.store import backup as module
from rig.store.backup import backup, backup_is_due, backups, is_a_day_old, newest_sound, restore
from rig.store.database import fault_of
from rig.store.lock import Lock, making_runs
from rig.store.records import Stamp
from rig.store.store import Store
from tests.unit.store.kept import PLAN, RESULT, SETUP, START, assert_frames, batch


def _make_run(store: Store, first: int = 17, frames: int = 20) -> int:
    run = store.begin(PLAN, SETUP)
    store.add_samples(run, batch(first, frames))
    store.finish(run, RESULT)
    return run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a record with one run, closed."""
    with Store.open(tmp_path, SystemClock(), threaded=False) as store:
        _make_run(store)
    return tmp_path


def test_a_copy_is_one_whole_file_with_all_that_was_committed(folder: Path) -> None:
    """It needs no log beside it, and holds what stood in the log of the original."""
    with Store.open(folder, SystemClock(), threaded=False) as store:
        _make_run(store, first=500)
        assert (folder / "record.db-wal").stat().st_size > 0
        copy = backup(folder, FastClock(START))
    assert copy == folder / "backups/record-000001-20260304T050607Z.db"
    assert sorted(each.name for each in copy.parent.iterdir()) == [
        "making-a-backup.lock",
        copy.name,
    ]
    elsewhere = folder / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(copy, elsewhere / "record.db")
    with Store.open(elsewhere, SystemClock(), threaded=False) as store:
        assert [each.run for each in store.runs(9)] == [2, 1]
        assert_frames(store.load(2).samples, 500, 520)


def test_the_newest_are_kept_and_numbered_whatever_the_date_says(folder: Path) -> None:
    """A clock that jumps back does not make an old backup the newest."""
    for day in range(5):
        backup(folder, FastClock(START - timedelta(days=day)), keep=3)
    assert [each.name[:13] for each in backups(folder)] == [
        "record-000005", "record-000004", "record-000003",
    ]  # fmt: skip
    with pytest.raises(ValueError, match="cannot keep 0"):
        backup(folder, FastClock(START), keep=0)


def test_a_damaged_backup_is_never_named_as_the_newest_sound_one(folder: Path) -> None:
    """The way back leads to the newest that is whole."""
    assert newest_sound(folder) is None
    first, second = backup(folder, FastClock(START)), backup(folder, FastClock(START))
    assert newest_sound(folder) == second
    second.write_bytes(second.read_bytes()[:-4096])
    assert newest_sound(folder) == first


def test_a_copy_that_is_not_whole_is_not_kept(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It gets its name only after it was looked through; nothing of it is left."""
    with monkeypatch.context() as patched:
        patched.setattr(module, "fault_of", lambda *_, **__: "page 7 is torn")
        with pytest.raises(StoreError, match=r"not whole \(page 7 is torn\)"):
            backup(folder, FastClock(START))
    assert backups(folder) == []
    assert [each.name for each in (folder / "backups").iterdir()] == ["making-a-backup.lock"]


def test_a_backup_leaves_room_for_what_is_recorded(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a disk that is nearly full no copy is begun."""

    class Usage(NamedTuple):
        free: int

    size_bytes = (folder / "record.db").stat().st_size
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(2 * size_bytes - 1))
    with pytest.raises(StoreError, match="Make room on the disk"):
        backup(folder, FastClock(START))
    monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(2 * size_bytes))
    assert backup(folder, FastClock(START)).exists()


def test_what_an_ended_program_left_of_a_copy_does_not_spoil_the_next(folder: Path) -> None:
    """A journal of another file beside the new one would be played back into it."""
    place = folder / "backups"
    place.mkdir()
    for ending in ("", "-journal", "-wal", "-shm"):
        (place / f"unfinished.new{ending}").write_bytes(b"left over " * 1000)
    copy = backup(folder, FastClock(START))
    assert fault_of(copy, is_at_rest=True, thorough=True) is None
    assert len(list(place.iterdir())) == 2


def test_two_programs_do_not_write_one_copy(folder: Path) -> None:
    """The second is told, and not one byte of the first's copy is lost."""
    (folder / "backups").mkdir()
    with (
        Lock(folder / "backups", "making a backup"),
        pytest.raises(StoreError, match="another rig program is making a backup"),
    ):
        backup(folder, FastClock(START))


DAY_S = 86_400.0


def _moment(days: float, mono_s: float, boot: str = "a", *, is_set: bool = True) -> Stamp:
    return Stamp(START + timedelta(days=days), is_set, boot, mono_s)


@pytest.mark.parametrize(
    ("last", "now", "is_due"),
    [
        # one boot: the monotonic clock alone
        (_moment(0, 100.0), _moment(0, 100.0 + DAY_S), True),
        (_moment(0, 100.0), _moment(9, 99.0 + DAY_S), False),
        (_moment(0, 100.0, is_set=False), _moment(9, 200.0), False),
        (_moment(0, 9e9), _moment(0.1, 100.0), True),
        # two boots: the labels, if both clocks were set
        (_moment(0, 100.0), _moment(0.99, 5.0, "b"), False),
        (_moment(0, 100.0), _moment(1.0, 5.0, "b"), True),
        (_moment(0, 100.0), _moment(-0.01, 5.0, "b"), True),
        (_moment(0, 100.0, is_set=False), _moment(0.1, 5.0, "b"), True),
        (_moment(0, 100.0), _moment(0.1, 5.0, "b", is_set=False), True),
    ],
)
def test_a_backup_is_due_once_a_day_as_far_as_the_clocks_can_tell(
    last: Stamp, now: Stamp, is_due: bool
) -> None:
    """Where no clock can tell, one backup too many is better than none for months."""
    assert is_a_day_old(last, now) is is_due


def test_backups_come_once_a_day(folder: Path) -> None:
    """The first at once, the next a day later; a backup that cannot be read counts as none."""
    clock = FastClock(START, longest_step_s=DAY_S)
    with Store.open(folder, clock, threaded=False) as store:
        first = store.backup_if_due()
        assert first is not None
        assert store.backup_if_due() is None
        clock.wait(DAY_S - 1.0)
        assert store.backup_if_due() is None
        clock.wait(1.0)
        second = store.backup_if_due()
        assert second is not None
        assert backups(folder) == [second, first]
        second.write_bytes(b"")
        assert backup_is_due(folder, clock)


def test_a_backup_is_put_back_and_what_was_there_kept(folder: Path) -> None:
    """The damaged file and its log stand under a dated name; nothing of them is changed."""
    copy = backup(folder, FastClock(START))
    with Store.open(folder, SystemClock(), threaded=False) as store:
        _make_run(store)
    damaged, log = b"damaged" * 999, b"log" * 99
    (folder / "record.db").write_bytes(damaged)
    (folder / "record.db-wal").write_bytes(log)
    aside = restore(folder, copy, FastClock(START))
    assert aside is not None
    assert aside.name.startswith("record-aside-20260304T050607Z")
    assert aside.read_bytes() == damaged
    assert aside.with_name(aside.name + "-wal").read_bytes() == log
    with Store.open(folder, SystemClock(), threaded=False) as store:
        assert [each.run for each in store.runs(9)] == [1]
        assert_frames(store.load(1).samples, 17, 37)
        assert copy.exists()
        # run 2 was lost, and its number with it: nobody may find another run under it
        assert _make_run(store) == 3


END_IN_THE_MIDST = """
import os, sqlite3, sys
live = sqlite3.connect(sys.argv[1], isolation_level=None)
live.execute("PRAGMA cache_size = 2")
live.execute("BEGIN")
for _ in range(5):
    live.execute("UPDATE run SET plan = plan || hex(randomblob(20000))")
os._exit(0)
"""


def test_what_an_ended_restore_left_does_not_spoil_the_next(folder: Path) -> None:
    """Its journal would be played back into the copy of another backup."""
    unfinished = folder / "record.db.restored"
    shutil.copy(backup(folder, FastClock(START)), unfinished)
    subprocess.run([sys.executable, "-c", END_IN_THE_MIDST, str(unfinished)], check=True)
    assert (folder / "record.db.restored-journal").stat().st_size > 4096
    with Store.open(folder, SystemClock(), threaded=False) as store:
        for _ in range(5):
            _make_run(store, frames=2000)
    restore(folder, backup(folder, FastClock(START)), FastClock(START))
    assert list(folder.glob("*restored*")) == []
    assert fault_of(folder / "record.db", thorough=True) is None
    with Store.open(folder, SystemClock(), threaded=False) as store:
        assert [each.run for each in store.runs(9)] == [6, 5, 4, 3, 2, 1]
        assert_frames(store.load(6).samples, 17, 2017)


def test_what_is_put_aside_never_takes_the_place_of_what_was_before(folder: Path) -> None:
    """Two restores in one second keep both."""
    copy = backup(folder, FastClock(START))
    asides = [restore(folder, copy, FastClock(START)) for _ in range(3)]
    assert len(set(asides)) == 3
    assert all(each is not None and each.exists() for each in asides)


def test_only_a_sound_backup_of_this_program_is_put_back(folder: Path, tmp_path: Path) -> None:
    """Otherwise all stays as it is."""
    copy = backup(folder, FastClock(START))
    before = (folder / "record.db").read_bytes()
    newer = tmp_path / "newer.db"
    shutil.copy(copy, newer)
    with closing(sqlite3.connect(newer)) as made:
        made.execute("PRAGMA user_version = 99")
    with pytest.raises(StoreError, match="newer version"):
        restore(folder, newer, FastClock(START))
    copy.write_bytes(copy.read_bytes()[:-4096])
    with pytest.raises(StoreError, match=r"restored: .*malformed.* Nothing was changed"):
        restore(folder, copy, FastClock(START))
    with pytest.raises(StoreError, match=r"restored: No such file"):
        restore(folder, tmp_path / "nowhere.db", FastClock(START))
    assert (folder / "record.db").read_bytes() == before
    assert not list(folder.glob("record-aside*"))


def test_a_copy_that_went_wrong_is_not_put_in_place(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that loses what is written to it must not take the damaged file's place as well."""
    copy = backup(folder, FastClock(START))
    before = (folder / "record.db").read_bytes()

    def lose_a_page(source: Path, target: Path) -> None:
        content = source.read_bytes()
        target.write_bytes(content[: 4096 * 6] + bytes(4096) + content[4096 * 7 :])

    monkeypatch.setattr(shutil, "copyfile", lose_a_page)
    with pytest.raises(StoreError, match=r"not copied whole .* Nothing was changed"):
        restore(folder, copy, FastClock(START))
    assert (folder / "record.db").read_bytes() == before
    assert list(folder.glob("record.db.*")) == []


def test_nothing_is_put_back_under_a_program_that_makes_runs(folder: Path) -> None:
    """It would go on writing into a file that no longer has a name."""
    copy = backup(folder, FastClock(START))
    with (
        making_runs(folder),
        pytest.raises(StoreError, match="another rig program is making runs"),
    ):
        restore(folder, copy, FastClock(START))


def test_a_copy_says_when_it_was_taken(folder: Path) -> None:
    """Its moment stands in the copy itself, not in its name alone."""
    clock = FastClock(datetime(2026, 7, 1, tzinfo=UTC))
    copy = backup(folder, clock)
    assert copy.name == "record-000001-20260701T000000Z.db"
    with closing(sqlite3.connect(copy)) as made:
        rows = made.execute("SELECT utc, clock_was_set, mono_s FROM backup").fetchall()
    assert rows == [("2026-07-01T00:00:00.000000+00:00", 1, 1000.0)]
