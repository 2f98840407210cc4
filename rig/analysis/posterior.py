"""Own the weighing of candidate models of a hold against its block means; never see raw samples.

A model is a leak law plus a candidate settling. All models are fitted together by damped
Gauss-Newton with Gaussian priors on the settling's parameters (the level and the rate of the leak
are free) and weighed by their evidence in Laplace's approximation, with a flat prior on the level
and on the slope at the start, which no leak makes negative. The weighted mixture is the posterior
of the leak: its spread holds the random error, the choice of settling and the choice of law
(MacKay, Information Theory, Inference, and Learning Algorithms, chapters 27 and 28).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis import settling
from rig.analysis.gas import FloatArray, LeakLaw

_ITERATIONS = 40
_SETTLED = 1e-3
"""Improvement of the cost below which an iteration ends it."""
_PINNED = 1e12
"""Prior precision of parameters that a candidate does not have."""
_NEGATIVE_RISE = 0.1
"""Prior weight of a settling that lowers the pressure, against one that raises it."""
_NODES = np.array([-math.sqrt(0.6), 0.0, math.sqrt(0.6)])
_NODE_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 18.0
_COURSES = 2


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

    def rise(self, form: int, shape: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Average a course and its derivative over the blocks: (fits, blocks) twice."""
        nodes = self.time_s[:, None] + self.half_width_s[:, None] * _NODES
        flat = np.maximum(nodes, 0.0).ravel()
        value, slope = settling.rise(form, shape, flat)
        folded = (shape.shape[0], self.time_s.size, _NODES.size)
        return value.reshape(folded) @ _NODE_WEIGHTS, slope.reshape(folded) @ _NODE_WEIGHTS


@dataclass(frozen=True)
class Fits:
    """Fits of every law with every candidate settling, one entry a fit.

    `law` (fits,) indexes `laws`; `kinds` names the settling; `rate_pa_s` and `rate_variance` the
    posterior of the rate of the leak; `weight` sums to one. `course_pa` (fits, blocks) and
    `leak_pa` (fits, blocks) are the fitted pressure and the leak's part of it; `time_constant_s`
    the longest time constant, NaN where there is none or the curve does not show it.
    """

    laws: tuple[LeakLaw, ...]
    law: np.ndarray
    kinds: tuple[str, ...]
    weight: FloatArray
    rate_pa_s: FloatArray
    rate_variance: FloatArray
    course_pa: FloatArray
    leak_pa: FloatArray
    time_constant_s: FloatArray


@dataclass
class _Batch:
    """Models of one width being fitted together; arrays have one entry a fit first."""

    data: BlockData
    laws: tuple[LeakLaw, ...]
    law: np.ndarray
    kinds: tuple[str, ...]
    log_weight: FloatArray
    theta: FloatArray
    prior_mean: FloatArray
    precision: FloatArray
    log_prior: FloatArray

    def model(self, theta: FloatArray, *, derivatives: bool) -> tuple[FloatArray, ...]:
        """Compute course, leak and, where asked, the Jacobian (fits, blocks, parameters)."""
        raise NotImplementedError

    def leak(self, theta: FloatArray) -> FloatArray:
        data = self.data
        out = np.empty((theta.shape[0], data.time_s.size))
        for i, law in enumerate(self.laws):
            rows = self.law == i
            out[rows] = law.pressure(
                data.time_s, theta[rows, :1], theta[rows, 1:2], data.ambient_pa
            )
        return out

    def leak_derivatives(
        self, theta: FloatArray, leak: FloatArray, jacobian: FloatArray
    ) -> None:
        data = self.data
        for i, law in enumerate(self.laws):
            rows = self.law == i
            shape = law.shape(leak[rows], data.ambient_pa)
            start = np.maximum(law.shape(theta[rows, :1], data.ambient_pa), 1e-9)
            jacobian[rows, :, 0] = shape / start
            jacobian[rows, :, 1] = data.time_s * shape


