"""Own how a run on record is reported, to a person and to a program; never judge or print it."""

from collections.abc import Iterator

from rig import words
from rig.cli import layout, plain, standings
from rig.errors import InputError
from rig.parts.limit_text import source_from_text
from rig.runs import Judged, KeptRun, KnownOwnLeak, KnownVolume, StepRecord, TestResult
from rig.store.records import Change
from rig.store.store import Store
from rig.units import Kind
from rig.web import as_json as web_json


def tag_now(store: Store, kept: KeptRun) -> str:
    """Get the tag that the part of a run has now: it may have been renamed, or the run moved."""
    tag = kept.plan.tag
    try:
        for change in store.history(tag):
            if change.change is Change.MOVED and change.run == kept.run and change.after:
                tag = change.after
        return store.part(tag).tag
    except InputError:
        return kept.plan.tag


def as_json(kept: KeptRun, tag: str) -> plain.Json:
    """Tell a run to a program, in the form in which the rig's web tells it."""
    return {**web_json.kept_run(kept), "tag_now": tag}


def as_text(kept: KeptRun, tag: str, *, details: bool) -> str:
    """Tell a run to a person: what came of it, why, what was measured, what was done."""
    result = kept.result
    reasons = () if result is None else result.reasons
    tests = () if result is None else result.tests
    lines = [
        *layout.paragraphs([head(kept), *map(words.said, reasons)]),
        "",
        *layout.labelled(_rows(kept, tag)),
    ]
    for test in tests:
        lines += ["", *test_lines(test, details=details)]
    if kept.steps:
        lines += ["", words.RUN_HEADINGS["steps"], *layout.table(_steps(kept))]
    if kept.events:
        lines += ["", words.RUN_HEADINGS["events"], *layout.table(_events(kept))]
    if any(test.measured for test in tests):
        lines += ["", *layout.paragraphs([words.DEFINITIONS])]
    return "\n".join(lines)


def head(kept: KeptRun) -> str:
    """Head what is said of a run: its number, its part, what came of it."""
    outcome = words.BEING_MADE if kept.result is None else words.OUTCOMES[kept.result.outcome]
    return words.RUN_LINES["head"].format(run=kept.run, tag=kept.plan.tag, outcome=outcome)


def test_lines(test: TestResult, *, details: bool) -> list[str]:
    """Say what came of a test, why, what was measured and what it was held to."""
    outcome = words.OUTCOMES[test.outcome]
    return [
        *layout.paragraphs([words.RUN_LINES["test"].format(test=test.name, outcome=outcome)]),
        *layout.paragraphs(map(words.said, test.reasons)),
        *layout.labelled(_test_rows(test, details=details)),
    ]


test_lines.__test__ = False  # type: ignore[attr-defined]


def _rows(kept: KeptRun, tag: str) -> Iterator[tuple[str, str]]:
    plan, setup, label = kept.plan, kept.setup, words.RUN_LABELS
    if not standings.is_rig(plan.tag):
        yield label["part"], standings.what_it_is((plan.family, plan.variant), in_full=True)
    if tag != plan.tag:
        yield label["now_of"], tag
    yield label["void"], kept.voided or ""
    yield label["purpose"], words.purpose_and_confidence(plan.purpose)
    yield label["begun"], words.moment(setup.began_utc, clock_was_set=setup.clock_was_set)
    yield label["ended"], "" if kept.result is None else words.ENDINGS[kept.result.ending]
    yield label["confirmed"], ", ".join(each.replace("_", " ") for each in plan.confirmed)
    yield label["note"], plan.note
    yield label["rig_volume"], _known_volume(setup.rig_volume)
    yield label["own_leak"], _known_leak(setup.own_leak)
    yield (
        label["made_with"],
        words.RUN_LINES["made_with"].format(
            program=setup.program, board=setup.board, firmware=setup.firmware
        ),
    )
    yield label["recorded"], _recorded(kept)


def _known_volume(known: KnownVolume | None) -> str:
    if known is None:
        return words.NOT_KNOWN
    value = words.estimate(known.volume_m3, Kind.VOLUME)
    return words.RUN_LINES["from"].format(value=value, source=known.source)


def _known_leak(known: KnownOwnLeak | None) -> str:
    if known is None:
        return words.NOT_KNOWN
    value = words.estimate(known.flow_m3_s, Kind.FLOW)
    return words.RUN_LINES["from_run"].format(value=value, run=known.run)


def _recorded(kept: KeptRun) -> str:
    samples, lines = kept.samples, words.RUN_LINES
    lost = lines["lost"].format(count=samples.missing) if samples.missing else lines["none_lost"]
    return lines["recorded"].format(
        frames=samples.sequence.size, channels=len(kept.setup.channels), lost=lost
    )


def _test_rows(test: TestResult, *, details: bool) -> Iterator[tuple[str, str]]:
    for each in test.measured:
        yield words.quantity(each.name), words.estimate(each.estimate, each.kind)
    for judged in test.judged:
        yield words.RUN_LABELS["limit"], words.limit_as_printed(judged.limit)
        yield words.RUN_LABELS["judged"], _verdict(judged)
    if details:
        doubts = (
            f"{words.quantity(each.name)}: {doubt}"
            for each in test.measured
            for doubt in words.doubts(each.estimate, each.kind)
        )
        yield from layout.several(words.RUN_LABELS["doubt"], doubts)


def _verdict(judged: Judged) -> str:
    said = words.judged(judged.outcome, judged.probability_of_conformity, judged.confidence)
    source = judged.limit.get("source")
    if isinstance(source, str) and source_from_text(source).is_rig_default:
        return f"{said}; {words.NO_MAKERS_LIMIT}"
    return said


def _steps(kept: KeptRun) -> list[list[str]]:
    names = ("at", "lasted", "state", "step", "ended_by")
    return [[words.RUN_LABELS[name] for name in names], *(_step(kept, each) for each in kept.steps)]


def _step(kept: KeptRun, step: StepRecord) -> list[str]:
    return [
        _since(kept, step.began_mono_s),
        f"{step.ended_mono_s - step.began_mono_s:.1f} s",
        words.STATES.get(step.state, step.state),
        step.name,
        words.ENDED_BY.get(step.ended_by, step.ended_by),
    ]


def _events(kept: KeptRun) -> list[list[str]]:
    return [[_since(kept, event.mono_s), words.said(event.finding)] for event in kept.events]


def _since(kept: KeptRun, mono_s: float) -> str:
    return f"{max(mono_s - kept.setup.began_mono_s, 0.0):.1f} s"
