"""Own the comparison of a run as stored with the run as it is judged now; never change a record."""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import rig
from rig import words
from rig.cli import layout, plain, run_report
from rig.cli.text_file import read_text_file
from rig.errors import InputError
from rig.parts.spec_sheet import SpecSheet, parse_spec_sheet
from rig.procedure.again import judged_again
from rig.records import Estimate, Purpose
from rig.runs import Ending, KeptRun, Measured, RunResult, TestResult
from rig.web import as_json as web_json

_SAME = 1e-6
"""Two figures are the same within this share of them, or of their own uncertainty."""


@dataclass(frozen=True)
class Sheet:
    """A spec sheet, and the name of its file."""

    file: str
    limits: SpecSheet


@dataclass(frozen=True)
class Difference:
    """Something that came out otherwise: of which test (none: of the run), what, then and now."""

    test: str
    what: str
    stored: str
    now: str


@dataclass(frozen=True)
class Anew:
    """A run with what comes out now; under a sheet's limits no difference is one too many."""

    kept: KeptRun
    stored: RunResult
    now: RunResult
    sheet: Sheet | None
    differences: tuple[Difference, ...]


def read_sheet(path: Path) -> Sheet:
    """Read a spec sheet.

    Raises InputError with all that is wrong with it.
    """
    return Sheet(str(path), parse_spec_sheet(read_text_file(path), str(path)))


def judge(
    kept: KeptRun,
    load: Callable[[int], KeptRun],
    sheet: Sheet | None,
    purpose: Purpose | None,
) -> Anew:
    """Judge a run again, by its own limits or by those of a sheet.

    Raises InputError where the run is still being made, or the sheet has no limit for its tests.
    """
    stored = kept.result
    if stored is None:
        raise InputError(f"run {kept.run} is still being made: wait until it has ended.")
    if sheet is None:
        now = judged_again(kept, load)
        return Anew(kept, stored, now, None, tuple(differences(stored, now)))
    tests = [test.name for test in kept.plan.tests]
    if not set(tests) & set(sheet.limits.limits):
        raise InputError(
            f"{sheet.file} has limits for {', '.join(sheet.limits.limits)}, and run {kept.run} made"
            f" {', '.join(tests)}: there is nothing to judge."
        )
    own = kept.plan.purpose
    wanted = purpose or (Purpose.BEFORE_FITTING if own.confidence is None else own)
    planned = replace(kept, plan=replace(kept.plan, purpose=wanted))
    return Anew(kept, stored, judged_again(planned, load, sheet.limits.limits), sheet, ())


def differences(stored: RunResult, now: RunResult) -> Iterator[Difference]:
    """List what came out otherwise: outcomes, and quantities beyond rounding."""
    if stored.outcome is not now.outcome:
        yield _outcomes("", stored, now)
    then, again = ({test.name: test for test in each.tests} for each in (stored, now))
    for name in dict.fromkeys([*then, *again]):
        if name not in then or name not in again:
            nothing = words.REANALYSIS["nothing"]
            sides = (
                words.OUTCOMES[s[name].outcome] if name in s else nothing for s in (then, again)
            )
            yield Difference(name, words.RUN_LABELS["outcome"], *sides)
            continue
        yield from _in_test(then[name], again[name])


def _outcomes(test: str, stored: RunResult | TestResult, now: RunResult | TestResult) -> Difference:
    said = (words.OUTCOMES[each.outcome] for each in (stored, now))
    return Difference(test, words.RUN_LABELS["outcome"], *said)


def _in_test(stored: TestResult, now: TestResult) -> Iterator[Difference]:
    if stored.outcome is not now.outcome:
        yield _outcomes(stored.name, stored, now)
    then, again = ({each.name: each for each in test.measured} for test in (stored, now))
    for name in dict.fromkeys([*then, *again]):
        before, after = then.get(name), again.get(name)
        if before is None or after is None or not _is_same(before.estimate, after.estimate):
            yield Difference(stored.name, words.quantity(name), _exactly(before), _exactly(after))


def _is_same(one: Estimate, other: Estimate) -> bool:
    if math.isnan(one.value) or math.isnan(one.u):
        return math.isnan(one.value) is math.isnan(other.value) and (
            math.isnan(one.u) is math.isnan(other.u)
        )
    negligible = _SAME * one.u if math.isfinite(one.u) else 0.0
    return math.isclose(one.value, other.value, rel_tol=_SAME, abs_tol=negligible) and (
        math.isclose(one.u, other.u, rel_tol=_SAME)
    )


def _exactly(measured: Measured | None) -> str:
    """Write a quantity so that a small difference shows."""
    if measured is None:
        return words.REANALYSIS["nothing"]
    shown = words.estimate(measured.estimate, measured.kind)
    return f"{shown} ({measured.estimate.value:.9g}, u {measured.estimate.u:.9g})"


def as_json(anew: Anew) -> plain.Json:
    """Tell the comparison to a program; `agrees` is null under the limits of a sheet."""
    sheet = anew.sheet
    return {
        "run": anew.kept.run,
        "tag": anew.kept.plan.tag,
        "program_then": anew.kept.setup.program,
        "program_now": rig.__version__,
        "agrees": None if sheet is not None else not anew.differences,
        "differences": [
            {"test": each.test or None, "what": each.what, "stored": each.stored, "now": each.now}
            for each in anew.differences
        ],
        "limits": None
        if sheet is None
        else {
            "file": sheet.file,
            "make": sheet.limits.make,
            "part_number": sheet.limits.part_number,
        },
        "stored": web_json.result(anew.stored),
        "now": web_json.result(anew.now),
    }


def as_text(anew: Anew, *, details: bool) -> str:
    """Tell the comparison to a person."""
    lines = [*layout.paragraphs([run_report.head(anew.kept)]), ""]
    if anew.stored.ending is not Ending.FINISHED:
        said = words.REANALYSIS["not_finished"]
        return "\n".join([*lines, said.format(ending=words.ENDINGS[anew.stored.ending])])
    if anew.sheet is not None:
        return "\n".join([*lines, *_side_by_side(anew, anew.sheet, details=details)])
    said = words.REANALYSIS["otherwise" if anew.differences else "same"]
    lines += layout.paragraphs([said.format(then=anew.kept.setup.program, now=rig.__version__)])
    if anew.differences:
        lines += ["", *layout.labelled(_rows(anew.differences))]
    return "\n".join(lines)


def _rows(found: Sequence[Difference]) -> Iterator[tuple[str, str]]:
    for each in found:
        label = f"{each.test}: {each.what}" if each.test else each.what
        yield label, f"{words.REANALYSIS['stored']} {each.stored}"
        yield "", f"{words.REANALYSIS['now']} {each.now}"


def _side_by_side(anew: Anew, sheet: Sheet, *, details: bool) -> Iterator[str]:
    """Tell the tests as they were stored, then as they come out under the sheet."""
    under = {"sheet": sheet.file, "make": sheet.limits.make, "number": sheet.limits.part_number}
    for heading, result in (("as_stored", anew.stored), ("under", anew.now)):
        said = words.REANALYSIS[heading].format(outcome=words.OUTCOMES[result.outcome], **under)
        yield from layout.paragraphs([said])
        for test in result.tests:
            yield ""
            yield from run_report.test_lines(test, details=details)
        if result is anew.stored:
            yield ""
