"""Own measuring the rig's own volume with a graduated syringe; never use it.

The syringe hangs where a part would, its plunger fully in, everything vented. The vent shuts and
the plunger is drawn to one mark after another: the pressures tell the volume they started from.
At the end the vacuum in the syringe proves the part valve.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.hold import finding
from rig.analysis.volume import calibrate_rig_volume, extrapolate_settled
from rig.errors import InputError
from rig.procedure import pulls
from rig.procedure.context import Context
from rig.procedure.levels import vented_level
from rig.procedure.steps import (
    Acknowledged,
    Elapsed,
    Procedure,
    Prompt,
    State,
    Step,
    StepNotMade,
    StepResult,
    Steps,
    make,
)
from rig.records import Estimate, Finding, Outcome
from rig.runs import Measured, TestResult
from rig.units import PA_PER_INHG, Kind

_ZERO_S = 2.0
_MOVE_S = 0.5
_OPENED_S = 2.0
_KEPT_PA = 1.0 * PA_PER_INHG
"""Vacuum that a syringe drawn to its last mark must show again: a tight valve keeps several."""
_SETTLE_S = 4.0
_TAIL_S = 1.5
"""The end of a settled record that is averaged."""
_LEAST_READINGS = 20
_VAGUE = 0.05
"""A volume more uncertain than this share of it was not measured."""

_TIP = Estimate(0.5e-6, 0.2e-6)


@dataclass(frozen=True)
class Syringe:
    """A graduated syringe: its marks [m3], how well one is read, how true the scale is.

    `attached_m3` is what it adds with its plunger fully in: its tip and the tube to the hose.
    """

    marks_m3: tuple[float, ...] = (0.0, 4e-6, 8e-6, 12e-6, 16e-6, 20e-6)
    reading_u_m3: float = 0.1e-6
    scale_u: float = 0.01
    attached_m3: Estimate = _TIP


def rig_volume_test(context: Context, syringe: Syringe) -> Procedure:
    """Measure the volume of manifold and hose, from vented back to vented."""
    try:
        return (yield from _measure(context, syringe))
    except StepNotMade:
        reason = finding("test_cut_short")
        return TestResult(context.test.name, Outcome.INVALID, reasons=(reason,))


def _measure(context: Context, syringe: Syringe) -> Procedure:
    name = context.test.name
    yield from make(
        Step("syringe", State.ZEROING, Acknowledged(), pulls.REST, finding(Prompt.SYRINGE_IN))
    )
    vented = yield from make(Step("vented", State.ZEROING, Elapsed(_ZERO_S)))
    ambient = vented_level(vented.recording, context)
    if isinstance(ambient, Finding):
        return TestResult(name, Outcome.INVALID, reasons=(ambient,))
    reads: list[StepResult] = []
    for index, mark_m3 in enumerate(syringe.marks_m3):
        if index:
            yield from make(
                Step(
                    f"mark.{index}",
                    State.PULLING,
                    Acknowledged(),
                    prompt=finding(Prompt.SYRINGE, volume_m3=mark_m3),
                )
            )
        settled = yield from make(
            Step(f"read.{index}", State.SETTLING, Elapsed(_SETTLE_S), {"vent": "shut"})
        )
        reads.append(settled)
    shuts = yield from _part_valve_shuts(context, ambient)
    yield from make(Step("vent", State.VENTING, Elapsed(_ZERO_S), pulls.REST))
    try:
        volume = _evaluate(context, syringe, ambient, reads)
    except InputError as error:
        reason = finding("rig_volume_unusable", what=str(error))
        return TestResult(name, Outcome.INVALID, reasons=(reason,))
    measured = (
        Measured("ambient", Kind.ABSOLUTE_PRESSURE, ambient),
        Measured("rig_volume", Kind.VOLUME, volume),
    )
    if not shuts:
        reason = finding("part_valve_does_not_shut")
        return TestResult(name, Outcome.FAIL, measured, reasons=(reason,))
    return TestResult(name, Outcome.MEASURED, measured)


def _part_valve_shuts(context: Context, ambient: Estimate) -> Steps[bool]:
    """Prove the part valve by the vacuum that it keeps in the syringe while the rig is vented.

    Shut off, the drawn syringe stays as it is; opened again it pulls the vented manifold down. A
    valve that never opens would have shown no mark at all.
    """
    if not context.has_part_valve:
        return True
    yield from make(Step("part.shut", State.SETTLING, Elapsed(_MOVE_S), {"part": "shut"}))
    yield from make(Step("part.vented", State.VENTING, Elapsed(_ZERO_S), {"vent": "open"}))
    yield from make(Step("part.alone", State.SETTLING, Elapsed(_MOVE_S), {"vent": "shut"}))
    opened = yield from make(
        Step("part.opened", State.SETTLING, Elapsed(_OPENED_S), {"part": "open"})
    )
    _, pressure_pa = opened.recording.channel("p_a")
    late_pa = pressure_pa[pressure_pa.size // 2 :]
    return bool(late_pa.size and ambient.value - float(np.median(late_pa)) > _KEPT_PA)


def _evaluate(
    context: Context, syringe: Syringe, ambient: Estimate, reads: Sequence[StepResult]
) -> Estimate:
    """Get the volume, or raise InputError where the marks do not tell it."""
    volume = calibrate_rig_volume(
        syringe.marks_m3,
        [_level_pa(read) for read in reads],
        reading_u_m3=syringe.reading_u_m3,
        scale_u=syringe.scale_u,
        pressure_u_pa=max(ambient.u, context.converter_step_pa / 2.0, 2.0),
        zero_u_pa=context.zero_u_pa,
        attached_m3=syringe.attached_m3,
    )
    lasted_s = reads[-1].record.ended_mono_s - reads[0].record.began_mono_s
    leak_u = abs(volume.value) * _leaked_share(reads[-1], lasted_s)
    volume = Estimate.from_sources(volume.value, {**volume.sources, "leak": leak_u})
    if not 0.0 < volume.u < _VAGUE * volume.value:
        raise InputError(
            f"{volume.value * 1e6:.1f} cm3 would be uncertain by {volume.u * 1e6:.1f} cm3. Draw the"
            " plunger to each mark and hold it there, and see that syringe and hose are tight"
        )
    return volume


def _level_pa(read: StepResult) -> float:
    time_s, pressure_pa = read.recording.channel("p_a")
    tail = pressure_pa[time_s >= read.record.ended_mono_s - _TAIL_S]
    if tail.size < _LEAST_READINGS:
        raise InputError(f"at one mark only {tail.size} readings came. Repeat it")
    return float(np.median(tail))


def _leaked_share(last: StepResult, lasted_s: float) -> float:
    """Bound by what share of itself air that leaked in makes the volume too large.

    At the rate of the last mark, the deepest vacuum, for all of the time since the vent was shut.
    What a leak lets in by one mark after another bends the line of 1/p by half as much again.
    Raises InputError where the record of the last mark is too short.
    """
    time_s, pressure_pa = last.recording.channel("p_a")
    told = extrapolate_settled(time_s, pressure_pa, float(time_s[-1]), 2)
    return 1.5 * max(told.slope_pa_s.value, 0.0) * lasted_s / told.pressure_pa.value
