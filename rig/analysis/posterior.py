"""Own the fitting and weighing of candidate models of a hold; never see raw samples.

All models are fitted together by damped Gauss-Newton with Gaussian priors on the settling's
parameters (the level and the rate of the leak are free) and weighed by their evidence in Laplace's
approximation, with a flat prior on the level and on the slope at the start, which no leak makes
negative. The weighted mixture is the posterior of the leak: its spread holds the random error, the
choice of settling and the choice of law (MacKay, Information Theory, Inference, and Learning
Algorithms, chapters 27 and 28).
"""

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from rig.analysis import settling
from rig.analysis.gas import Law
from rig.analysis.models import (
    COURSES,
    FIRST_AMPLITUDE,
    RATE,
    RATIO,
    BlockData,
    Laws,
    Models,
    ShapedModels,
    mixed_models,
    shaped_models,
)
from rig.arrays import FloatArray

_ITERATIONS = 20
_SETTLED = 2e-3
"""Improvement of the cost below which a fit is done."""
_MISFIT = 1.7
"""Chi squared per degree of freedom that noise alone does not reach with a hold's blocks."""
_LATE = 0.2
"""Share of the hold after which a settling still going counts as slow."""
_OUT_OF_REACH = 80.0
"""Log evidence behind the best at which a model is left out of the next fit."""
_LEAST_CURVATURE = 1e-10
"""Keeps a curve that says nothing about a parameter from making the equations singular."""
_PATIENCE, _HOPELESS, _SLOW_GAIN = 5, 200.0, 0.05
"""After so many iterations, a fit with a cost so far above the least is left where it is, unless
its last step still gained that share of its cost."""
_FIRST_PATIENCE, _FAR, _FAR_GAIN = 3, 30.0, 0.3
"""The same, sooner, for a fit whose cost is that many times the least."""
_NEGATIVE_RISE = 0.1
"""Prior weight of a settling that lowers the pressure, against one that raises it."""

_M = TypeVar("_M", bound=Models)


@dataclass(frozen=True)
class Solved:
    """Models at their best parameters with what a fit tells, one entry a model first."""

    models: Models
    log_evidence: FloatArray
    covariance: FloatArray
    course: FloatArray
    leak: FloatArray
    jacobian: FloatArray


@dataclass(frozen=True)
class Fits:
    """Fits of every law with every candidate settling, one entry a fit.

    `law` (fits,) indexes `laws`; `kinds` names the settling; `leak` (fits, 2) holds the rate
    [Pa/s] and the critical ratio, `leak_covariance` (fits, 2, 2) their posterior covariance;
    `weight` sums to one. `course_pa` (fits, blocks) and `leak_pa` (fits, blocks) are the fitted
    pressure and the leak's part of it; `rise_pa` what settling raises from the last stroke to the
    end; `time_constant_s` the longest time constant that the
    curve shows, NaN where there is none; `slow_for_s` and `slow_rise_pa` for how long a time
    constant the settling counts and the rise that belongs to it.
    """

    laws: tuple[Law, ...]
    law: np.ndarray
    kinds: tuple[str, ...]
    weight: FloatArray
    leak: FloatArray
    leak_covariance: FloatArray
    course_pa: FloatArray
    leak_pa: FloatArray
    rise_pa: FloatArray
    time_constant_s: FloatArray
    slow_for_s: FloatArray
    slow_rise_pa: FloatArray

    @property
    def best(self) -> int:
        """Get the index of the most credible fit."""
        return int(np.argmax(self.weight))


Pair = tuple[Solved, Solved]
"""Shaped candidates and the mixed one."""


def fit(laws: Laws, data: BlockData, start: tuple[float, float]) -> Pair:
    """Fit every law with every candidate settling, shaped and mixed, from a level and rate."""
    shaped = _solve(shaped_models(laws, data, start))
    mixed = _solve(mixed_models(laws, data, start))
    return _one_per_candidate(shaped), _one_per_candidate(mixed)


def fit_again(solved: Pair, data: BlockData) -> Pair:
    """Fit the models to the same blocks with another covariance, from where they stand.

    Models far behind are left out: further than the wider covariance could bring them back.
    """
    before = np.linalg.norm(solved[0].models.data.whitener)
    wider = max(float((before / np.linalg.norm(data.whitener)) ** 2), 1.0)
    best = max(float(np.max(s.log_evidence)) for s in solved)
    kept = []
    for s in solved:
        rows = np.flatnonzero(s.log_evidence > best - _OUT_OF_REACH * wider)
        rows = rows if rows.size else np.array([int(np.argmax(s.log_evidence))])
        kept.append(replace(s.models.rows(rows), data=data))
    return _solve(kept[0]), _solve(kept[1])


