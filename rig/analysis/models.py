"""Own what a candidate model of a hold predicts for its block means; never fit or weigh one.

A model is a leak law plus a candidate settling. Models are computed many at a time: every array
has one entry a model first. The first three parameters of each are the level [Pa], the rate [Pa/s]
and the critical ratio of its leak (pinned where the law has none); what follows belongs to its
settling. All but level and rate carry a Gaussian prior.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Self

import numpy as np

from rig.analysis import settling
from rig.analysis.gas import CRITICAL_RATIO_PRIOR, Law, LeakLaw
from rig.arrays import FloatArray

COURSES = 2
"""Courses that a shaped candidate has at most."""
_PINNED = 1e12
"""Prior precision of parameters that a candidate does not have."""
_NODES = np.array([-math.sqrt(0.6), 0.0, math.sqrt(0.6)])
_NODE_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0
LEVEL, RATE, RATIO = range(3)
"""Columns of the leak's parameters."""
FIRST_AMPLITUDE = 3
_FIRST_SHAPE = FIRST_AMPLITUDE + COURSES
_SECOND_SHAPE = _FIRST_SHAPE + COURSES
Laws = Sequence[tuple[Law, float]]
"""Laws with their prior weights."""
_RATIO_MEAN = sum(CRITICAL_RATIO_PRIOR) / 2.0
_RATIO_SD = (CRITICAL_RATIO_PRIOR[1] - CRITICAL_RATIO_PRIOR[0]) / math.sqrt(12.0)
_RATIO_RANGE = (0.02, 0.75)
_RATIO_STARTS = (0.25, 0.48)
_SHOWS_RATIO = 0.05
_RATIO_STEP = 1e-4
_LEAST_SHAPE = 5e-3
"""A hold is cut where the vacuum is gone: flows smaller than this share are outside the data."""


@dataclass(frozen=True)
class BlockData:
    """Block means ready to be fitted.

    `time_s` (blocks,) from the last stroke; `half_width_s` (blocks,) such that a course averaged
    over the block's samples is its Gauss mean over that width; `pressure_pa` (blocks,); `whitener`
    (blocks, blocks), the inverse Cholesky factor of their covariance; `ambient_pa` the ambient.
    """

    time_s: FloatArray
    half_width_s: FloatArray
    pressure_pa: FloatArray
    whitener: FloatArray
    ambient_pa: float

    def rise(self, form: int, shape: FloatArray, second: FloatArray) -> list[FloatArray]:
        """Average a course and its derivatives over the blocks, each (models, blocks).

        The course is counted from its value at the end of the hold, so that the leak's part of the
        pressure is the settled one.
        """
        nodes = self.time_s[:, None] + self.half_width_s[:, None] * _NODES
        times = np.append(np.maximum(nodes, 0.0).ravel(), self.time_s[-1])
        folded = (shape.shape[0], self.time_s.size, _NODES.size)
        return [
            values[:, :-1].reshape(folded) @ _NODE_WEIGHTS - values[:, -1:]
            for values in settling.rise(form, shape, second, times)
            if values is not None
        ]

    def accumulate(self, values: FloatArray) -> FloatArray:
        """Integrate `values` (..., blocks) over time from the last stroke, by the trapezium rule.

        The first block's value stands for the time before it.
        """
        steps = np.diff(self.time_s)
        areas = 0.5 * (values[..., 1:] + values[..., :-1]) * steps
        first = values[..., :1] * self.time_s[0]
        return np.concatenate([first, first + np.cumsum(areas, axis=-1)], axis=-1)


@dataclass(frozen=True)
class _Flow:
    """A leak by itself: pressure, flow's shape there and at the start, and its answer to settling.

    `bend` is dg/dp over g; `answer` times the rate is what settling makes the leak gain.
    """

    leak: FloatArray
    shape: FloatArray
    start_shape: FloatArray
    bend: FloatArray
    answer: FloatArray


