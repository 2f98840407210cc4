"""Tests of how plan and setup of a run are kept as text: all of it, exactly."""

from dataclasses import MISSING, Field, fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest

from rig.records import Purpose
from rig.runs import RunPlan, RunSetup
from rig.store.plain import from_utc, to_utc
from rig.store.snapshots import channels_of, from_plan, from_setup, to_plan, to_setup
from tests.unit.store.kept import EVENTS, INTAKE, PLAN, RESULT, SETUP, START, STEPS


@pytest.mark.parametrize(
    "plan",
    [
        PLAN,
        RunPlan("", "", "", Purpose.JUST_MEASURE, ()),
        replace(PLAN, note='"quotes", \\ and \n lines, \u00e4 \u2028 \U0001f600'),
    ],
)
def test_a_plan_comes_back_as_it_was(plan: RunPlan) -> None:
    """Tags, tests, limits as printed (one text or several), settings, notes in any writing."""
    assert to_plan(from_plan(plan)) == plan


@pytest.mark.parametrize(
    "setup",
    [
        SETUP,
        replace(SETUP, channels=(), rig_volume=None, own_leak=None, last_ambient_pa=None),
        replace(SETUP, last_ambient_pa=1.0 / 3.0, clock_was_set=False),
    ],
)
def test_a_setup_comes_back_as_it_was(setup: RunSetup) -> None:
    """With and without what may be unknown; every digit of a figure."""
    text = from_setup(setup)
    columns = (setup.boot_id, setup.began_mono_s, setup.began_utc)
    assert to_setup(text, *columns, clock_was_set=setup.clock_was_set) == setup
    assert channels_of(text) == len(setup.channels)


def test_numbers_of_numpy_are_kept_as_plain_ones() -> None:
    """What was computed with arrays is as good as any other number."""
    setup = replace(SETUP, last_ambient_pa=np.float64(1.25))
    assert '"last_ambient_pa": 1.25' in from_setup(setup)


def test_wall_times_sort_as_their_texts_do() -> None:
    """Texts in the database are compared as texts: all in UTC, all to the microsecond."""
    east = timezone(timedelta(hours=2))
    times = [
        datetime(2026, 1, 1, tzinfo=UTC),
        datetime(2026, 1, 1, 0, 0, 0, 5, tzinfo=UTC),
        datetime(2026, 1, 1, 3, 0, 0, tzinfo=east),
        START,
    ]
    texts = [from_utc(each) for each in times]
    assert texts == sorted(texts)
    assert [to_utc(text) for text in texts] == times
    with pytest.raises(ValueError, match="time zone"):
        from_utc(datetime(2026, 1, 1))


def _records_in(held: object) -> list[Any]:
    """List a record and all records within it."""
    if isinstance(held, tuple):
        return [record for each in held for record in _records_in(each)]
    if not is_dataclass(held):
        return []
    inner = [record for each in fields(held) for record in _records_in(getattr(held, each.name))]
    return [held, *inner]


def _default(field: Field[Any]) -> object:
    return field.default if field.default_factory is MISSING else field.default_factory()


def test_no_field_of_a_record_is_left_out_of_these_tests() -> None:
    """A field that is added to a record, and not to the store, would be lost unseen.

    So in the records that these tests keep every field has a value that is not its default.
    """
    records = _records_in((PLAN, SETUP, STEPS, EVENTS, RESULT, INTAKE))
    unset = {
        (type(record).__name__, field.name)
        for record in records
        for field in fields(record)
        if all(
            getattr(each, field.name) == _default(field)
            for each in records
            if type(each) is type(record)
        )
    }
    assert unset == set()
    assert {type(record).__name__ for record in records} == {
        "ChannelSpec", "Estimate", "EventRecord", "Finding", "Intake", "Judged", "KnownOwnLeak",
        "KnownVolume", "Measured", "PartNumber", "RunPlan", "RunResult", "RunSetup", "StepRecord",
        "TestPlan", "TestResult",
    }  # fmt: skip
