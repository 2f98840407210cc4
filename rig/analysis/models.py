"""Own what a candidate model of a hold predicts for its block means; never fit or weigh one.

A model is a leak law plus a candidate settling. Models are computed many at a time: every array
has one entry a model first. The first two parameters of each are the level [Pa] and the rate
[Pa/s] of its leak; what follows belongs to its settling and carries a Gaussian prior.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Self

import numpy as np

from rig.analysis import settling
from rig.analysis.gas import FloatArray, LeakLaw

COURSES = 2
"""Courses that a shaped candidate has at most."""
_PINNED = 1e12
"""Prior precision of parameters that a candidate does not have."""
_NODES = np.array([-math.sqrt(0.6), 0.0, math.sqrt(0.6)])
_NODE_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0
Laws = Sequence[tuple[LeakLaw, float]]


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
class Models:
    """Models computed together.

    `law` (models,) indexes `laws`; `candidate` (models,) numbers the settling, so that models with
    the same law and candidate are fits of one model from different starts; `log_weight` is the log
    prior weight of law and settling, `log_prior` half the log determinant of the prior precision;
    `prior_mean` (models, parameters), `precision` (models, parameters, parameters).
    """

    data: BlockData
    laws: tuple[LeakLaw, ...]
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

    def predict(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Compute course, leak (models, blocks) and the Jacobian (models, blocks, parameters).

        The flow through the leak answers to the settling, to first order: while the pressure
        still lacks what settling will add, more flows in, and the course gains the integral of
        rate * dg/dp * settling. Linear, so it maps the Jacobian's columns likewise.
        """
        data, theta = self.data, self.theta
        settled, jacobian = self.settled()
        leak = np.empty_like(settled)
        bend = np.empty_like(settled)
        for i, law in enumerate(self.laws):
            rows = self.law == i
            if not rows.any():
                continue
            level, rate = theta[rows, :1], theta[rows, 1:2]
            leak[rows] = law.pressure(data.time_s, level, rate, data.ambient_pa)
            shape = law.shape(leak[rows], data.ambient_pa)
            at_start = np.maximum(law.shape(level, data.ambient_pa), 1e-9)
            jacobian[rows, :, 0] = shape / at_start
            jacobian[rows, :, 1] = data.time_s * shape
            bend[rows] = law.derivative_shape(leak[rows], data.ambient_pa)
        gained = data.accumulate(bend * settled)
        jacobian[:, :, 1] += gained
        if np.any(bend):
            columns = np.swapaxes(jacobian[:, :, 2:], 1, 2)
            answer = data.accumulate(bend[:, None, :] * columns) * theta[:, 1, None, None]
            jacobian[:, :, 2:] += np.swapaxes(answer, 1, 2)
        return leak + settled + theta[:, 1, None] * gained, leak, jacobian

    def start_shape(self) -> FloatArray:
        """Compute the flow's shape at the level of each model: (models,)."""
        shape = np.empty(self.law.size)
        for i, law in enumerate(self.laws):
            rows = self.law == i
            shape[rows] = law.shape(self.theta[rows, 0], self.data.ambient_pa)
        return np.maximum(shape, 1e-6)

    def bounded(self, step: FloatArray) -> FloatArray:
        """Limit a step of the parameters to what one iteration may change."""
        return step


@dataclass(frozen=True)
class ShapedModels(Models):
    """Settlings of up to two courses: level, rate, two amplitudes, two shapes, a second shape."""

    forms: np.ndarray

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
                amplitude = theta[rows, 2 + slot, None]
                value, *slopes = self.data.rise(
                    form, theta[rows, 4 + slot, None], theta[rows, 6, None]
                )
                settled[rows] += amplitude * value
                jacobian[rows, :, 2 + slot] = value
                jacobian[rows, :, 4 + slot] = amplitude * slopes[0]
                if len(slopes) > 1:
                    jacobian[rows, :, 6] = amplitude * slopes[1]
        return settled, jacobian

    def bounded(self, step: FloatArray) -> FloatArray:
        """Limit a step in a shape to one: a factor e in time, no further at once."""
        step[:, 4:] = np.clip(step[:, 4:], -1.0, 1.0)
        return step