@dataclass(frozen=True)
class BestFit:
    """The most credible fit: what it leaves [Pa] and its Jacobian, and how far settling rose."""

    left_pa: FloatArray
    design: FloatArray
    settled_pa: float


def most_credible(solved: Pair) -> BestFit:
    """Get the most credible of the fits."""
    best = max(solved, key=lambda s: float(np.max(s.log_evidence)))
    row = int(np.argmax(best.log_evidence))
    design = best.jacobian[row]
    left = best.models.data.pressure_pa - best.course[row]
    used = np.any(design != 0.0, axis=0)
    return BestFit(left, design[:, used], float(best.models.whole_rise()[row]))


def _birge_ratio(best: BestFit, data: BlockData) -> float:
    left = data.whitener @ best.left_pa
    freedom = max(left.size - best.design.shape[1], 1)
    ratio = float(left @ left) / freedom
    return ratio if ratio > _MISFIT else 1.0


def weigh(solved: Pair) -> Fits:
    """Weigh fitted models by their evidence.

    Where even the best leaves more than the noise can, all variances are larger by as much (the
    Birge ratio), and evidence is worth as much less.
    """
    shaped, mixed = solved
    log_evidence = np.concatenate([s.log_evidence for s in solved])
    birge = _birge_ratio(most_credible(solved), shaped.models.data)
    weight = np.exp((log_evidence - np.max(log_evidence)) / birge)
    names = settling.candidates()
    slow = [np.concatenate(parts) for parts in zip(*map(_slow_parts, solved), strict=True)]
    leak = slice(RATE, RATIO + 1)
    return Fits(
        laws=shaped.models.laws,
        law=np.concatenate([s.models.law for s in solved]),
        kinds=(
            *(names[number][0] for number in shaped.models.candidate),
            *(settling.MIXED for _ in mixed.log_evidence),
        ),
        weight=weight / weight.sum(),
        leak=np.concatenate([s.models.theta[:, leak] for s in solved]),
        leak_covariance=np.concatenate([s.covariance[:, leak, leak] for s in solved]) * birge,
        course_pa=np.concatenate([s.course for s in solved]),
        leak_pa=np.concatenate([s.leak for s in solved]),
        rise_pa=np.concatenate([s.models.whole_rise() for s in solved]),
        time_constant_s=slow[0],
        slow_for_s=slow[1],
        slow_rise_pa=slow[2],
    )


def _solve(models: _M) -> Solved:
    """Bring every model to its best parameters, leaving each alone once it is done."""
    data = models.data
    count, width = models.theta.shape
    course, leak, jacobian = models.predict()
    left, cost = _cost(models, course)
    theta = models.theta.copy()
    damping = np.full(count, 1e-4)
    active = np.arange(count)
    for iteration in range(_ITERATIONS):
        part = replace(models.rows(active), theta=theta[active])
        whitened = data.whitener @ jacobian[active]
        hessian = np.swapaxes(whitened, 1, 2) @ whitened + part.precision
        away = part.theta - part.prior_mean
        pull = np.einsum("gkl,gl->gk", part.precision, away)
        gradient = np.einsum("gnk,gn->gk", whitened, left[active]) - pull
        scale = np.einsum("gkk->gk", hessian) + _LEAST_CURVATURE
        damped = hessian + (damping[active, None] * scale)[:, :, None] * np.eye(width)
        step = np.linalg.solve(damped, gradient[:, :, None])[:, :, 0]
        # Where the equations have no answer the model stays, and is damped more.
        step = np.where(np.isfinite(step).all(axis=1, keepdims=True), step, 0.0)
        trial = replace(part, theta=part.theta + part.bounded(step))
        with np.errstate(over="ignore", invalid="ignore"):
            new_course, new_leak, new_jacobian = trial.predict()
            new_left, new_cost = _cost(trial, new_course)
        gain = cost[active] - new_cost
        better = gain > 0.0
        taken = active[better]
        theta[taken] = trial.theta[better]
        course[taken], leak[taken] = new_course[better], new_leak[better]
        jacobian[taken], left[taken] = new_jacobian[better], new_left[better]
        cost[taken] = new_cost[better]
        damping[taken] *= 0.1
        damping[active[~better]] = np.maximum(damping[active[~better]] * 10.0, 1e-3)
        done = (better & (gain < _SETTLED)) | (damping[active] > 1e4)
        if iteration >= _FIRST_PATIENCE:
            far = cost[active] > _FAR * np.min(cost) + _HOPELESS
            done |= far & (gain < _FAR_GAIN * cost[active])
        if iteration >= _PATIENCE:
            slow = gain < _SLOW_GAIN * cost[active]
            done |= slow & (cost[active] > np.min(cost) + _HOPELESS)
        active = active[~done]
        if not active.size:
            break
    fitted = replace(models, theta=theta)
    whitened = data.whitener @ jacobian
    hessian = np.swapaxes(whitened, 1, 2) @ whitened + models.precision
    hessian += _LEAST_CURVATURE * np.eye(width)
    covariance = np.asarray(np.linalg.inv(hessian), dtype=float)
    evidence = _log_evidence(fitted, cost, hessian, covariance)
    return Solved(fitted, evidence, covariance, course, leak, jacobian)


