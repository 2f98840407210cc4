"""Own the finding of the hold in a record and of what spoils it, located in time; never a leak.

A spoiled test says nothing about the part. What is looked for: the hose off, a leak that grows, a
frozen reading, frames lost, the sensor at its end, the target vacuum not reached, the ambient
moved. A partial jump (a seat popping, a sticking rod) does not spoil a hold, it splits it.
"""

from dataclasses import dataclass

import numpy as np

from rig.analysis import blocks, noise
from rig.analysis.hold import Hold, HoldCurve, finding
from rig.analysis.jumps import Jump, find_jumps, longest_piece
from rig.analysis.record_faults import lost_frames, stuck_reading
from rig.arrays import FloatArray
from rig.records import Finding

_GONE_SHARE = 0.04
"""Share of the start vacuum below which the vacuum counts as gone to ambient."""
_PULL_PA = 1500.0
"""A fall of pressure within the record larger than this is the pull before the hold."""
_TARGET_TOLERANCE = (1700.0, 0.05)
"""How far below the limit's vacuum a hold may start: half an inch of mercury, or this share."""
_AMBIENT_MOVED_PA = 300.0
_NO_PUMP_PA = 2000.0
"""Absolute pressure that no hand pump reaches: below it a sensor or its wire is at fault."""
_HOSE_S = 1.0
"""A vacuum gone within this time tells nothing of what let it go."""


@dataclass(frozen=True)
class Inspection:
    """The part of a record to be analysed, and what was found.

    `first` and `stop` index the record; `wild` (samples,) marks wild samples of the whole record;
    `strokes_end_s` is the time of the last stroke; `spoiled` holds the findings that forbid a
    verdict, `notes` those that do not; `gone_s` is when the vacuum had leaked away, or None.
    """

    first: int
    stop: int
    wild: np.ndarray
    strokes_end_s: float
    white_sd_pa: float
    step_pa: float
    spoiled: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    gone_s: float | None


def inspect(hold: Hold) -> Inspection:
    """Find the hold in a record and what spoils it."""
    t, p = hold.curve.time_s, hold.curve.pressure_pa
    white_sd = noise.white_sd(p)
    # A wild sample may lie between the converter's steps and hide them.
    step = noise.converter_step(p[~blocks.wild_samples(p, white_sd, 0.0)])
    jitter = max(white_sd, step / 3.0, 1.0)
    wild = blocks.wild_samples(p, white_sd, step)
    smooth = blocks.running_median(p)
    first, stop = _hold_bounds(smooth, white_sd, step)
    strokes_end_s = float(t[first])
    vacuum = hold.conditions.ambient_pa - smooth[first:stop]
    at_once = hold.conditions.ambient_pa - float(np.median(p[first : first + 3]))
    start_vacuum = max(float(np.max(vacuum)), at_once)

    spoiled = _no_hold(hold, smooth[first:stop], start_vacuum, jitter)
    notes: list[Finding] = []
    gone_s: float | None = None
    if not spoiled:
        known = hold.conditions
        spoiled = stuck_reading(
            t[first:stop], p[first:stop], step, known.ambient_pa, quiet=known.quiet
        )
        lost, notes = lost_frames(t[first:stop])
        spoiled += lost + _ambient_moved(hold.curve, first, stop)
    if not spoiled:
        held = ~wild
        held[:first] = held[stop:] = False
        jumps = find_jumps(t[held], p[held], jitter)
        gone = np.flatnonzero(vacuum < max(_GONE_SHARE * start_vacuum, 5.0 * jitter))
        if gone.size:
            gone_s = float(t[first + gone[0]])
            spoiled = _ran_off(jumps, gone_s, strokes_end_s)
            stop = first + int(gone[0])
            notes.append(finding("leaks_to_ambient", time_s=gone_s - strokes_end_s))
        elif any(jump.grew for jump in jumps):
            grown = next(jump for jump in jumps if jump.grew)
            spoiled = [finding("leak_grew", time_s=grown.time_s)]
        elif jumps:
            first, stop, split = longest_piece(t, p, (first, stop), jumps)
            notes += split
    if not spoiled:
        spoiled = _target_missed(hold, start_vacuum)
    count = int(np.count_nonzero(wild[first:stop]))
    if count:
        notes.append(finding("wild_samples", count=count))
    return Inspection(
        first=first,
        stop=stop,
        wild=wild,
        strokes_end_s=strokes_end_s,
        white_sd_pa=white_sd,
        step_pa=step,
        spoiled=tuple(spoiled),
        notes=tuple(notes),
        gone_s=gone_s,
    )


