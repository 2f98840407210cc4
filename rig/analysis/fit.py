"""Own least squares, linear and nonlinear, with covariance; never know what a parameter means.

Nonlinear: the Levenberg-Marquardt method in Moré's form (The Levenberg-Marquardt algorithm:
implementation and theory, 1978): a trust region in parameters scaled by the largest Jacobian column
norms seen, so the unit of a parameter does not matter. It ends by the relative offset of Bates and
Watts (Technometrics 23, 1981): the part of the residuals that a further step could still remove.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rig.arrays import FloatArray
from rig.errors import RigError

VectorFunction = Callable[[FloatArray], FloatArray]

_EPS = float(np.finfo(float).eps)
_ROUNDING = 50.0 * _EPS
"""Relative change of the fitted values below which only rounding is left to fit."""
_SINGULAR = "the data do not tell the parameters apart: fit fewer, or take other data"


class FitError(RigError):
    """A least-squares problem has no usable solution: singular, not converged, or too few data."""


@dataclass(frozen=True)
class Fit:
    """What a least-squares fit found.

    `parameters` (k,) and their `covariance` (k, k); `residuals` (n,) at the solution, as they were
    minimised: divided by their standard deviations where those were given.
    """

    parameters: FloatArray
    covariance: FloatArray
    residuals: FloatArray
    iterations: int
    converged: bool

    @property
    def standard_errors(self) -> FloatArray:
        """Get the standard error of each parameter, (k,)."""
        return np.sqrt(np.diag(self.covariance))

    @property
    def residual_sd(self) -> float:
        """Get the standard deviation of the residuals with n - k degrees of freedom.

        Raises FitError where no degree of freedom is left.
        """
        return _residual_sd(self.residuals, self.parameters.size)


def linear_least_squares(
    design: ArrayLike, observed: ArrayLike, sd: ArrayLike | None = None
) -> Fit:
    """Fit `observed` (n,) by `design` (n, k) times the parameters.

    `sd` is the standard deviation of the observations, one for all or (n,), positive: the
    covariance then follows from it. Without it, all observations count alike and the covariance is
    scaled by the residual variance. The residuals are observed minus fitted.

    Raises FitError where the design is singular, or where n < k (n <= k without `sd`).
    """
    matrix = np.array(design, dtype=float)
    target = np.array(observed, dtype=float)
    if sd is not None:
        deviations = np.broadcast_to(np.asarray(sd, dtype=float), target.shape)
        if not np.all(deviations > 0.0):
            raise FitError("a standard deviation of the observations is not positive")
        matrix /= deviations[:, None]
        target /= deviations
    if not (np.isfinite(matrix).all() and np.isfinite(target).all()):
        raise FitError(
            "the design or the observations hold a value that is not finite: leave it out"
        )
    count, size = matrix.shape
    if count < size:
        raise FitError(f"{count} observations cannot give {size} parameters: take more")
    scale = _column_norms(matrix)
    q, r = np.linalg.qr(matrix / scale)
    values = np.linalg.svd(r, compute_uv=False)
    if not values[-1] > _EPS * count * values[0]:
        raise FitError(_SINGULAR)
    inverse = np.linalg.inv(r)
    parameters = inverse @ (q.T @ target) / scale
    residuals = target - matrix @ parameters
    inverse /= scale[:, None]
    variance = 1.0 if sd is not None else _residual_sd(residuals, size) ** 2
    return Fit(parameters, inverse @ inverse.T * variance, residuals, 1, converged=True)


def least_squares(
    residuals: VectorFunction,
    jacobian: VectorFunction,
    start: ArrayLike,
    *,
    max_iterations: int = 1000,
    tolerance: float = 1e-8,
) -> Fit:
    """Find the parameters (k,) that minimise the sum of squares of `residuals(parameters)` (n,).

    `jacobian(parameters)` (n, k) holds their analytic derivatives. A trial step may lead where the
    residuals are not finite; it is taken back. At the end no more than the share `tolerance` of the
    residuals' length lies where a further step could remove it, or only rounding is left. The
    covariance is scaled by the residual variance.

    Raises FitError where n <= k, where residuals or Jacobian are not finite at the start or at a
    point reached, where no minimum is reached, and where the Jacobian is singular at the minimum.
    """
    with np.errstate(all="ignore"):
        first = np.array(start, dtype=float)
        point = _Point.checked(first, residuals(first), jacobian(first))
        count, size = point.jacobian.shape
        if count <= size:
            raise FitError(f"{count} residuals cannot give {size} parameters: take more data")
        scale = _column_norms(point.jacobian)
        radius = float(np.linalg.norm(scale * point.parameters)) or 1.0
        for iteration in range(1, max_iterations + 1):
            model = _Model.of(point, scale)
            if model.is_at_minimum(point, tolerance):
                return _solution(point, model, iteration)
            trial, values, radius = _improve(point, model, radius, residuals)
            point = _Point.checked(trial, values, jacobian(trial))
            scale = np.maximum(scale, np.linalg.norm(point.jacobian, axis=0))
    raise FitError(
        f"no minimum after {max_iterations} iterations: start nearer to it, or see to the Jacobian"
    )


@dataclass(frozen=True)
class _Point:
    """Where the search stands."""

    parameters: FloatArray
    residuals: FloatArray
    jacobian: FloatArray

    @classmethod
    def checked(
        cls, parameters: FloatArray, residuals: FloatArray, jacobian: FloatArray
    ) -> "_Point":
        if not (np.isfinite(residuals).all() and np.isfinite(jacobian).all()):
            raise FitError(f"residuals or derivatives are not finite at {parameters}: start nearer")
        return cls(parameters, residuals, jacobian)

    @property
    def sum_of_squares(self) -> float:
        return float(self.residuals @ self.residuals)

    @property
    def fitted_size(self) -> float:
        """Get the size of the terms that the fitted values are made of."""
        return float(np.linalg.norm(np.abs(self.jacobian) @ np.abs(self.parameters)))


@dataclass(frozen=True)
class _Model:
    """The linear model about a point in scaled parameters: U, s, V without its null space."""

    values: FloatArray
    projection: FloatArray
    right: FloatArray
    scale: FloatArray

    @classmethod
    def of(cls, point: _Point, scale: FloatArray) -> "_Model":
        left, values, right = np.linalg.svd(point.jacobian / scale, full_matrices=False)
        kept = values > _EPS * point.jacobian.shape[0] * values[0]
        projection = left[:, kept].T @ point.residuals
        return cls(values[kept], projection, right[kept], scale)

    def is_at_minimum(self, point: _Point, tolerance: float) -> bool:
        removable = float(np.linalg.norm(self.projection))
        remaining = tolerance * math.sqrt(point.sum_of_squares)
        return removable <= max(remaining, _ROUNDING * point.fitted_size)

    def step(self, radius: float) -> tuple[FloatArray, float]:
        """Solve for the scaled step at most 10 % longer than `radius`, with its damping."""
        full = self.projection / self.values
        if np.linalg.norm(full) <= 1.1 * radius:
            return -(self.right.T @ full), 0.0
        gradient = self.values * self.projection
        low, high = 0.0, float(np.linalg.norm(gradient)) / radius
        damping = 1e-3 * high
        for _ in range(50):
            weights = self.values**2 + damping
            length = float(np.linalg.norm(gradient / weights))
            if abs(length - radius) <= 0.1 * radius:
                break
            low, high = (damping, high) if length > radius else (low, damping)
            slope = -float(np.sum(gradient**2 / weights**3)) / length
            damping -= (length - radius) / slope * length / radius
            if not low < damping < high:
                damping = max(1e-3 * high, math.sqrt(low * high))
        return -(self.right.T @ (gradient / (self.values**2 + damping))), damping


def _improve(
    point: _Point, model: _Model, radius: float, residuals: VectorFunction
) -> tuple[FloatArray, FloatArray, float]:
    """Find parameters with a smaller sum of squares; return them, residuals and next radius."""
    before = point.sum_of_squares
    blur = _ROUNDING * (1.0 + point.fitted_size / math.sqrt(before))
    while True:
        scaled, damping = model.step(radius)
        length = float(np.linalg.norm(scaled))
        change = scaled / model.scale
        trial = point.parameters + change
        linear = point.jacobian @ change
        linear_share = float(linear @ linear) / before
        damping_share = damping * length * length / before
        predicted = linear_share + 2.0 * damping_share
        trial_residuals = residuals(trial)
        after = float(trial_residuals @ trial_residuals)
        actual = 1.0 - after / before if math.isfinite(after) else -math.inf
        if max(predicted, abs(actual)) <= blur:  # the sum of squares cannot tell: trust the model
            return trial, trial_residuals, max(radius, 2.0 * length)
        gain = actual / max(predicted, sys.float_info.min)
        if gain <= 0.25:
            slope = linear_share + damping_share
            shrink = 0.5 if actual >= 0.0 else 0.5 * slope / (slope - 0.5 * actual)
            radius = max(shrink, 0.1) * min(radius, 10.0 * length)
        elif damping == 0.0 or gain >= 0.75:
            radius = 2.0 * length
        if gain > 1e-4:
            return trial, trial_residuals, radius


def _solution(point: _Point, model: _Model, iterations: int) -> Fit:
    if model.values.size < point.parameters.size:
        raise FitError(_SINGULAR)
    scale = _column_norms(point.jacobian)
    _, values, right = np.linalg.svd(point.jacobian / scale, full_matrices=False)
    root = right.T / values / scale[:, None]
    variance = _residual_sd(point.residuals, point.parameters.size) ** 2
    covariance = root @ root.T * variance
    return Fit(point.parameters, covariance, point.residuals, iterations, converged=True)


def _residual_sd(residuals: FloatArray, size: int) -> float:
    freedom = residuals.size - size
    if freedom < 1:
        raise FitError(f"{residuals.size} data leave no scatter about {size} parameters: take more")
    return math.sqrt(float(residuals @ residuals) / freedom)


def _column_norms(matrix: FloatArray) -> FloatArray:
    norms: FloatArray = np.linalg.norm(matrix, axis=0)
    return np.where(norms > 0.0, norms, 1.0)
