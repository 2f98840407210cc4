"""Own how an analysed curve is reported, to a person and to a program; never judge or print it."""

import math
import textwrap
from collections.abc import Iterator

from rig import figures, words
from rig.analysis.hold import HoldResult
from rig.cli.analyse_curve import AnalysedCurve
from rig.records import Estimate, Finding, Outcome
from rig.units import M3_PER_CC, PA_PER_INHG, STD_CC_PER_MIN_PER_M3_S

_WIDTH = 96
_LABEL = 20
_DIGITS = 6
"""Significant digits of a number in the report for programs: finer than any measurement here."""

Json = dict[str, object]


def as_json(analysed: AnalysedCurve) -> Json:
    """Return the whole analysis as one JSON object; a number that is not known is null.

    Names carry units. Uncertainties are standard uncertainties, split by source.
    """
    result = analysed.result
    inhg = 1.0 / PA_PER_INHG
    return {
        "outcome": str(result.outcome),
        "purpose": str(analysed.purpose),
        "probability_of_conformity": _number(result.probability_of_conformity),
        "leak_std_cm3_min": _estimate(result.leak, STD_CC_PER_MIN_PER_M3_S),
        "equivalent_drop_inhg": _estimate(result.equivalent_drop, inhg),
        "observed_drop_inhg": _number(result.observed_drop_pa, inhg),
        "dial_and_stopwatch": {
            "drop_inhg": _number(result.observed_drop_pa, inhg),
            "outcome": None if result.dial_outcome is None else str(result.dial_outcome),
        },
        "leak_kind": result.leak_kind,
        "settling": _settling(result),
        "reasons": [words.sentence(reason) for reason in result.reasons],
        "findings": [_finding(reason) for reason in result.reasons],
        "notes": [words.sentence(note) for note in analysed.notes],
        "limit": _limit(analysed),
        "hold": {
            "start_s": _number(result.hold_start_s),
            "end_s": _number(result.hold_end_s),
            "start_vacuum_inhg": _number(result.start_vacuum_pa, inhg),
            "end_vacuum_inhg": _number(result.end_vacuum_pa, inhg),
        },
        "conditions": _conditions(analysed),
        "noise": {name: _number(value) for name, value in result.noise.items()},
        "candidates": [
            {
                "law": candidate.law,
                "settling": candidate.settling,
                "weight": _number(candidate.weight),
                "leak_std_cm3_min": _number(candidate.leak_m3_s, STD_CC_PER_MIN_PER_M3_S),
                "u_std_cm3_min": _number(candidate.u_m3_s, STD_CC_PER_MIN_PER_M3_S),
            }
            for candidate in result.candidates
        ],
        "decided_at_s": _number(result.decided_at_s),
        "curve": analysed.name,
    }


def _number(value: float | None, factor: float = 1.0) -> float | None:
    if value is None or not math.isfinite(value * factor):
        return None
    return float(f"{value * factor:.{_DIGITS}g}")


def _estimate(estimate: Estimate | None, factor: float) -> Json | None:
    if estimate is None:
        return None
    return {
        "value": _number(estimate.value, factor),
        "u": _number(estimate.u, factor),
        "sources": {name: _number(u, factor) for name, u in estimate.sources.items()},
    }


def _settling(result: HoldResult) -> Json | None:
    settling = result.settling
    if settling is None:
        return None
    return {
        "kind": settling.kind,
        "rise_inhg": _number(settling.rise_pa, 1.0 / PA_PER_INHG),
        "time_constant_s": _number(settling.time_constant_s),
    }


def _finding(finding: Finding) -> Json:
    return {
        "code": finding.code,
        "figures": {
            name: value if isinstance(value, str) else _number(value)
            for name, value in finding.figures.items()
        },
    }


def _limit(analysed: AnalysedCurve) -> Json:
    limit = analysed.result.limit
    return {
        "from_inhg": _number(limit.from_vacuum_pa, 1.0 / PA_PER_INHG),
        "max_drop_inhg": _number(limit.max_drop_pa, 1.0 / PA_PER_INHG),
        "within_s": _number(limit.within_s),
        "reference_volume_cc": _number(limit.reference_volume_m3, 1.0 / M3_PER_CC),
        "confidence": None if limit.max_drop_pa is None else limit.confidence,
        "source": analysed.limit_source,
    }