def hold_start_s(curve: HoldCurve) -> float:
    """Find the time [s] at which the hold begins: the last stroke of the pull, if it is there."""
    p = curve.pressure_pa
    first, _ = _hold_bounds(blocks.running_median(p), noise.white_sd(p), noise.converter_step(p))
    return float(curve.time_s[first])


def _hold_bounds(smooth: FloatArray, white_sd_pa: float, step_pa: float) -> tuple[int, int]:
    """Find the hold after the pull: from the deepest vacuum, if a pull was recorded, to the end."""
    lowest = int(np.argmin(smooth))
    pulled = float(np.max(smooth[: lowest + 1]) - smooth[lowest])
    if pulled < max(_PULL_PA, 20.0 * white_sd_pa, 5.0 * step_pa):
        return 0, smooth.size
    # The first sample as deep as the deepest, within the noise: the last stroke ends there.
    near = smooth[lowest] + max(3.0 * white_sd_pa, step_pa)
    return min(int(np.argmax(smooth <= near)), smooth.size - 2), smooth.size


def _no_hold(
    hold: Hold, smooth: FloatArray, start_vacuum_pa: float, jitter_pa: float
) -> list[Finding]:
    """Find what makes a record no hold of a vacuum at all."""
    middle = float(np.median(smooth))
    if middle > hold.conditions.ambient_pa + max(1000.0, 10.0 * jitter_pa):
        return [finding("above_ambient", pressure_pa=middle)]
    if start_vacuum_pa < max(1500.0, 20.0 * jitter_pa):
        return [finding("no_vacuum", vacuum_pa=start_vacuum_pa)]
    deepest = int(np.argmin(smooth))
    if smooth[deepest] < _NO_PUMP_PA:
        at = float(hold.curve.time_s[hold.curve.time_s.size - smooth.size + deepest])
        return [finding("sensor_at_end", time_s=at, pressure_pa=float(smooth[deepest]))]
    return []


def _ambient_moved(curve: HoldCurve, first: int, stop: int) -> list[Finding]:
    if curve.ambient_pa is None:
        return []
    moved = float(np.ptp(blocks.running_median(curve.ambient_pa[first:stop])))
    return [finding("ambient_moved", change_pa=moved)] if moved > _AMBIENT_MOVED_PA else []


def _ran_off(jumps: list[Jump], gone_s: float, begin_s: float) -> list[Finding]:
    """Tell a hose that came off from a leak: a leak is fastest at once."""
    before = [jump for jump in jumps if jump.time_s <= gone_s + 0.5]
    if before:
        return [finding("hose_off", time_s=before[-1].time_s)]
    if gone_s - begin_s < _HOSE_S:
        return [finding("hose_off", time_s=gone_s)]
    return []


def _target_missed(hold: Hold, start_vacuum_pa: float) -> list[Finding]:
    target = hold.limit.from_vacuum_pa
    tolerance = max(_TARGET_TOLERANCE[0], _TARGET_TOLERANCE[1] * target)
    if hold.limit.max_drop_pa is None or start_vacuum_pa >= target - tolerance:
        return []
    return [finding("target_not_reached", vacuum_pa=start_vacuum_pa, target_pa=target)]
