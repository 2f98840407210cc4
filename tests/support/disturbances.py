"""Own the faults that a bench lays over a hold, on the true pressure or on the record; no rig.

`spoils` says whether a bench person would throw the test away (True), judge it all the same
(False), or might do either, so long as no wrong verdict comes of it (None).
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Track:
    """The true pressure [Pa] over the file's time [s], and where in it the hold lies."""

    time_s: Array
    pressure_pa: Array
    ambient_pa: Array
    hold_start_s: float
    hold_end_s: float


@dataclass(frozen=True)
class Record:
    """What was written down: time [s], readings [Pa] and, where recorded, the barometer [Pa]."""

    time_s: Array
    pressure_pa: Array
    ambient_pa: Array | None = None


@dataclass(frozen=True)
class Disturbance:
    """A fault: `kind`, when [s into the hold], how long [s] and how large (unit by kind)."""

    kind: str
    at_s: float = 0.0
    lasts_s: float = 0.0
    size: float = 0.0
    spoils: bool | None = True


def on_truth(track: Track, fault: Disturbance) -> Track:
    """Apply a fault that happens to the gas or to the recording's extent."""
    act = _ON_TRUTH.get(fault.kind)
    return act(track, fault) if act else track


def on_record(record: Record, fault: Disturbance, rng: np.random.Generator) -> Record:
    """Apply a fault that happens to the numbers written down."""
    act = _ON_RECORD.get(fault.kind)
    return act(record, fault, rng) if act else record


def _hose_off(track: Track, fault: Disturbance) -> Track:
    """Run to ambient from `at_s`; 98 % of the way after `lasts_s`."""
    since = np.maximum(track.time_s - track.hold_start_s - fault.at_s, 0.0)
    left = np.exp(-4.0 * since / fault.lasts_s)
    began = int(np.argmax(since > 0.0))
    gone = since > 0.0
    p = track.pressure_pa.copy()
    p[gone] = (track.ambient_pa + (p[max(began - 1, 0)] - track.ambient_pa) * left)[gone]
    return replace(track, pressure_pa=p)


def _ambient_moved(track: Track, fault: Disturbance) -> Track:
    """Move the room's pressure by `size` [Pa] over `lasts_s` from `at_s`.

    The part is stiff: its absolute pressure stays.
    """
    since = track.time_s - track.hold_start_s - fault.at_s
    return replace(
        track,
        ambient_pa=track.ambient_pa + fault.size * np.clip(since / fault.lasts_s, 0.0, 1.0),
    )


def _pull_down(track: Track, fault: Disturbance) -> Track:
    """Put the pull of a hand pump before the hold: rest, then strokes, the last ending at zero.

    `size` is the number of strokes, `lasts_s` the time they take together.
    """
    step_s = float(track.time_s[1] - track.time_s[0])
    rest_s, strokes = 1.5, int(fault.size)
    count = round((rest_s + fault.lasts_s) / step_s)
    before = np.arange(count) * step_s - count * step_s
    ambient, end = float(track.ambient_pa[0]), float(track.pressure_pa[0])
    level = (end / ambient) ** (1.0 / strokes)
    each = fault.lasts_s / strokes
    within = np.clip((before + fault.lasts_s) / each, 0.0, strokes)
    whole = np.floor(within)
    drawn = whole + np.clip((within - whole - 0.6) / 0.4, 0.0, 1.0)
    pulled = ambient * level**drawn
    lead_s = count * step_s
    return Track(
        np.concatenate([before, track.time_s]) + lead_s,
        np.concatenate([pulled, track.pressure_pa]),
        np.concatenate([np.full(count, ambient), track.ambient_pa]),
        track.hold_start_s + lead_s,
        track.hold_end_s + lead_s,
    )


def _vented_after(track: Track, fault: Disturbance) -> Track:
    """Put the vent after the hold: to ambient within `lasts_s`, then two seconds of rest."""
    step_s = float(track.time_s[1] - track.time_s[0])
    count = round((fault.lasts_s + 2.0) / step_s)
    after = (np.arange(count) + 1.0) * step_s
    ambient, end = float(track.ambient_pa[-1]), float(track.pressure_pa[-1])
    vented = ambient + (end - ambient) * np.exp(-4.0 * after / fault.lasts_s)
    return Track(
        np.concatenate([track.time_s, track.time_s[-1] + after]),
        np.concatenate([track.pressure_pa, vented]),
        np.concatenate([track.ambient_pa, np.full(count, ambient)]),
        track.hold_start_s,
        track.hold_end_s,
    )


def _start_delayed(track: Track, fault: Disturbance) -> Track:
    """Begin the recording only `at_s` after the pump valve closed; its time starts at zero."""
    first = int(np.searchsorted(track.time_s, fault.at_s))
    lost_s = float(track.time_s[first])
    return Track(
        track.time_s[first:] - lost_s,
        track.pressure_pa[first:],
        track.ambient_pa[first:],
        0.0,
        track.hold_end_s - lost_s,
    )


def _frozen(record: Record, fault: Disturbance, rng: np.random.Generator) -> Record:
    del rng
    p = record.pressure_pa.copy()
    first = int(np.searchsorted(record.time_s, fault.at_s))
    p[first:] = p[min(first, len(p) - 1)]
    return replace(record, pressure_pa=p)


def _frames_lost(record: Record, fault: Disturbance, rng: np.random.Generator) -> Record:
    del rng
    keep = (record.time_s < fault.at_s) | (record.time_s >= fault.at_s + fault.lasts_s)
    return Record(
        record.time_s[keep],
        record.pressure_pa[keep],
        None if record.ambient_pa is None else record.ambient_pa[keep],
    )


def _clipped(record: Record, fault: Disturbance, rng: np.random.Generator) -> Record:
    """Let no reading fall below the sensor's end, `size` [Pa] above the lowest of the record."""
    del rng
    end = float(record.pressure_pa.min()) + fault.size
    return replace(record, pressure_pa=np.maximum(record.pressure_pa, end))


def _wild_samples(record: Record, fault: Disturbance, rng: np.random.Generator) -> Record:
    """Replace a share `size` of the readings by wild ones, 0.5 to 40 kPa off, either side."""
    p = record.pressure_pa.copy()
    wild = rng.random(len(p)) < fault.size
    far = np.exp(rng.uniform(math.log(500.0), math.log(40_000.0), len(p)))
    p[wild] += (far * rng.choice([-1.0, 1.0], len(p)))[wild]
    return replace(record, pressure_pa=np.maximum(p, 0.0))


def with_barometer(record: Record, ambient_pa: Array, rng: np.random.Generator) -> Record:
    """Return the record with a barometer's channel: `ambient_pa` [Pa] with 5 Pa of noise."""
    return replace(record, ambient_pa=ambient_pa + 5.0 * rng.standard_normal(len(ambient_pa)))


_ON_TRUTH = {
    "hose_off": _hose_off,
    "ambient_moved": _ambient_moved,
    "pull_down": _pull_down,
    "vented_after": _vented_after,
    "start_delayed": _start_delayed,
}
_ON_RECORD = {
    "frozen": _frozen,
    "frames_lost": _frames_lost,
    "clipped": _clipped,
    "wild_samples": _wild_samples,
}
KINDS = (*_ON_TRUTH, *_ON_RECORD, "partial_jump", "target_not_reached", "pull_and_vent")
