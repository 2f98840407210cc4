"""Own the finding of the hold in a record and of what spoils it, located in time; never a leak.

A spoiled test says nothing about the part. What is looked for: the hose off, a frozen reading,
frames lost, the sensor at its end, the target vacuum not reached, the ambient moved. A partial
jump (a seat popping, a sticking rod) does not spoil a hold, it splits it.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from rig.analysis import blocks, noise
from rig.analysis.gas import FloatArray
from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve
from rig.records import Finding

LEAST_HOLD_S = 8.0
"""No decision before this long after the last stroke."""
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
_LOST_SHARE = 1.0 / 3.0
_WINDOW_S = 0.25
_RESETTLED = 10
"""Windows after a jump before the slope is compared with that before it."""
_DITHERED = 0.55
"""Recorded noise in steps that half a step of noise and the rounding make; with less, a channel
repeats itself by right."""


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


def finding(code: str, **figures: float | str) -> Finding:
    """Make a finding; figures are in SI and named with their units."""
    return Finding(code, _frozen(figures))


def _frozen(figures: Mapping[str, float | str]) -> Mapping[str, float | str]:
    return {name: v if isinstance(v, str) else float(v) for name, v in figures.items()}


def inspect(
    curve: HoldCurve,
    conditions: HoldConditions,
    limit: DropLimit,
    white_sd_pa: float,
    step_pa: float,
) -> Inspection:
    """Find the hold in `curve` and what spoils it."""
    t, p = curve.time_s, curve.pressure_pa
    ambient = conditions.ambient_pa
    wild = blocks.wild_samples(p, white_sd_pa, step_pa)
    good = ~wild
    smooth = blocks.running_median(p)
    vacuum = ambient - smooth
    spoiled: list[Finding] = []
    notes: list[Finding] = []
    first, stop = _hold_bounds(smooth, white_sd_pa, step_pa)
    jitter = max(white_sd_pa, step_pa / 3.0, 1.0)

    if np.median(p) > ambient + max(1000.0, 10.0 * jitter):
        spoiled.append(finding("above_ambient", pressure_pa=float(np.median(p))))
        return Inspection(
            first, stop, wild, float(t[first]), white_sd_pa, step_pa, tuple(spoiled), (), None
        )
    at_once = ambient - float(np.median(p[first : first + 3]))
    start_vacuum = max(float(np.max(vacuum[first : max(first + 1, stop)])), at_once)
    if start_vacuum < max(1500.0, 20.0 * jitter):
        spoiled.append(finding("no_vacuum", vacuum_pa=start_vacuum))

    deepest = first + int(np.argmin(smooth[first:stop]))
    if smooth[deepest] < _NO_PUMP_PA:
        figures = {"time_s": float(t[deepest]), "pressure_pa": float(smooth[deepest])}
        spoiled.append(finding("sensor_at_end", **figures))
    spoiled += _frozen_reading(t, p, first, stop, start_vacuum, ambient)
    lost, tolerated = _lost_frames(t, first, stop)
    spoiled += lost
    notes += tolerated
    if curve.ambient_pa is not None:
        moved = float(np.ptp(blocks.running_median(curve.ambient_pa[first:stop])))
        if moved > _AMBIENT_MOVED_PA:
            spoiled.append(finding("ambient_moved", change_pa=moved))

    jumps = _jumps(t[good], p[good], first=t[first], stop=t[stop - 1], jitter=jitter)
    gone = np.flatnonzero(vacuum[first:stop] < max(_GONE_SHARE * start_vacuum, 5.0 * jitter))
    gone_s = float(t[first + gone[0]]) if gone.size else None
    if gone_s is not None and not spoiled:
        # A leak is fastest at once; a vacuum that held and then ran off lost its hose.
        before = [jump for jump in jumps if jump.time_s <= gone_s + 0.5]
        if before:
            spoiled.append(finding("hose_off", time_s=before[-1].time_s))
        elif gone_s - t[first] < _HOSE_S:
            spoiled.append(finding("hose_off", time_s=gone_s))
        else:
            notes.append(finding("leaks_to_ambient", time_s=gone_s - t[first]))
            stop = first + int(gone[0])
    elif grown := [jump for jump in jumps if jump.grew]:
        spoiled.append(finding("leak_grew", time_s=grown[0].time_s))
    elif jumps and not spoiled:
        first, stop, split = _longest_piece(t, first, stop, jumps)
        notes += split

    target = limit.from_vacuum_pa
    tolerance = max(_TARGET_TOLERANCE[0], _TARGET_TOLERANCE[1] * target)
    if limit.max_drop_pa is not None and not spoiled and start_vacuum < target - tolerance:
        spoiled.append(
            finding("target_not_reached", vacuum_pa=start_vacuum, target_pa=target)
        )
    count = int(np.count_nonzero(wild[first:stop]))
    if count:
        notes.append(finding("wild_samples", count=count))
    return Inspection(
        first,
        stop,
        wild,
        float(t[_hold_bounds(smooth, white_sd_pa, step_pa)[0]]),
        white_sd_pa,
        step_pa,
        tuple(spoiled),
        tuple(notes),
        gone_s,
    )


def hold_start_s(curve: HoldCurve) -> float:
    """Find the time [s] at which the hold begins: the last stroke of the pull, if it is there."""
    smooth = blocks.running_median(curve.pressure_pa)
    first, _ = _hold_bounds(
        smooth, noise.white_sd(curve.pressure_pa), noise.converter_step(curve.pressure_pa)
    )
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


def _frozen_reading(
    t: FloatArray, p: FloatArray, first: int, stop: int, start_vacuum: float, ambient: float
) -> list[Finding]:
    """Find a run of one repeated reading that the channel's own noise makes impossible."""
    held = p[first:stop]
    if held.size < 20:
        return []
    change = np.flatnonzero(np.diff(held) != 0.0)
    starts = np.concatenate([[0], change + 1])
    lengths = np.diff(np.append(starts, held.size))
    longest = int(np.argmax(lengths))
    length = int(lengths[longest])
    begin = first + int(starts[longest])
    end = begin + length - 1
    lasting = float(t[end] - t[begin])
    if np.ptp(p) == 0.0:
        return [finding("frozen", time_s=float(t[begin]), lasting_s=lasting)]
    # A converter that sees little noise repeats itself by right, here and there alike: a frozen
    # reading stands out against every other run but perhaps one more like it.
    others = np.sort(lengths)[::-1]
    usual = int(others[2]) if others.size > 2 else int(others[-1])
    moving = held.size - length
    if lengths.size < 8 or moving < 4 * usual or length < 4 * usual + 8 or lasting < 0.5:
        return []
    rest = np.concatenate([held[: starts[longest]], held[starts[longest] + length :]])
    step = noise.converter_step(rest)
    if step > 0.0 and noise.white_sd(rest) < _DITHERED * step:
        return []
    value = float(held[starts[longest]])
    if abs(ambient - value) < 0.02 * ambient:
        return []
    at_extreme = value <= float(np.min(held)) and end < stop - 1
    if at_extreme and (ambient - value) > 0.9 * start_vacuum:
        return [finding("sensor_at_end", time_s=float(t[begin]), pressure_pa=value)]
    return [finding("frozen", time_s=float(t[begin]), lasting_s=lasting)]