@dataclass(frozen=True)
class Models:
    """Models computed together.

    `law` (models,) indexes `laws`; `candidate` (models,) numbers the settling, so that models with
    the same law and candidate are fits of one model from different starts; `log_weight` is the log
    prior weight of law and settling, `log_prior` half the log determinant of the prior precision;
    `prior_mean` (models, parameters), `precision` (models, parameters, parameters).
    """

    data: BlockData
    laws: tuple[Law, ...]
    law: np.ndarray
    candidate: np.ndarray
    theta: FloatArray
    log_weight: FloatArray
    prior_mean: FloatArray
    precision: FloatArray
    log_prior: FloatArray

    def rows(self, which: np.ndarray) -> Self:
        """Return the models that `which` indexes."""
        shared = ("data", "laws", "spectrum")
        taken = {f.name: getattr(self, f.name)[which] for f in fields(self) if f.name not in shared}
        return replace(self, **taken)

    def settled(self) -> tuple[FloatArray, FloatArray]:
        """Compute the settling's part (models, blocks) and its Jacobian (..., parameters)."""
        raise NotImplementedError

    def whole_rise(self) -> FloatArray:
        """Compute what the settling raises from the last stroke to the end [Pa]: (models,)."""
        raise NotImplementedError

    def predict(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Compute course, leak (models, blocks) and the Jacobian (models, blocks, parameters).

        The flow through the leak answers to the settling: while the pressure still lacks what
        settling will add, more flows in. The gain G obeys dG/dt = rate dg/dp (G + settling), whose
        solution is g times the integral of rate dg/dp settling / g: linear in the settling, so it
        maps the Jacobian's columns likewise.
        """
        data, theta = self.data, self.theta
        settled, jacobian = self.settled()
        leak, gained = np.empty_like(settled), np.empty_like(settled)
        for i in np.unique(self.law):
            rows = self.law == i
            law, rate = self.leak_law(rows), theta[rows, RATE, None]
            flow = self._flow(law, rows, settled)
            leak[rows], gained[rows] = flow.leak, rate * flow.answer
            jacobian[rows, :, LEVEL] = flow.shape / flow.start_shape
            jacobian[rows, :, RATE] = data.time_s * flow.shape + flow.answer
            columns = np.swapaxes(jacobian[rows][:, :, FIRST_AMPLITUDE:], 1, 2)
            answers = flow.shape[:, None, :] * data.accumulate(flow.bend[:, None, :] * columns)
            jacobian[rows, :, FIRST_AMPLITUDE:] += np.swapaxes(rate[:, :, None] * answers, 1, 2)
            if law.law is Law.ORIFICE:
                other = self._flow(self.leak_law(rows, _RATIO_STEP), rows, settled)
                moved = other.leak - flow.leak + rate * (other.answer - flow.answer)
                jacobian[rows, :, RATIO] = moved / _RATIO_STEP
        return leak + settled + gained, leak, jacobian

    def _flow(self, law: LeakLaw, rows: np.ndarray, settled: FloatArray) -> _Flow:
        """Compute the leak of some of the models and its answer to their settling."""
        data = self.data
        level, rate = self.theta[rows, LEVEL, None], self.theta[rows, RATE, None]
        leak = law.pressure(data.time_s, level, rate, data.ambient_pa)
        shape = np.maximum(law.shape(leak, data.ambient_pa), _LEAST_SHAPE)
        start_shape = np.maximum(law.shape(level, data.ambient_pa), _LEAST_SHAPE)
        bend = law.derivative_shape(leak, data.ambient_pa) / shape
        answer = shape * data.accumulate(bend * settled[rows])
        return _Flow(leak, shape, start_shape, bend, answer)

    def leak_law(self, rows: np.ndarray, ratio_step: float = 0.0) -> LeakLaw:
        """Get the law of models that all have the same, with a critical ratio each (rows, 1)."""
        ratio = np.clip(self.theta[rows, RATIO, None], *_RATIO_RANGE) + ratio_step
        return LeakLaw(self.laws[int(self.law[rows][0])], ratio)

    @property
    def amplitudes(self) -> int:
        """Get how many of the parameters are amplitudes; they come first of the settling's."""
        raise NotImplementedError

    def start_shape(self) -> FloatArray:
        """Compute the flow's shape at the level of each model: (models,)."""
        shape = np.empty(self.law.size)
        for i in np.unique(self.law):
            rows = self.law == i
            level = self.theta[rows, LEVEL, None]
            shape[rows] = self.leak_law(rows).shape(level, self.data.ambient_pa)[:, 0]
        return np.maximum(shape, _LEAST_SHAPE)

    def bounded(self, step: FloatArray) -> FloatArray:
        """Limit a step of the parameters to what one iteration may change."""
        step[:, RATIO] = np.clip(step[:, RATIO], -0.1, 0.1)
        return step


@dataclass(frozen=True)
class ShapedModels(Models):
    """Settlings of up to two courses: the leak, two amplitudes, two shapes, a second shape."""

    forms: np.ndarray

    @property
    def amplitudes(self) -> int:
        """Get how many of the parameters are amplitudes; one that is pinned counts as even."""
        return COURSES

    def settled(self) -> tuple[FloatArray, FloatArray]:
        """Compute the settling's part (models, blocks) and its Jacobian (..., parameters)."""
        theta = self.theta
        settled = np.zeros((theta.shape[0], self.data.time_s.size))
        jacobian = np.zeros((*settled.shape, theta.shape[1]))
        for slot in range(COURSES):
            for form in range(settling.FORMS):
                rows = self.forms[:, slot] == form
                if not rows.any():
                    continue
                amplitude = theta[rows, FIRST_AMPLITUDE + slot, None]
                value, *slopes = self.data.rise(
                    form, theta[rows, _FIRST_SHAPE + slot, None], theta[rows, _SECOND_SHAPE, None]
                )
                settled[rows] += amplitude * value
                jacobian[rows, :, FIRST_AMPLITUDE + slot] = value
                jacobian[rows, :, _FIRST_SHAPE + slot] = amplitude * slopes[0]
                if len(slopes) > 1:
                    jacobian[rows, :, _SECOND_SHAPE] = amplitude * slopes[1]
        return settled, jacobian

    def whole_rise(self) -> FloatArray:
        """Compute what the settling raises from the last stroke to the end [Pa]: (models,)."""
        end = self.data.time_s[-1:]
        risen = np.zeros(self.theta.shape[0])
        for slot in range(COURSES):
            for form in range(settling.FORMS):
                rows = self.forms[:, slot] == form
                shape, second = (
                    self.theta[rows, column, None]
                    for column in (_FIRST_SHAPE + slot, _SECOND_SHAPE)
                )
                value = settling.rise(form, shape, second, end)[0][:, 0]
                risen[rows] += self.theta[rows, FIRST_AMPLITUDE + slot] * value
        return risen

    def bounded(self, step: FloatArray) -> FloatArray:
        """Limit a step in a shape to one: a factor e in time, no further at once."""
        step[:, _FIRST_SHAPE:] = np.clip(step[:, _FIRST_SHAPE:], -1.0, 1.0)
        return super().bounded(step)

    def time_constant_s(self, slot: int) -> FloatArray:
        """Get the time constants [s] of a course, NaN where it has none: (models,)."""
        tau = np.exp(np.minimum(self.theta[:, _FIRST_SHAPE + slot], 10.0))
        return np.where(self.forms[:, slot] == settling.EXP_COURSE, tau, np.nan)


@dataclass(frozen=True)
class MixedModels(Models):
    """The mixed settling: the leak, then the amplitude of each exponential of the spectrum."""

    spectrum: FloatArray

    @property
    def amplitudes(self) -> int:
        """Get how many of the parameters are amplitudes."""
        return int(self.spectrum.shape[0])

    def settled(self) -> tuple[FloatArray, FloatArray]:
        """Compute the settling's part (models, blocks) and its Jacobian (..., parameters)."""
        jacobian = np.zeros((self.theta.shape[0], self.data.time_s.size, self.theta.shape[1]))
        jacobian[:, :, FIRST_AMPLITUDE:] = self.spectrum.T
        return self.theta[:, FIRST_AMPLITUDE:] @ self.spectrum, jacobian

    def whole_rise(self) -> FloatArray:
        """Compute what the settling raises from the last stroke to the end [Pa]: (models,)."""
        risen = -np.expm1(-self.data.time_s[-1] / np.asarray(settling.SPECTRUM_S))
        return np.asarray(self.theta[:, FIRST_AMPLITUDE:] @ risen)


def shaped_models(laws: Laws, data: BlockData, start: tuple[float, float]) -> ShapedModels:
    """Make every law with every shaped settling, from each of its starts."""
    starts = settling.starts()
    count, width = len(starts), _SECOND_SHAPE + 1
    theta = np.zeros((count, width))
    mean = np.zeros((count, width))
    precision = np.full((count, width), _PINNED)
    forms = np.full((count, COURSES), -1)
    numbers = {candidate: i for i, candidate in enumerate(settling.candidates())}
    candidate = np.array([numbers[s.kind, s.courses] for s in starts])
    for i, s in enumerate(starts):
        for slot, course in enumerate(s.courses):
            forms[i, slot] = course.form
            theta[i, _FIRST_SHAPE + slot] = s.shapes[slot]
            mean[i, _FIRST_SHAPE + slot] = course.shape_mean
            precision[i, FIRST_AMPLITUDE + slot] = course.amplitude_sd_pa**-2
            precision[i, _FIRST_SHAPE + slot] = course.shape_sd**-2
            if course.second_sd > 0.0:
                theta[i, _SECOND_SHAPE] = s.shapes[-1]
                mean[i, _SECOND_SHAPE] = course.second_mean
                precision[i, _SECOND_SHAPE] = course.second_sd**-2
    weights = [settling.candidate_weight(s.courses) for s in starts]
    common = _with_leak(
        laws,
        data,
        start,
        theta=theta,
        mean=mean,
        precision=precision[:, :, None] * np.eye(width),
        weights=weights,
    )
    tiles = len(_leak_starts(laws, data))
    return ShapedModels(
        data=data,
        candidate=np.tile(candidate, tiles),
        forms=np.tile(forms, (tiles, 1)),
        **common,
    )


def mixed_models(laws: Laws, data: BlockData, start: tuple[float, float]) -> MixedModels:
    """Make every law with the mixed settling, once for each spread of its amplitudes."""
    log_tau = np.log(settling.SPECTRUM_S)[:, None]
    spectrum = data.rise(settling.EXP_COURSE, log_tau, log_tau)[0]
    sds = np.asarray(settling.MIXED_SDS_PA)
    width = FIRST_AMPLITUDE + spectrum.shape[0]
    precision = np.zeros((sds.size, width, width))
    inverse = np.linalg.inv(settling.mixed_covariance())
    precision[:, FIRST_AMPLITUDE:, FIRST_AMPLITUDE:] = inverse / sds[:, None, None] ** 2
    blank = np.zeros((sds.size, width))
    weights = [settling.mixed_weight() / sds.size] * sds.size
    common = _with_leak(
        laws, data, start, theta=blank, mean=blank.copy(), precision=precision, weights=weights
    )
    return MixedModels(
        data=data,
        candidate=np.tile(np.arange(sds.size), len(_leak_starts(laws, data))),
        spectrum=spectrum,
        **common,
    )


def _with_leak(
    laws: Laws,
    data: BlockData,
    start: tuple[float, float],
    *,
    theta: FloatArray,
    mean: FloatArray,
    precision: FloatArray,
    weights: Sequence[float],
) -> dict[str, Any]:
    """Set the leak's columns of the settlings given, and repeat them for every law."""
    count = theta.shape[0]
    theta[:, [LEVEL, RATE]] = start
    mean[:, RATIO] = _RATIO_MEAN
    precision[:, [LEVEL, RATE], [LEVEL, RATE]] = 0.0
    tiles = _leak_starts(laws, data)
    thetas, precisions = [], []
    for index, ratio in tiles:
        own_theta, own_precision = theta.copy(), precision.copy()
        own_theta[:, RATIO] = ratio
        free = laws[index][0] is Law.ORIFICE
        own_precision[:, RATIO, RATIO] = _RATIO_SD**-2 if free else _PINNED
        thetas.append(own_theta)
        precisions.append(own_precision)
    stacked = np.concatenate(precisions)
    law_logs = np.log([laws[index][1] for index, _ in tiles])
    return {
        "laws": tuple(law for law, _ in laws),
        "law": np.repeat([index for index, _ in tiles], count),
        "theta": np.concatenate(thetas),
        "log_weight": np.add.outer(law_logs, np.log(weights)).ravel(),
        "prior_mean": np.tile(mean, (len(tiles), 1)),
        "precision": stacked,
        "log_prior": 0.5 * np.linalg.slogdet(stacked[:, RATIO:, RATIO:])[1],
    }


def _leak_starts(laws: Laws, data: BlockData) -> list[tuple[int, float]]:
    """List where fits start: the index of a law and a critical ratio.

    The pressure at which an orifice stops being choked makes fits from one side stop at it, so a
    curve long enough to show it is fitted from both.
    """
    shows = float(np.ptp(data.pressure_pa)) > _SHOWS_RATIO * data.ambient_pa
    return [
        (index, ratio)
        for index, (law, _) in enumerate(laws)
        for ratio in (_RATIO_STARTS if shows and law is Law.ORIFICE else (_RATIO_MEAN,))
    ]
