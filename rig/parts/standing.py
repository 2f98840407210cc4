"""Own a part's standing, put together from its newest valid tests; never judge a test anew."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType

from rig.analysis.verdict import worst
from rig.clock import is_set
from rig.records import Finding, Outcome
from rig.runs import Ending, RunHeader

_DAY = timedelta(days=1)
_SAYS_NOTHING = (Outcome.INVALID, Outcome.NOT_TESTED)


@dataclass(frozen=True)
class StandingTest:
    """The newest valid test of its name: what came of it, and the run that holds it."""

    outcome: Outcome
    run: int
    began_utc: datetime


@dataclass(frozen=True)
class Standing:
    """What is known of a part now.

    `tests` holds the required tests that count, by name. `missing` says of each of the others why
    none counts.
    """

    outcome: Outcome
    tests: Mapping[str, StandingTest]
    missing: tuple[Finding, ...]


def standing(
    runs: Iterable[RunHeader], required_tests: Sequence[str], now_utc: datetime, max_age: timedelta
) -> Standing:
    """Put a part's standing together from its runs, given in any order.

    A test is valid when its run was finished and is not void, and it was neither spoiled nor left
    out. The newest valid one of each name counts, if it was made since the last rebuild and is not
    older than `max_age`; a newer number is a newer run, whatever the wall clock showed. The outcome
    is the worst of those required, and what is missing is not tested.
    """
    newest_first = sorted(runs, key=lambda each: each.run, reverse=True)
    found = {name: _newest(newest_first, name, now_utc, max_age) for name in required_tests}
    tests = {name: each for name, each in found.items() if isinstance(each, StandingTest)}
    missing = tuple(each for each in found.values() if isinstance(each, Finding))
    outcomes = [each.outcome for each in tests.values()]
    outcomes += [Outcome.NOT_TESTED for _ in missing]
    return Standing(worst(outcomes), MappingProxyType(tests), missing)


def _newest(
    newest_first: Sequence[RunHeader], name: str, now_utc: datetime, max_age: timedelta
) -> StandingTest | Finding:
    tried = [each for each in newest_first if name in each.tests]
    if not tried:
        return Finding("standing_never_tested", {"test": name})
    valid = [each for each in tried if _is_valid(each, name)]
    if not valid:
        return Finding("standing_none_valid", {"test": name, "run": float(tried[0].run)})
    newest = valid[0]
    figures: dict[str, float | str] = {"test": name, "run": float(newest.run)}
    if newest.before_rebuild:
        return Finding("standing_before_rebuild", figures)
    age = now_utc - newest.began_utc
    if not (newest.clock_was_set and is_set(now_utc) and age >= timedelta(0)):
        return Finding("standing_age_unknown", figures)
    if age > max_age:
        ages: dict[str, float | str] = {
            "age_days": float(math.ceil(age / _DAY)),
            "max_age_days": float(math.floor(max_age / _DAY)),
        }
        return Finding("standing_too_old", figures | ages)
    return StandingTest(newest.tests[name], newest.run, newest.began_utc)


def _is_valid(run: RunHeader, name: str) -> bool:
    is_finished = run.ending is Ending.FINISHED and run.voided is None
    return is_finished and run.tests[name] not in _SAYS_NOTHING