def _conditions(analysed: AnalysedCurve) -> Json:
    known = analysed.conditions
    own = known.own_leak
    return {
        "ambient_pa": _number(known.ambient_pa),
        "ambient_u_pa": _number(known.ambient_u_pa),
        "gas_temperature_k": _number(known.gas_temperature_k),
        "gas_temperature_u_k": _number(known.gas_temperature_u_k),
        "volume_cc": _number(known.volume_m3, 1.0 / M3_PER_CC),
        "volume_u_cc": _number(known.volume_u_m3, 1.0 / M3_PER_CC),
        "span_u": _number(known.span_u),
        "own_leak_std_cm3_min": None
        if own is None
        else _estimate(Estimate(own.flow_m3_s, own.u_m3_s), STD_CC_PER_MIN_PER_M3_S),
    }


def as_text(analysed: AnalysedCurve, *, details: bool) -> str:
    """Return the report for a person: the outcome first, then why, then the figures."""
    result = analysed.result
    lines = [words.OUTCOMES[result.outcome], ""]
    for reason in result.reasons:
        lines += textwrap.wrap(words.sentence(reason), _WIDTH)
    lines.append("")
    for label, text in _rows(analysed, details=details):
        lines += _row(label, text)
    if result.leak is not None:
        lines += ["", *textwrap.wrap(words.DEFINITIONS, _WIDTH)]
    return "\n".join(lines) + "\n"


def _row(label: str, text: str) -> list[str]:
    hanging = " " * _LABEL
    first = f"{words.LABELS[label] if label else '':<{_LABEL}}"
    return textwrap.wrap(text, _WIDTH, initial_indent=first, subsequent_indent=hanging)


def _rows(analysed: AnalysedCurve, *, details: bool) -> Iterator[tuple[str, str]]:
    """Yield a label (none where the one before goes on) and what stands beside it."""
    result, limit = analysed.result, analysed.result.limit
    meant = words.drop_conditions(limit.from_vacuum_pa, limit.within_s, limit.reference_volume_m3)
    if result.equivalent_drop is not None and result.leak is not None:
        drop = figures.drop(result.equivalent_drop.value, result.equivalent_drop.u)
        yield "hand_gauge", f"{drop}, {meant}"
        flow = figures.flow(result.leak.value, result.leak.u)
        yield "leak", f"{flow}: {words.LEAK_KINDS[result.leak_kind]}"
    if result.outcome is not Outcome.INVALID:
        yield (
            "dial",
            words.dial_reading(
                result.observed_drop_pa, result.dial_outcome, result.outcome, limit.within_s
            ),
        )
    if result.settling is not None:
        settling = result.settling
        yield (
            "settling",
            words.settling_seen(settling.kind, settling.rise_pa, settling.time_constant_s),
        )
    if math.isfinite(result.start_vacuum_pa) and math.isfinite(result.end_vacuum_pa):
        lasting_s = result.hold_end_s - result.hold_start_s
        yield "hold", words.hold_seen(lasting_s, result.start_vacuum_pa, result.end_vacuum_pa)
    if limit.max_drop_pa is not None:
        source = analysed.limit_source or ""
        yield "limit", words.limit_of_drop(limit.max_drop_pa, meant, source)
    yield "purpose", words.purpose_and_confidence(analysed.purpose)
    if result.equivalent_drop is not None:
        yield from _several("doubt", map(": ".join, words.doubt_by_source(result.equivalent_drop)))
    yield from _several("notes", map(words.sentence, analysed.notes))
    if details:
        yield from _details(result)


def _several(label: str, texts: Iterator[str]) -> Iterator[tuple[str, str]]:
    for index, text in enumerate(texts):
        yield (label if index == 0 else ""), text


def _details(result: HoldResult) -> Iterator[tuple[str, str]]:
    yield from _several("noise", (f"{name} {value:.4g}" for name, value in result.noise.items()))
    yield from _several(
        "candidates",
        (
            f"{100.0 * candidate.weight:.1f} %: {candidate.law}, settling {candidate.settling}, "
            f"{figures.flow(candidate.leak_m3_s, candidate.u_m3_s)}"
            for candidate in result.candidates
        ),
    )
