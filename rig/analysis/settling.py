"""Own the candidate settlings of a hold as courses over time; never see a pressure.

After the last stroke the gas warms, rubber stretches and liquid evaporates; each raises the
pressure on its own course and none goes on like a leak does. A candidate is one or two courses,
each with an amplitude and a shape parameter of its own, and with what is believed of both before
the curve is seen. The mixed settling is a spectrum of exponentials an octave apart: it follows any
slackening course, at the price of a larger uncertainty.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np

from rig.analysis.gas import FloatArray

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
    second, the exponent.
    """

    form: int
    shape_mean: float
    shape_sd: float
    amplitude_sd_pa: float
    second_mean: float = 0.0
    second_sd: float = 0.0


GAS = Course(EXP_COURSE, float(np.log(1.2)), 1.0, 2500.0)
"""Gas warming, and rubber with one time constant."""
RUBBER = Course(EXP_COURSE, float(np.log(5.0)), 0.7, 2500.0)
VAPOUR = Course(EXP_COURSE, float(np.log(18.0)), 0.6, 2500.0)
"""Liquid evaporating towards its vapour pressure."""
LOG = Course(LOG_COURSE, float(np.log(0.5)), 1.2, 600.0)
"""The same rise in each decade of time; the amplitude is that of a factor e."""
POWER = Course(POWER_COURSE, 0.25, 0.15, 2500.0)
"""A power of time; the amplitude is the rise in 20 s."""
CREEP = Course(CREEP_COURSE, float(np.log(0.7)), 1.0, 600.0, 0.1, 0.25)
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
    table: list[tuple[str, tuple[Course, ...], list[tuple[float, ...]]]] = [
        (NONE, (), [()]),
        (EXPONENTIAL, (GAS,), [(log(0.7),), (log(2.5),), (log(6.0),)]),
        (
            TWO_EXPONENTIALS,
            (GAS, RUBBER),
            [(log(0.7), log(4.0)), (log(0.4), log(2.0)), (log(1.5), log(8.0))],
        ),
        (LOG_CREEP, (LOG,), [(log(0.1),), (log(1.0),)]),
        (LOG_CREEP, (GAS, LOG), [(log(0.7), log(0.3)), (log(1.5), log(1.0)), (log(4.0), log(0.5))]),
        (POWER_CREEP, (POWER,), [(0.2,)]),
        (POWER_CREEP, (GAS, POWER), [(log(0.7), 0.2), (log(2.0), 0.3)]),
        (POWER_CREEP, (GAS, CREEP), [(log(0.7), log(0.5), 0.15), (log(2.0), log(1.0), -0.2)]),
        (PLATEAU, (VAPOUR,), [(log(12.0),), (log(30.0),)]),
        (PLATEAU, (GAS, VAPOUR), [(log(1.0), log(10.0)), (log(1.0), log(25.0))]),
    ]
    return tuple(
        Start(kind, courses, tuple(float(s) for s in shapes))
        for kind, courses, rows in table
        for shapes in rows
    )


@cache
def candidate_kinds() -> tuple[str, ...]:
    """List the kind of each shaped candidate, in the order of its first start."""
    return tuple(kind for kind, _ in dict.fromkeys((s.kind, s.courses) for s in starts()))


def candidate_count() -> int:
    """Count the candidates that share the prior weight, the mixed settling included."""
    return len(candidate_kinds()) + 1


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