def _cost(models: Models, course: FloatArray) -> tuple[FloatArray, FloatArray]:
    left = (models.data.pressure_pa - course) @ models.data.whitener.T
    away = models.theta - models.prior_mean
    prior = np.einsum("gk,gkl,gl->g", away, models.precision, away)
    return left, np.einsum("gn,gn->g", left, left) + prior


def _log_evidence(
    models: Models, cost: FloatArray, hessian: FloatArray, covariance: FloatArray
) -> FloatArray:
    theta = models.theta
    evidence = (
        models.log_weight
        - 0.5 * cost
        + models.log_prior
        - 0.5 * np.linalg.slogdet(hessian)[1]
        # The flat prior is on the slope at the start, rate times shape, so that laws compare.
        + np.log(models.start_shape())
        + _log_positive(theta[:, RATE] / np.sqrt(covariance[:, RATE, RATE]))
    )
    amplitudes = slice(FIRST_AMPLITUDE, FIRST_AMPLITUDE + models.amplitudes)
    sd = np.sqrt(np.einsum("gkk->gk", covariance)[:, amplitudes])
    rising = np.exp(_log_positive(theta[:, amplitudes] / np.maximum(sd, 1e-9)))
    share = _NEGATIVE_RISE + (1.0 - _NEGATIVE_RISE) * np.minimum(2.0 * rising, 1.0)
    return np.asarray(evidence + np.sum(np.log(share), axis=1))


def _one_per_candidate(solved: Solved) -> Solved:
    """Keep the best of the starts of each law and candidate, in their order."""
    best: dict[tuple[int, int], int] = {}
    for i, key in enumerate(zip(solved.models.law, solved.models.candidate, strict=True)):
        known = best.get(key)
        if known is None or solved.log_evidence[i] > solved.log_evidence[known]:
            best[key] = i
    rows = np.asarray(list(best.values()))
    return Solved(
        solved.models.rows(rows),
        solved.log_evidence[rows],
        solved.covariance[rows],
        solved.course[rows],
        solved.leak[rows],
        solved.jacobian[rows],
    )


def _log_positive(z: FloatArray) -> FloatArray:
    """Compute the log of the normal probability of a positive value, `z` sds above zero."""
    logs = [
        math.log(0.5 * math.erfc(-x / math.sqrt(2.0))) if x > -8.0 else -0.5 * x * x - 3.0
        for x in z.ravel()
    ]
    return np.asarray(logs).reshape(z.shape)


def _slow_parts(solved: Solved) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Find how slow each model's settling is, and how much of it is slow.

    The longest time constant [s] that the curve shows, NaN where there is none; for how long a
    time constant the settling counts, and the rise [Pa] that belongs to it. Creep has no time
    constant: it counts for a quarter of the hold, a mixed settling for half of it, with what they
    rise after a fifth of it.
    """
    models = solved.models
    end = models.data.time_s[-1]
    longest = np.full(models.law.size, np.nan)
    if not isinstance(models, ShapedModels):
        tau = np.asarray(settling.SPECTRUM_S)
        risen = np.where(tau > _LATE * end, -np.expm1(-end / tau), 0.0)
        rise = models.theta[:, FIRST_AMPLITUDE:] @ risen
        return longest, np.full_like(longest, 0.5 * end), rise
    rise = np.zeros_like(longest)
    for slot in range(COURSES):
        column = FIRST_AMPLITUDE + slot
        amplitude = models.theta[:, column]
        tau = models.time_constant_s(slot)
        shown = np.abs(amplitude) > 2.0 * np.sqrt(solved.covariance[:, column, column])
        longer = shown & np.isfinite(tau) & ~(longest >= tau)
        longest = np.where(longer, tau, longest)
        rise = np.where(longer, amplitude * -np.expm1(-end / tau), rise)
    creeps = np.any(models.forms >= settling.LOG_COURSE, axis=1)
    settled, _ = models.settled()
    late = settled[:, -1] - settled[:, np.searchsorted(models.data.time_s, _LATE * end)]
    counts = np.where(creeps, np.fmax(longest, 0.25 * end), longest)
    return longest, counts, np.where(creeps, late, rise)