def _lost_frames(
    t: FloatArray, first: int, stop: int
) -> tuple[list[Finding], list[Finding]]:
    held = t[first:stop]
    if held.size < 3:
        return [], []
    intervals = np.diff(held)
    usual = float(np.median(intervals))
    gaps = np.flatnonzero(intervals > max(5.0 * usual, 0.3))
    if not gaps.size:
        return [], []
    lost = float(np.sum(intervals[gaps] - usual))
    worst = int(gaps[np.argmax(intervals[gaps])])
    found = {"time_s": float(held[worst]), "lasting_s": float(intervals[worst])}
    if lost > _LOST_SHARE * float(held[-1] - held[0]):
        return [finding("frames_lost", **found)], []
    return [], [finding("frames_lost_tolerated", **found)]


@dataclass(frozen=True)
class _Jump:
    time_s: float
    step_pa: float
    grew: bool


def _jumps(
    t: FloatArray, p: FloatArray, *, first: float, stop: float, jitter: float
) -> list[_Jump]:
    """Find where the pressure steps, or its slope grows at once: no leak and no settling does."""
    held = (t >= first) & (t <= stop)
    t, p = t[held], p[held]
    if t.size < 24:
        return []
    usual = float(np.median(np.diff(t)))
    if usual <= 0.0:
        return []
    size = max(round(_WINDOW_S / usual), 3)
    count = t.size // size
    if count < 8:
        return []
    times = t[: count * size].reshape(count, size).mean(axis=1)
    levels = np.median(p[: count * size].reshape(count, size), axis=1)
    level_sd = 1.25 * jitter / np.sqrt(size)
    rise = np.diff(levels) / np.diff(times)
    found: list[_Jump] = []
    k = 4
    while k < rise.size:
        span = times[k + 1] - times[k]
        before = rise[max(0, k - 6) : k]
        usual_rise = float(np.median(before))
        scatter = 1.4826 * float(np.median(np.abs(before - usual_rise)))
        slack = 8.0 * level_sd * 1.5 / span + 4.0 * scatter + 0.6 * abs(usual_rise) + 60.0
        departs = rise[k] - usual_rise
        if abs(departs) > slack:
            after = levels[min(k + 4, levels.size - 1)]
            expected = levels[k] + usual_rise * (times[min(k + 4, levels.size - 1)] - times[k])
            step = float(after - expected)
            # A burst of wild samples comes back to the course; a jump does not.
            if abs(step) > 0.3 * abs(departs) * span:
                later = rise[k + _RESETTLED : k + _RESETTLED + 16]
                if later.size < 4:
                    later = rise[k + 2 :]
                grown = float(np.median(later)) - usual_rise if later.size > 2 else 0.0
                sd = 1.5 * level_sd / span / np.sqrt(max(later.size, 1)) + scatter
                grew = grown > 4.0 * sd + 0.5 * abs(usual_rise) + 20.0
                found.append(_Jump(float(times[k] + 0.5 * span), step, grew))
                k += 4
        k += 1
    return found


def _longest_piece(
    t: FloatArray, first: int, stop: int, jumps: list[_Jump]
) -> tuple[int, int, list[Finding]]:
    marks = [float(t[first])]
    for jump in jumps:
        marks += [jump.time_s - 1.5 * _WINDOW_S, jump.time_s + 3.0 * _WINDOW_S]
    marks.append(float(t[stop - 1]))
    pieces = [(marks[i], marks[i + 1]) for i in range(0, len(marks), 2)]
    begin, end = max(pieces, key=lambda piece: piece[1] - piece[0])
    lower = max(first, int(np.searchsorted(t, begin, side="left")))
    upper = min(stop, int(np.searchsorted(t, end, side="right")))
    notes = [
        finding(
            "jump_split", time_s=jump.time_s, step_pa=jump.step_pa, first_s=begin, last_s=end
        )
        for jump in jumps[:3]
    ]
    return lower, upper, notes
