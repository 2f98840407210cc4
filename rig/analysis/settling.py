"""Own the candidate settlings of a hold as courses over time; never see a pressure.

After the last stroke the gas warms, rubber stretches and liquid evaporates; each raises the
pressure on its own course and none goes on like a leak does. A candidate is one or two courses,
each with an amplitude and a shape parameter of its own, and with what is believed of both before
the curve is seen. The mixed settling is a spectrum of exponentials half an octave apart: it
follows any slackening course, at the price of a larger uncertainty.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from rig.arrays import FloatArray

NONE = "none"
EXPONENTIAL = "exponential"
TWO_EXPONENTIALS = "two_exponentials"
LOG_CREEP = "log_creep"
POWER_CREEP = "power_creep"
PLATEAU = "plateau"
MIXED = "mixed"

EXP_COURSE = 0
LOG_COURSE = 1
POWER_COURSE = 2
CREEP_COURSE = 3
FORMS = 4

SPECTRUM_S = tuple(float(tau) for tau in 0.3 * 2.0 ** (0.5 * np.arange(16)))
MIXED_SDS_PA = (50.0, 200.0, 800.0)
"""Prior standard deviations tried for the rise in each half octave of a mixed settling."""
_POWER_UNIT_S = 20.0
_SMALL = 1e-4
"""Exponent below which a creep is taken as logarithmic."""


@dataclass(frozen=True)
class Course:
    """A course with what is believed of it: shape parameter (mean, sd) and amplitude sd [Pa].

    The shape parameter is the natural log of the time constant [s] of an exponential, that of the
    onset [s] of a log creep, or the exponent of a power creep. A delayed creep has the onset and,
    second, the exponent. `share` is the course's part of the prior weight of its kind.
    """

    form: int
    shape_mean: float
    shape_sd: float
    amplitude_sd_pa: float
    second_mean: float = 0.0
    second_sd: float = 0.0
    share: float = 1.0


GAS = Course(EXP_COURSE, float(np.log(1.2)), 1.0, 1500.0)
"""Gas warming, and rubber with one time constant."""
_SLOW_RISES_PA = (300.0, 1500.0)
"""Slow courses come small and large; a prior for the large ones alone would rule out the small."""
RUBBER = tuple(
    Course(EXP_COURSE, float(np.log(tau)), 0.3, rise_pa, share=1.0 / 6.0)
    for tau in (2.5, 4.2, 7.0)
    for rise_pa in _SLOW_RISES_PA
)
"""Rubber behind the gas. Slow courses come in bands of their time constant: where the curve does
not show it, the bands stand for the range together."""
VAPOUR = tuple(
    Course(EXP_COURSE, float(np.log(tau)), 0.25, rise_pa, share=1.0 / 8.0)
    for tau in (11.0, 17.0, 26.0, 40.0)
    for rise_pa in _SLOW_RISES_PA
)
"""Liquid evaporating towards its vapour pressure, and slow rubber."""
LOG = tuple(
    Course(LOG_COURSE, float(np.log(0.5)), 1.2, rise_pa, share=0.5) for rise_pa in (120.0, 600.0)
)
"""The same rise in each decade of time; the amplitude is that of a factor e."""
POWER = tuple(Course(POWER_COURSE, 0.25, 0.15, rise_pa, share=0.5) for rise_pa in _SLOW_RISES_PA)
"""A power of time; the amplitude is the rise in 20 s."""
CREEP = Course(CREEP_COURSE, float(np.log(0.7)), 1.0, 400.0, second_mean=0.1, second_sd=0.25)
"""Creep between the two: ((1 + t / onset)^n - 1) / n, the log creep at n = 0."""


@dataclass(frozen=True)
class Start:
    """A candidate settling and the shape parameters from which its fit starts."""

    kind: str
    courses: tuple[Course, ...]
    shapes: tuple[float, ...]


@cache
def starts() -> tuple[Start, ...]:
    """List where the fits of the candidates start; several for one candidate find its best fit."""
    log = np.log
    table: list[tuple[str, tuple[Course, ...], Sequence[tuple[float, ...]]]] = [
        (NONE, (), [()]),
        (EXPONENTIAL, (GAS,), [(log(0.7),), (log(2.5),), (log(6.0),)]),
        *(
            (TWO_EXPONENTIALS, (GAS, slow), [(log(fast), slow.shape_mean)])
            for fast, slow in zip((0.5, 0.5, 0.7, 0.7, 1.5, 1.5), RUBBER, strict=True)
        ),
        *((LOG_CREEP, (creep,), [(log(0.1),), (log(1.0),)]) for creep in LOG),
        *((LOG_CREEP, (GAS, creep), [(log(0.7), log(0.3)), (log(3.0), log(0.7))]) for creep in LOG),
        *((POWER_CREEP, (creep,), [(0.2,)]) for creep in POWER),
        *((POWER_CREEP, (GAS, creep), [(log(0.7), 0.2), (log(2.0), 0.3)]) for creep in POWER),
        (POWER_CREEP, (GAS, CREEP), [(log(0.7), log(0.5), 0.15), (log(2.0), log(1.0), -0.2)]),
        *((PLATEAU, (slow,), [(slow.shape_mean,)]) for slow in VAPOUR),
        *((PLATEAU, (GAS, slow), [(log(1.0), slow.shape_mean)]) for slow in VAPOUR),
        *((PLATEAU, (GAS, slow), [(log(5.0), slow.shape_mean)]) for slow in VAPOUR[2:6]),
    ]
    return tuple(
        Start(kind, courses, tuple(float(s) for s in shapes))
        for kind, courses, rows in table
        for shapes in rows
    )


@cache
def candidates() -> tuple[tuple[str, tuple[Course, ...]], ...]:
    """List the shaped candidates, kind and courses, in the order of their first start."""
    return tuple(dict.fromkeys((s.kind, s.courses) for s in starts()))


def candidate_weight(courses: tuple[Course, ...]) -> float:
    """Get the prior weight of a candidate; all of them and the mixed settling sum to one."""
    share = float(np.prod([course.share for course in courses]))
    return share / (_whole() + 1.0)


@cache
def _whole() -> float:
    return float(sum(np.prod([course.share for course in c]) for _, c in candidates()))


def mixed_weight() -> float:
    """Get the prior weight of the mixed settling."""
    return 1.0 / (_whole() + 1.0)


def rise(
    form: int, shape: FloatArray, second: FloatArray, time_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Compute a course of unit amplitude and its derivatives in the shape parameters.

    `shape` and `second` (fits, 1) against `time_s` (times,) since the last stroke give (fits,
    times) each. The last is None for a course with one shape parameter.
    """
    if form == EXP_COURSE:
        ratio = time_s / np.exp(shape)
        decay = np.exp(-ratio)
        return 1.0 - decay, -ratio * decay, None
    if form == LOG_COURSE:
        ratio = time_s / np.exp(shape)
        return np.log1p(ratio), -ratio / (1.0 + ratio), None
    if form == CREEP_COURSE:
        ratio = time_s / np.exp(shape)
        log_ratio = np.log1p(ratio)
        exponent = np.where(np.abs(second) < _SMALL, _SMALL, second)
        power = np.exp(exponent * log_ratio)
        value = (power - 1.0) / exponent
        return value, -power * ratio / (1.0 + ratio), (power * log_ratio - value) / exponent
    log_time = np.log(np.maximum(time_s, 1e-6) / _POWER_UNIT_S)
    power = np.exp(shape * log_time)
    return power, power * log_time, None


@cache
def mixed_covariance() -> FloatArray:
    """Get the prior covariance of the spectrum's amplitudes for unit sd: neighbours resemble."""
    count = len(SPECTRUM_S)
    apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    return np.asarray(0.5 + 0.5 * np.exp(-apart / 4.0))