@dataclass
class _ShapedBatch(_Batch):
    """Candidates of up to two courses: level, rate, then amplitudes, then shape parameters."""

    forms: np.ndarray

    def model(self, theta: FloatArray, *, derivatives: bool) -> tuple[FloatArray, ...]:
        leak = self.leak(theta)
        course = leak.copy()
        jacobian = np.zeros((*leak.shape, theta.shape[1])) if derivatives else None
        for slot in range(_COURSES):
            for form in (settling.EXP_COURSE, settling.LOG_COURSE, settling.POWER_COURSE):
                rows = self.forms[:, slot] == form
                if not rows.any():
                    continue
                amplitude = theta[rows, 2 + slot, None]
                value, slope = self.data.rise(form, theta[rows, 4 + slot, None])
                course[rows] += amplitude * value
                if jacobian is not None:
                    jacobian[rows, :, 2 + slot] = value
                    jacobian[rows, :, 4 + slot] = amplitude * slope
        if jacobian is None:
            return course, leak
        self.leak_derivatives(theta, leak, jacobian)
        return course, leak, jacobian


@dataclass
class _MixedBatch(_Batch):
    """The mixed settling: level, rate, then the amplitude of each octave."""

    octaves: FloatArray

    def model(self, theta: FloatArray, *, derivatives: bool) -> tuple[FloatArray, ...]:
        leak = self.leak(theta)
        course = leak + theta[:, 2:] @ self.octaves
        if not derivatives:
            return course, leak
        jacobian = np.empty((*leak.shape, theta.shape[1]))
        jacobian[:, :, 2:] = self.octaves.T
        self.leak_derivatives(theta, leak, jacobian)
        return course, leak, jacobian


def fit_models(
    laws: Sequence[tuple[LeakLaw, float]], data: BlockData, start: tuple[float, float]
) -> tuple[Fits, FloatArray]:
    """Fit and weigh every law (with its prior weight) with every candidate settling.

    `start` is a first level [Pa] and rate [Pa/s]. Returns the fits, and the derivatives of the
    most credible one in its parameters, (blocks, parameters).
    """
    solved = [_solve(batch) for batch in _batches(laws, data, start)]
    log_evidence = np.concatenate([s.log_evidence for s in solved])
    best = int(np.argmax(log_evidence))
    weight = np.exp(log_evidence - log_evidence[best])
    weight /= weight.sum()
    first = solved[0].log_evidence.size
    chosen = solved[0] if best < first else solved[1]
    design = chosen.jacobian[best if best < first else best - first]
    used = np.any(design != 0.0, axis=0)
    fits = Fits(
        tuple(law for law, _ in laws),
        np.concatenate([s.batch.law for s in solved]),
        tuple(kind for s in solved for kind in s.batch.kinds),
        weight,
        np.concatenate([s.batch.theta[:, 1] for s in solved]),
        np.concatenate([s.rate_variance for s in solved]),
        np.concatenate([s.course for s in solved]),
        np.concatenate([s.leak for s in solved]),
        np.concatenate([s.time_constant_s for s in solved]),
    )
    return fits, design[:, used]


@dataclass(frozen=True)
class _Solved:
    batch: _Batch
    log_evidence: FloatArray
    rate_variance: FloatArray
    course: FloatArray
    leak: FloatArray
    jacobian: FloatArray
    time_constant_s: FloatArray