@dataclass(frozen=True)
class MixedModels(Models):
    """The mixed settling: level, rate, then the amplitude of each exponential of the spectrum."""

    spectrum: FloatArray

    def settled(self) -> tuple[FloatArray, FloatArray]:
        """Compute the settling's part (models, blocks) and its Jacobian (..., parameters)."""
        jacobian = np.empty((self.theta.shape[0], self.data.time_s.size, self.theta.shape[1]))
        jacobian[:, :, 2:] = self.spectrum.T
        return self.theta[:, 2:] @ self.spectrum, jacobian


def shaped_models(laws: Laws, data: BlockData, start: tuple[float, float]) -> ShapedModels:
    """Make every law with every shaped settling, from each of its starts."""
    starts = settling.starts()
    count, width = len(starts), 3 + 2 * COURSES
    theta = np.zeros((count, width))
    mean = np.zeros((count, width))
    precision = np.full((count, width), _PINNED)
    precision[:, :2] = 0.0
    forms = np.full((count, COURSES), -1)
    numbers: dict[tuple[str, tuple[settling.Course, ...]], int] = {}
    candidate = np.empty(count, dtype=int)
    for i, s in enumerate(starts):
        candidate[i] = numbers.setdefault((s.kind, s.courses), len(numbers))
        for slot, course in enumerate(s.courses):
            forms[i, slot] = course.form
            theta[i, 4 + slot] = s.shapes[slot]
            mean[i, 4 + slot] = course.shape_mean
            precision[i, 2 + slot] = course.amplitude_sd_pa**-2
            precision[i, 4 + slot] = course.shape_sd**-2
            if course.second_sd > 0.0:
                theta[i, 6] = s.shapes[-1]
                mean[i, 6] = course.second_mean
                precision[i, 6] = course.second_sd**-2
    theta[:, :2] = start
    tiles = len(laws)
    share = -math.log(settling.candidate_count())
    return ShapedModels(
        data=data,
        laws=tuple(law for law, _ in laws),
        law=np.repeat(np.arange(tiles), count),
        candidate=np.tile(candidate, tiles),
        theta=np.tile(theta, (tiles, 1)),
        log_weight=np.repeat(np.log([weight for _, weight in laws]), count) + share,
        prior_mean=np.tile(mean, (tiles, 1)),
        precision=np.tile(precision[:, :, None] * np.eye(width), (tiles, 1, 1)),
        log_prior=np.tile(0.5 * np.sum(np.log(precision[:, 2:]), axis=1), tiles),
        forms=np.tile(forms, (tiles, 1)),
    )


def mixed_models(laws: Laws, data: BlockData, start: tuple[float, float]) -> MixedModels:
    """Make every law with the mixed settling, once for each spread of its amplitudes."""
    log_tau = np.log(settling.SPECTRUM_S)[:, None]
    spectrum = data.rise(settling.EXP_COURSE, log_tau, log_tau)[0]
    sds = np.asarray(settling.MIXED_SDS_PA)
    width = 2 + spectrum.shape[0]
    precision = np.zeros((sds.size, width, width))
    inverse = np.linalg.inv(settling.mixed_covariance())
    precision[:, 2:, 2:] = inverse / sds[:, None, None] ** 2
    log_prior = 0.5 * np.linalg.slogdet(precision[:, 2:, 2:])[1]
    tiles = len(laws)
    theta = np.zeros((tiles * sds.size, width))
    theta[:, :2] = start
    share = -math.log(settling.candidate_count() * sds.size)
    return MixedModels(
        data=data,
        laws=tuple(law for law, _ in laws),
        law=np.repeat(np.arange(tiles), sds.size),
        candidate=np.tile(np.arange(sds.size), tiles),
        theta=theta,
        log_weight=np.repeat(np.log([weight for _, weight in laws]), sds.size) + share,
        prior_mean=np.zeros((tiles * sds.size, width)),
        precision=np.tile(precision, (tiles, 1, 1)),
        log_prior=np.tile(log_prior, tiles),
        spectrum=spectrum,
    )
