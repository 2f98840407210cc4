"""Tests of how a database comes to the newest tables, from one that version 1 left behind."""

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from rig.clock import SystemClock
from rig.errors import StoreError
from rig.records import Estimate, Finding, Outcome
from rig.runs import Ending, Measured
from rig.store import schema
from rig.store.backup import backups
from rig.store.database import connect
from rig.store.migrations import migrate
from rig.store.store import Store
from rig.units import Kind

VERSION_1 = (Path(__file__).parents[2] / "data/store/version_1.sql").read_text(encoding="utf-8")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Lay a database of version 1 into a folder."""
    with closing(sqlite3.connect(tmp_path / "record.db")) as made:
        made.executescript(VERSION_1)
    return tmp_path


def test_everything_of_version_1_is_still_there(folder: Path) -> None:
    """Samples, steps, events, measured quantities, limits and reasons, to the last digit."""
    with Store.open(folder, SystemClock()) as store:
        kept = store.load(1)
    assert kept.plan.tag == "N01"
    assert kept.plan.tests[0].limit == {"shape": "drop", "at_most": ("0.97 inHg", "3.3 kPa")}
    assert kept.setup.began_utc == datetime(2026, 2, 3, 4, 5, 6, 7, tzinfo=UTC)
    assert kept.setup.rig_volume is not None
    assert kept.setup.rig_volume.volume_m3 == Estimate(2.5e-5, 2e-7, {"syringe": 2e-7})
    np.testing.assert_array_equal(kept.samples.sequence, [40, 41, 42, 43])
    np.testing.assert_array_equal(kept.samples.mcu_us, [200_001, 205_001, 210_001, 215_001])
    np.testing.assert_array_equal(kept.samples.counts, [[960, 1], [959, 2], [958, 0], [957, 1]])
    assert (kept.samples.host_mono_s, kept.samples.missing) == (5.5, 2)
    assert [(each.name, dict(each.figures)) for each in kept.steps] == [
        ("hold", {"lowest_pa": 50_000.125})
    ]
    assert kept.events[0].finding == Finding("mark")
    assert kept.result is not None
    assert (kept.result.ending, kept.result.outcome) == (Ending.FINISHED, Outcome.FAIL)
    (test,) = kept.result.tests
    assert test.measured == (Measured("leak", Kind.FLOW, Estimate(2.5e-8, 1e-9, {"volume": 1e-9})),)
    assert test.judged[0].limit == {"shape": "drop", "at_most": ("0.97 inHg", "3.3 kPa")}
    assert test.reasons == (Finding("over_limit", {"drop_pa": 6000.5, "largest_source": "volume"}),)


def test_runs_of_version_1_find_their_parts(folder: Path) -> None:
    """A tag becomes a part with the runs that named it, in whichever writing; none becomes none."""
    with Store.open(folder, SystemClock()) as store:
        assert [each.tag for each in store.parts()] == ["N01", "N02"]
        assert {each.intake for each in store.parts()} == {None}
        assert [each.run for each in store.runs_of("N01")] == [2, 1]
        assert [(each.run, each.tag) for each in store.runs(9)] == [
            (4, "N02"),
            (3, ""),
            (2, "N01"),
            (1, "N01"),
        ]
        assert store.close_interrupted() == [4]
        assert store.load(4).samples.missing == 1
        np.testing.assert_array_equal(store.load(4).samples.sequence, [40, 41, 42, 43])


def test_a_database_is_backed_up_before_it_is_changed(folder: Path) -> None:
    """The copy is as version 1 left it, so that an older program can go on with it."""
    Store.open(folder, SystemClock()).close()
    (copy,) = backups(folder)
    with closing(sqlite3.connect(copy)) as kept:
        assert kept.execute("PRAGMA user_version").fetchone() == (1,)
        assert kept.execute("SELECT count(*) FROM run").fetchone() == (4,)
    with closing(connect(folder / "record.db")) as live:
        assert live.execute("PRAGMA user_version").fetchone() == (schema.NEWEST,)
    Store.open(folder, SystemClock()).close()
    assert backups(folder) == [copy], "and only then"


def test_a_step_that_fails_changes_nothing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a step does and that it was done come in one transaction."""
    broken: Mapping[int, tuple[str, ...]] = MappingProxyType(
        {**schema.VERSIONS, 3: ("CREATE TABLE half_done (a)", "INSERT INTO nowhere VALUES (1)")}
    )
    monkeypatch.setattr(schema, "VERSIONS", broken)
    with closing(connect(folder / "record.db")) as live:
        with pytest.raises(sqlite3.OperationalError, match="nowhere"):
            migrate(live, folder / "record.db", newest=3)
        assert live.execute("PRAGMA user_version").fetchone() == (2,), "the step before stands"
        tables = {name for (name,) in live.execute("SELECT name FROM sqlite_schema")}
    assert "part" in tables
    assert "half_done" not in tables


def test_a_database_newer_than_the_program_is_refused_and_left_alone(folder: Path) -> None:
    """The sentence says both versions and what to do; nothing is written into it."""
    Store.open(folder, SystemClock()).close()
    with closing(sqlite3.connect(folder / "record.db")) as newer:
        newer.execute(f"PRAGMA user_version = {schema.NEWEST + 1}")
    before = (folder / "record.db").read_bytes()
    with pytest.raises(StoreError, match="newer version of this program") as refused:
        Store.open(folder, SystemClock())
    assert f"version {schema.NEWEST + 1}" in str(refused.value)
    assert f"this one knows {schema.NEWEST}" in str(refused.value)
    assert (folder / "record.db").read_bytes() == before


def test_the_versions_follow_each_other() -> None:
    """No version is left out, so that each database finds its way."""
    assert sorted(schema.VERSIONS) == list(range(1, schema.NEWEST + 1))


def test_two_programs_may_migrate_at_once(folder: Path) -> None:
    """The version is read again under the lock: a step is made once."""
    with (
        closing(connect(folder / "record.db")) as one,
        closing(connect(folder / "record.db")) as other,
    ):
        migrate(one, folder / "record.db")
        migrate(other, folder / "record.db")
        assert other.execute("SELECT count(*) FROM part").fetchone() == (2,)