def _batches(
    laws: Sequence[tuple[LeakLaw, float]], data: BlockData, start: tuple[float, float]
) -> tuple[_Batch, _Batch]:
    starts = settling.starts()
    share = -math.log(settling.candidate_count())
    per_candidate: dict[tuple[str, tuple[settling.Course, ...]], int] = {}
    for s in starts:
        key = (s.kind, s.courses)
        per_candidate[key] = per_candidate.get(key, 0) + 1
    count, width = len(starts), 2 + 2 * _COURSES
    theta = np.zeros((count, width))
    mean = np.zeros((count, width))
    precision = np.full((count, width), _PINNED)
    precision[:, :2] = 0.0
    forms = np.full((count, _COURSES), -1)
    for i, s in enumerate(starts):
        for slot, course in enumerate(s.courses):
            forms[i, slot] = course.form
            theta[i, 4 + slot] = s.shapes[slot]
            mean[i, 4 + slot] = course.shape_mean
            precision[i, 2 + slot] = course.amplitude_sd_pa**-2
            precision[i, 4 + slot] = course.shape_sd**-2
    theta[:, 0], theta[:, 1] = start
    laws_tuple = tuple(law for law, _ in laws)
    law_logs = np.log([weight for _, weight in laws])
    tiles = len(laws)
    shaped = _ShapedBatch(
        data,
        laws_tuple,
        np.repeat(np.arange(tiles), count),
        tuple(s.kind for s in starts) * tiles,
        np.repeat(law_logs, count) + share,
        np.tile(theta, (tiles, 1)),
        np.tile(mean, (tiles, 1)),
        np.tile(precision[:, :, None] * np.eye(width), (tiles, 1, 1)),
        np.tile(0.5 * np.sum(np.log(precision[:, 2:]), axis=1), tiles),
        np.tile(forms, (tiles, 1)),
    )
    octaves, _ = data.rise(settling.EXP_COURSE, np.log(settling.OCTAVES_S)[:, None])
    sds = np.asarray(settling.MIXED_SDS_PA)
    inverse = np.linalg.inv(settling.mixed_covariance())
    mixed_width = 2 + octaves.shape[0]
    mixed_precision = np.zeros((sds.size, mixed_width, mixed_width))
    mixed_precision[:, 2:, 2:] = inverse / sds[:, None, None] ** 2
    log_det = np.linalg.slogdet(mixed_precision[:, 2:, 2:])[1]
    mixed_theta = np.zeros((sds.size, mixed_width))
    mixed_theta[:, 0], mixed_theta[:, 1] = start
    mixed = _MixedBatch(
        data,
        laws_tuple,
        np.repeat(np.arange(tiles), sds.size),
        (settling.MIXED,) * (sds.size * tiles),
        np.repeat(law_logs, sds.size) + share - math.log(sds.size),
        np.tile(mixed_theta, (tiles, 1)),
        np.zeros((tiles * sds.size, mixed_width)),
        np.tile(mixed_precision, (tiles, 1, 1)),
        np.tile(0.5 * log_det, tiles),
        octaves,
    )
    return shaped, mixed


def _solve(batch: _Batch) -> _Solved:
    data = batch.data
    theta = batch.theta
    count, width = theta.shape

    def cost_of(trial: FloatArray, course: FloatArray) -> tuple[FloatArray, FloatArray]:
        left = (data.pressure_pa - course) @ data.whitener.T
        away = trial - batch.prior_mean
        prior = np.einsum("gk,gkl,gl->g", away, batch.precision, away)
        return left, np.einsum("gn,gn->g", left, left) + prior

    damping = np.full(count, 1e-3)
    course, leak, jacobian = batch.model(theta, derivatives=True)
    left, cost = cost_of(theta, course)
    for _ in range(_ITERATIONS):
        whitened = _whiten(jacobian, data.whitener)
        hessian = np.swapaxes(whitened, 1, 2) @ whitened + batch.precision
        pull = np.einsum("gkl,gl->gk", batch.precision, theta - batch.prior_mean)
        gradient = np.einsum("gnk,gn->gk", whitened, left) - pull
        scale = np.einsum("gkk->gk", hessian)
        damped = hessian + (damping[:, None] * scale)[:, :, None] * np.eye(width)
        step = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
        trial = theta + _bounded(step, batch)
        trial_course, trial_leak, trial_jacobian = batch.model(trial, derivatives=True)
        trial_left, trial_cost = cost_of(trial, trial_course)
        better = trial_cost < cost
        gain = np.where(better, cost - trial_cost, 0.0)
        keep = better[:, None]
        theta = np.where(keep, trial, theta)
        course = np.where(keep, trial_course, course)
        leak = np.where(keep, trial_leak, leak)
        left = np.where(keep, trial_left, left)
        jacobian = np.where(keep[:, :, None], trial_jacobian, jacobian)
        cost = np.where(better, trial_cost, cost)
        damping = np.where(better, damping * 0.1, np.minimum(damping * 8.0, 1e6))
        # A fit is done when a step gains nothing, or when it has no way down left.
        done = (better & (gain < _SETTLED)) | (damping > 1e5)
        if done.all():
            break
    batch.theta = theta
    whitened = _whiten(jacobian, data.whitener)
    hessian = np.swapaxes(whitened, 1, 2) @ whitened + batch.precision
    covariance = np.linalg.inv(hessian)
    evidence = _log_evidence(batch, cost, hessian, covariance)
    return _Solved(
        batch,
        evidence,
        covariance[:, 1, 1],
        course,
        leak,
        jacobian,
        _time_constants(batch, covariance),
    )


