"""Own the way of a recorded curve from its file to its result; never show anything."""

from dataclasses import dataclass, replace
from pathlib import Path

from rig.analysis.hold import Hold, HoldConditions, HoldCurve, HoldResult, OwnLeak
from rig.analysis.leak import analyse_hold
from rig.analysis.own_leak import own_leak_from
from rig.cli.conditions import Findings, blank_off_of, curve_and_conditions, measured_drop
from rig.cli.curve_file import read_curve_file
from rig.cli.settings import CONDITION_OF_KEY, KnownConditions
from rig.errors import InputError, UsageError
from rig.parts.limit_text import drop_limit_from_text, source_from_text
from rig.parts.limits import Limit
from rig.records import Finding, Purpose
from rig.words import LIMIT_SOURCE_UNSAID, blank_off_refused


@dataclass(frozen=True)
class LimitTexts:
    """The limit as the options give it: texts with their units, None where not given."""

    from_vacuum: str | None = None
    max_drop: str | None = None
    within: str | None = None
    reference_volume: str | None = None
    source: str | None = None

    def read(self) -> Limit | None:
        """Read the limit, None where no limit is given.

        Raises UsageError where only a part of it is given, InputError where a text cannot be read
        or cannot be true.
        """
        needed = {"--from": self.from_vacuum, "--max-drop": self.max_drop, "--within": self.within}
        missing = [option for option, text in needed.items() if text is None]
        if len(missing) == len(needed):
            if self.source is not None:
                raise UsageError("--source names whose limit it is, but no limit is given.")
            return None
        if self.from_vacuum is None or self.max_drop is None or self.within is None:
            raise UsageError(
                f"a limit needs --from, --max-drop and --within together; {' and '.join(missing)} "
                f"{'is' if len(missing) == 1 else 'are'} missing."
            )
        source = source_from_text(self.source or LIMIT_SOURCE_UNSAID)
        return drop_limit_from_text(
            self.from_vacuum, self.max_drop, self.within, self.reference_volume, source
        )


@dataclass(frozen=True)
class BlankOff:
    """The file with the curve of the rig alone, and what it is called in what is said."""

    path: Path
    name: str


@dataclass(frozen=True)
class AnalysedCurve:
    """A curve, what it was judged with, and what came of it.

    `notes` says what was taken because nobody said it, and what is doubtful about the limit.
    `limit_source` is None where nothing was judged against a limit.
    """

    name: str
    purpose: Purpose
    curve: HoldCurve
    conditions: HoldConditions
    result: HoldResult
    limit_source: str | None = None
    notes: tuple[Finding, ...] = ()


def analyse_curve(
    path: Path,
    name: str,
    options: KnownConditions,
    limit_texts: LimitTexts,
    purpose: Purpose | None,
    *,
    blank_off: BlankOff | None = None,
) -> AnalysedCurve:
    """Read the curve at `path`, called `name` in what is said, and analyse it.

    Without a limit, or where the purpose is just to measure, the drop is measured, not judged. The
    curve of `blank_off` takes the place of an own leak that the curve's file states.

    Raises UsageError where options do not fit together, InputError where the file, an option's
    value or the limit cannot be used.
    """
    if blank_off is not None:
        _refuse_two_own_leaks(path, options, blank_off)
    limit = limit_texts.read()
    purpose = _purpose(limit, purpose)
    reference_m3 = _reference_volume_m3(limit_texts.reference_volume)
    curve, conditions, notes = curve_and_conditions(read_curve_file(path, name), options)
    if limit is None:
        drop_limit, taken = measured_drop(curve, conditions, reference_m3 or conditions.volume_m3)
        notes += taken
    else:
        drop_limit = limit.as_drop_limit(conditions.volume_m3, purpose.confidence)
        notes += limit.findings
    if reference_m3 is None:
        notes += (Finding("reference_volume_assumed", {"volume_m3": conditions.volume_m3}),)
    if blank_off is not None:
        own_leak, taken = _own_leak(blank_off, Hold(curve, conditions, drop_limit))
        conditions = replace(conditions, own_leak=own_leak)
        notes += taken
    return AnalysedCurve(
        name=name,
        purpose=purpose,
        curve=curve,
        conditions=conditions,
        result=analyse_hold(curve, conditions, drop_limit),
        limit_source=None if limit is None else str(limit.source),
        notes=notes,
    )


def _purpose(limit: Limit | None, purpose: Purpose | None) -> Purpose:
    if limit is not None:
        return purpose or Purpose.BEFORE_FITTING
    if purpose not in (None, Purpose.JUST_MEASURE):
        raise UsageError(
            f"--purpose {purpose} judges the part and needs a limit: give --from, --max-drop and "
            "--within, or use --purpose just-measure."
        )
    return Purpose.JUST_MEASURE


def _reference_volume_m3(text: str | None) -> float | None:
    if text is None:
        return None
    return CONDITION_OF_KEY["volume_cc"].read(text, "--reference-volume")


def _refuse_two_own_leaks(path: Path, options: KnownConditions, blank_off: BlankOff) -> None:
    if options.own_leak_m3_s is not None or options.own_leak_u_m3_s is not None:
        raise UsageError(
            "--blank-off and --own-leak both give the rig's own leak; leave one of them out."
        )
    if path.exists() and blank_off.path.exists() and path.samefile(blank_off.path):
        raise UsageError(
            f"{blank_off.name} is the curve that is judged; --blank-off wants that of the rig "
            "alone, hose end capped."
        )


def _own_leak(blank_off: BlankOff, part: Hold) -> tuple[OwnLeak, Findings]:
    """Read the rig's own leak and what is to be said of it.

    Raises InputError, naming the blank-off, where it cannot be used.
    """
    hold, notes = blank_off_of(read_curve_file(blank_off.path, blank_off.name), part)
    own_leak = own_leak_from(hold)
    if isinstance(own_leak, Finding):
        raise InputError(blank_off_refused(blank_off.name, own_leak))
    figures: dict[str, float | str] = {
        "blank_off": blank_off.name,
        "leak_m3_s": own_leak.flow_m3_s,
        "u_m3_s": own_leak.u_m3_s,
    }
    return own_leak, (Finding("own_leak_subtracted", figures), *notes)
