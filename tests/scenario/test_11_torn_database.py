"""Fault 11: the database is damaged after a power cut.

What must hold: the start is refused, loudly, with the file and what is wrong with it; not one byte
of the damaged file or its log is changed; the newest backup that is whole is named with the command
that puts it back; putting it back keeps the damaged file under a dated name; and there is never a
silent empty record in the place of a lost one.
"""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.clock import SystemClock
from rig.errors import StoreError
from rig.store.backup import backups, restore
from rig.store.store import Store
from tests.unit.store.kept import INTAKE, PLAN, RESULT, SETUP, assert_frames, batches


def _make_run(store: Store, first: int) -> int:
    run = store.begin(PLAN, SETUP)
    for each in batches(first, first + 2000, 10):
        store.add_samples(run, each)
    store.finish(run, RESULT)
    store.flush()
    return run


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a record of two runs, the first in a backup, the second not."""
    with Store.open(tmp_path, SystemClock()) as store:
        store.add_part(INTAKE)
        _make_run(store, 1000)
        assert store.backup_if_due() is not None
        _make_run(store, 5000)
    return tmp_path


def _write(file: Path, start: int, content: bytes) -> None:
    with file.open("r+b") as stream:
        stream.seek(start)
        stream.write(content)


DAMAGES: dict[str, Callable[[Path], object]] = {
    "a torn page": lambda file: _write(file, 4096 * 5 + 1000, bytes(3096)),
    "zeros from a cut-off write": lambda file: _write(file, 4096, bytes(8 * 4096)),
    "the first page zeroed": lambda file: _write(file, 0, bytes(4096)),
    "cut off in the midst": lambda file: os.truncate(file, file.stat().st_size // 2 + 100),
    "no byte left": lambda file: os.truncate(file, 0),
    "another file's content": lambda file: file.write_bytes(b"no database at all\n" * 5000),
    "gone": lambda file: file.unlink(),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_record_is_refused_kept_and_restored(folder: Path, damage: str) -> None:
    """From power cut to the next good run, as the person at the bench goes through it."""
    file = folder / "record.db"
    DAMAGES[damage](file)
    damaged = file.read_bytes() if file.exists() else None
    log = b"what the log still held" * 100
    (folder / "record.db-wal").write_bytes(log)
    (copy,) = backups(folder)

    for _ in range(2):
        with pytest.raises(StoreError, match=r"record\.db") as refused:
            Store.open(folder, SystemClock())
        said = str(refused.value)
        assert "is damaged" in said or "is missing" in said
        assert f"rig restore {copy}" in said
        assert (file.read_bytes() if file.exists() else None) == damaged
        assert (folder / "record.db-wal").read_bytes() == log

    aside = restore(folder, copy, SystemClock())
    assert aside is not None
    if damaged is not None:
        assert aside.read_bytes() == damaged
        aside = aside.with_name(aside.name + "-wal")
    assert aside.read_bytes() == log

    with Store.open(folder, SystemClock()) as store:
        assert store.close_interrupted() == []
        assert [each.run for each in store.runs(9)] == [1]
        assert_frames(store.load(1).samples, 1000, 3000)
        assert store.part("N01").intake == INTAKE
        assert _make_run(store, 9000) == 3, "the number of the lost run is not given again"


def test_without_a_backup_the_damaged_record_is_refused_all_the_same(tmp_path: Path) -> None:
    """There is nothing to offer but care; the file is left for whoever can recover it."""
    with Store.open(tmp_path, SystemClock()) as store:
        _make_run(store, 0)
    _write(tmp_path / "record.db", 4096, bytes(4096))
    damaged = (tmp_path / "record.db").read_bytes()
    with pytest.raises(StoreError, match="There is no sound backup") as refused:
        Store.open(tmp_path, SystemClock())
    assert "Copy what is there to a safe place first" in str(refused.value)
    assert (tmp_path / "record.db").read_bytes() == damaged


def test_a_backup_that_is_damaged_itself_is_not_offered(folder: Path) -> None:
    """The one card may have torn both: only a copy that was just found whole is named."""
    (copy,) = backups(folder)
    _write(copy, 4096 * 3, bytes(4096))
    _write(folder / "record.db", 4096 * 3, bytes(4096))
    with pytest.raises(StoreError, match="There is no sound backup"):
        Store.open(folder, SystemClock())


def test_a_log_that_was_cut_off_costs_only_what_was_last(tmp_path: Path) -> None:
    """Power fails while the log is written: the record opens, and is that of an earlier moment."""
    live, torn = tmp_path / "live", tmp_path / "torn"
    with Store.open(live, SystemClock(), threaded=False) as store:
        for first in (0, 3000):
            _make_run(store, first)
        content = (live / "record.db").read_bytes()
        log = (live / "record.db-wal").read_bytes()
    seen = set()
    for part in range(21):
        folder = torn / str(part)
        folder.mkdir(parents=True)
        (folder / "record.db").write_bytes(content)
        (folder / "record.db-wal").write_bytes(log[: len(log) * part // 20])
        with Store.open(folder, SystemClock(), threaded=False) as store:
            store.close_interrupted()
            for header in store.runs(9):
                kept = store.load(header.run)
                first = (0, 3000)[header.run - 1]
                assert_frames(kept.samples, first, first + len(kept.samples.sequence))
            seen.add(len(store.runs(9)))
    assert seen == {0, 1, 2}