def _whiten(jacobian: FloatArray, whitener: FloatArray) -> FloatArray:
    return whitener @ jacobian


def _bounded(step: FloatArray, batch: _Batch) -> FloatArray:
    """Limit a step in a shape parameter to one: a factor e in time, no further at once."""
    if isinstance(batch, _ShapedBatch):
        step[:, 4:] = np.clip(step[:, 4:], -1.0, 1.0)
    return step


def _log_evidence(
    batch: _Batch, cost: FloatArray, hessian: FloatArray, covariance: FloatArray
) -> FloatArray:
    theta, data = batch.theta, batch.data
    # The flat prior is on the slope at the start, rate times shape, so that laws compare.
    shape = np.empty(theta.shape[0])
    for i, law in enumerate(batch.laws):
        rows = batch.law == i
        shape[rows] = law.shape(theta[rows, 0], data.ambient_pa)
    rate_sd = np.sqrt(covariance[:, 1, 1])
    evidence = (
        batch.log_weight
        - 0.5 * cost
        + batch.log_prior
        - 0.5 * np.linalg.slogdet(hessian)[1]
        + np.log(np.maximum(shape, 1e-6))
        + _log_positive(theta[:, 1] / rate_sd)
    )
    if isinstance(batch, _ShapedBatch):
        for slot in range(_COURSES):
            sd = np.sqrt(covariance[:, 2 + slot, 2 + slot])
            rising = np.exp(_log_positive(theta[:, 2 + slot] / np.maximum(sd, 1e-9)))
            has = batch.forms[:, slot] >= 0
            share = _NEGATIVE_RISE + (1.0 - _NEGATIVE_RISE) * rising
            evidence = evidence + np.where(has, np.log(share / (0.5 + 0.5 * _NEGATIVE_RISE)), 0.0)
        evidence = _one_per_candidate(batch, evidence)
    return evidence


def _one_per_candidate(batch: _ShapedBatch, evidence: FloatArray) -> FloatArray:
    """Let only the best of the starts of each candidate count."""
    starts = settling.starts()
    out = np.full_like(evidence, -np.inf)
    groups: dict[tuple[int, str, tuple[settling.Course, ...]], list[int]] = {}
    for i in range(evidence.size):
        s = starts[i % len(starts)]
        groups.setdefault((int(batch.law[i]), s.kind, s.courses), []).append(i)
    for members in groups.values():
        best = members[int(np.argmax(evidence[members]))]
        out[best] = evidence[best]
    return out


def _log_positive(z: FloatArray) -> FloatArray:
    """Compute the log of the normal probability of a positive value, `z` sds above zero."""
    return np.array(
        [
            math.log(0.5 * math.erfc(-x / math.sqrt(2.0))) if x > -8.0 else -0.5 * x * x - 3.0
            for x in z
        ]
    )


def _time_constants(batch: _Batch, covariance: FloatArray) -> FloatArray:
    longest = np.full(batch.theta.shape[0], np.nan)
    if not isinstance(batch, _ShapedBatch):
        return longest
    for slot in range(_COURSES):
        amplitude = batch.theta[:, 2 + slot]
        sd = np.sqrt(covariance[:, 2 + slot, 2 + slot])
        shown = (batch.forms[:, slot] == settling.EXP_COURSE) & (np.abs(amplitude) > 2.0 * sd)
        tau = np.exp(batch.theta[:, 4 + slot])
        longest = np.where(shown, np.fmax(longest, tau), longest)
    return longest
