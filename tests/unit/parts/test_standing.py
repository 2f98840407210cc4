"""Tests of a part's standing, each case written out by the rules that a person reads."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from rig.parts.standing import standing
from rig.records import Finding, Outcome, Purpose
from rig.runs import Ending, RunHeader

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
YEAR = timedelta(days=365)
PASS, FAIL, UNDECIDED = Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED
INVALID, NOT_TESTED, MEASURED = Outcome.INVALID, Outcome.NOT_TESTED, Outcome.MEASURED


def _run(number: int, age_days: float, tests: Mapping[str, Outcome], **others: Any) -> RunHeader:
    header: dict[str, Any] = {
        "run": number,
        "tag": "N11",
        "family": "egr",
        "variant": "ported",
        "purpose": Purpose.FOR_SALE,
        "began_utc": NOW - timedelta(days=age_days),
        "clock_was_set": True,
        "ending": Ending.FINISHED,
        "outcome": PASS,
        "tests": tests,
    }
    return RunHeader(**header | others)


def _of(*runs: RunHeader, required: tuple[str, ...] = ("hold",)) -> tuple[Outcome, list[str]]:
    found = standing(runs, required, NOW, YEAR)
    assert set(found.tests) | {str(each.figures["test"]) for each in found.missing} == set(required)
    return found.outcome, [each.code for each in found.missing]


@pytest.mark.parametrize(
    ("runs", "outcome", "missing"),
    [
        ((), NOT_TESTED, ["standing_never_tested"]),
        ((_run(1, 3, {"hold": PASS}),), PASS, []),
        ((_run(1, 3, {"hold": FAIL}), _run(2, 2, {"hold": PASS})), PASS, []),
        ((_run(1, 3, {"hold": PASS}), _run(2, 2, {"hold": FAIL})), FAIL, []),
        ((_run(1, 3, {"hold": PASS}), _run(2, 2, {"hold": UNDECIDED})), UNDECIDED, []),
        ((_run(1, 3, {"hold": PASS}), _run(2, 2, {"hold": MEASURED})), MEASURED, []),
        # what was spoiled or left out says nothing: the one before it stands
        ((_run(1, 3, {"hold": PASS}), _run(2, 2, {"hold": INVALID})), PASS, []),
        ((_run(1, 3, {"hold": FAIL}), _run(2, 2, {"hold": NOT_TESTED})), FAIL, []),
        ((_run(2, 2, {"hold": INVALID}),), NOT_TESTED, ["standing_none_valid"]),
        # another test of the newest run does not stand for this one
        ((_run(1, 3, {"hold": FAIL}), _run(2, 2, {"retract": PASS})), FAIL, []),
        ((_run(2, 2, {"retract": PASS}),), NOT_TESTED, ["standing_never_tested"]),
        # void, stopped, tripped or still being made
        ((_run(1, 3, {"hold": FAIL}), _run(2, 2, {"hold": PASS}, voided="wrong part")), FAIL, []),
        (
            (_run(1, 3, {"hold": PASS}), _run(2, 2, {"hold": FAIL}, ending=Ending.STOPPED)),
            PASS,
            [],
        ),
        (
            (_run(2, 2, {"hold": PASS}, ending=Ending.TRIPPED),),
            NOT_TESTED,
            ["standing_none_valid"],
        ),
        ((_run(2, 2, {"hold": PASS}, ending=None),), NOT_TESTED, ["standing_none_valid"]),
        # rebuilt since: nothing from before counts, neither good nor bad
        (
            (_run(1, 3, {"hold": FAIL}, before_rebuild=True), _run(2, 2, {"hold": PASS})),
            PASS,
            [],
        ),
        (
            (_run(1, 3, {"hold": FAIL}, before_rebuild=True),),
            NOT_TESTED,
            ["standing_before_rebuild"],
        ),
        # age: the limit itself still counts
        ((_run(1, 365, {"hold": PASS}),), PASS, []),
        ((_run(1, 365.001, {"hold": PASS}),), NOT_TESTED, ["standing_too_old"]),
        # an older one is older still
        (
            (_run(1, 900, {"hold": PASS}), _run(2, 800, {"hold": FAIL})),
            NOT_TESTED,
            ["standing_too_old"],
        ),
        # a label that cannot be right tells no age
        (
            (_run(1, 20_000, {"hold": PASS}, clock_was_set=False),),
            NOT_TESTED,
            ["standing_age_unknown"],
        ),
        ((_run(1, -1, {"hold": PASS}),), NOT_TESTED, ["standing_age_unknown"]),
        # the newest by number, though a clock ran wrong between
        ((_run(1, 2, {"hold": PASS}), _run(2, 40, {"hold": FAIL})), FAIL, []),
    ],
)
def test_the_newest_valid_test_counts(
    runs: tuple[RunHeader, ...], outcome: Outcome, missing: list[str]
) -> None:
    """One required test: which run of it stands for the part, and what is said where none does."""
    assert _of(*runs) == (outcome, missing)
    assert _of(*reversed(runs)) == (outcome, missing)


@pytest.mark.parametrize(
    ("hold", "retract", "outcome"),
    [
        (PASS, PASS, PASS),
        (PASS, FAIL, FAIL),
        (PASS, UNDECIDED, UNDECIDED),
        (PASS, MEASURED, MEASURED),
        (UNDECIDED, FAIL, FAIL),
        (FAIL, None, FAIL),
        (UNDECIDED, None, UNDECIDED),
        (PASS, None, NOT_TESTED),
        (MEASURED, None, NOT_TESTED),
        (None, None, NOT_TESTED),
    ],
)
def test_a_part_stands_as_its_worst_required_test(
    hold: Outcome | None, retract: Outcome | None, outcome: Outcome
) -> None:
    """It passes only if each required test passed; a fail stands beside what is missing."""
    tests = {"hold": hold, "retract": retract}
    runs = [
        _run(number, 10 - number, {name: each})
        for number, (name, each) in enumerate(tests.items(), start=1)
        if each is not None
    ]
    found, missing = _of(*runs, required=("hold", "retract"))
    assert found is outcome
    assert len(missing) == [hold, retract].count(None)


def test_tests_of_several_runs_are_put_together() -> None:
    """A run may hold one test only; the standing names the run that each came from."""
    runs = [
        _run(5, 30, {"hold": PASS, "retract": PASS}),
        _run(8, 20, {"hold": PASS}),
        _run(9, 10, {"retract": INVALID}),
    ]
    found = standing(runs, ("hold", "retract"), NOW, YEAR)
    assert {name: (each.run, each.outcome) for name, each in found.tests.items()} == {
        "hold": (8, PASS),
        "retract": (5, PASS),
    }
    assert found.tests["hold"].began_utc == NOW - timedelta(days=20)
    assert found.outcome is PASS


def test_what_is_missing_says_which_test_which_run_and_how_old() -> None:
    """The figures of a finding are those that its sentence needs."""
    old = standing([_run(4, 400.5, {"hold": PASS})], ("hold",), NOW, YEAR)
    assert old.missing == (
        Finding(
            "standing_too_old",
            {"test": "hold", "run": 4.0, "age_days": 401.0, "max_age_days": 365.0},
        ),
    )
    never = standing([], ("hold", "flow"), NOW, YEAR)
    assert never.missing == tuple(
        Finding("standing_never_tested", {"test": name}) for name in ("hold", "flow")
    )


def test_without_a_set_clock_no_age_is_known() -> None:
    """A board that does not know the date cannot tell that a test is new enough."""
    unset = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)
    run = _run(1, 0, {"hold": PASS}, began_utc=unset)
    found = standing([run], ("hold",), unset, YEAR)
    assert [each.code for each in found.missing] == ["standing_age_unknown"]


def test_a_part_of_which_nothing_is_required_is_not_tested() -> None:
    """An empty list of tests is no pass."""
    assert standing([_run(1, 1, {"hold": PASS})], (), NOW, YEAR).outcome is NOT_TESTED
