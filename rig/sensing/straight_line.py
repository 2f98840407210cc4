"""Own the straight line of a linear sensor with its uncertainty; never know what it measures.

Input x (volts, counts, a reading) and output y (Pa, or any unit) are related by

    y = value_at_centre + slope (x - centre)

with the standard uncertainties of both numbers and their correlation (GUM example H.3).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.analysis.fit import linear_least_squares
from rig.arrays import FloatArray
from rig.errors import InputError
from rig.sensing.propagation import correlations


@dataclass(frozen=True)
class StraightLine:
    """A line, the uncertainty of its two numbers, and the inputs low to high it was found over.

    `residual_sd` is the scatter of its points about it, None where two points made it.
    """

    value_at_centre: float
    slope: float
    low: float
    high: float
    centre: float = 0.0
    u_value: float = 0.0
    u_slope: float = 0.0
    correlation: float = 0.0
    residual_sd: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.slope) and self.slope != 0.0 and self.low < self.high):
            raise InputError(
                f"calibration line: slope {self.slope} over {self.low} to {self.high} tells no"
                " input from another: give two points that differ in both values"
            )

    def value(self, x: ArrayLike) -> FloatArray:
        """Get y at x, any shape, also outside low to high: ask `outside`."""
        offset = np.asarray(x, dtype=float) - self.centre
        return np.asarray(self.value_at_centre + self.slope * offset)

    def u(self, x: ArrayLike) -> FloatArray:
        """Get the standard uncertainty of the line at x, any shape (GUM H.3.5, equation H.15)."""
        offset = np.asarray(x, dtype=float) - self.centre
        along = offset * self.u_slope
        variance = self.u_value**2 + along**2 + 2.0 * self.correlation * self.u_value * along
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def inverse(self, y: ArrayLike) -> FloatArray:
        """Get the x at which the line gives y, any shape."""
        offset = (np.asarray(y, dtype=float) - self.value_at_centre) / self.slope
        return np.asarray(self.centre + offset)

    def outside(self, x: ArrayLike) -> NDArray[np.bool_]:
        """Tell which x, any shape, lie outside the inputs the line was found over."""
        values = np.asarray(x, dtype=float)
        return np.asarray(~((values >= self.low) & (values <= self.high)))

    def about_its_pivot(self) -> "StraightLine":
        """Return the same line about the x where value and slope are uncorrelated."""
        if self.u_slope == 0.0:
            return self
        pivot = self.centre - self.correlation * self.u_value / self.u_slope
        return replace(
            self,
            value_at_centre=float(self.value(pivot)),
            centre=pivot,
            u_value=self.u_value * math.sqrt(max(1.0 - self.correlation**2, 0.0)),
            correlation=0.0,
        )


def line_through(first: tuple[float, float], second: tuple[float, float]) -> StraightLine:
    """Build the exact line through two points (x, y), as a data sheet states it."""
    (x1, y1), (x2, y2) = first, second
    slope = (y2 - y1) / (x2 - x1) if x2 != x1 else math.nan
    return StraightLine(y1, slope, min(x1, x2), max(x1, x2), centre=x1)


def fit_line(
    x: Sequence[float],
    y: Sequence[float],
    *,
    x_u: float | Sequence[float] | None = None,
    y_u: float | Sequence[float] | None = None,
    centre: float = 0.0,
) -> StraightLine:
    """Fit a line to n points by least squares (GUM H.3); through two points it is exact.

    Standard uncertainties of x and y, one for all or (n,), independent from point to point, weight
    the points and make the uncertainty of the line; those of x act through the slope of a first fit
    (effective variance). Without either, the scatter of at least three points makes it.

    Raises InputError where the lists do not pair, FitError where the points are too few.
    """
    inputs, outputs = np.array(x, dtype=float), np.array(y, dtype=float)
    if inputs.shape != outputs.shape or inputs.size < 2:
        raise InputError(
            f"calibration points: {inputs.size} inputs and {outputs.size} references: give at"
            " least two of one each"
        )
    if not (np.isfinite(inputs).all() and np.isfinite(outputs).all()):
        raise InputError("calibration points: a value is not a number: correct or remove it")
    design = np.stack([np.ones(inputs.size), inputs - centre], axis=1)
    if x_u is None and y_u is None:
        fit = linear_least_squares(design, outputs)
    else:
        slope = linear_least_squares(design, outputs, 1.0).parameters[1]
        from_y = np.asarray(0.0 if y_u is None else y_u)
        from_x = np.asarray(0.0 if x_u is None else x_u) * slope
        fit = linear_least_squares(design, outputs, np.hypot(from_y, from_x))
    u_value, u_slope = (float(u) for u in fit.standard_errors)
    value, slope = (float(parameter) for parameter in fit.parameters)
    misfit = outputs - design @ fit.parameters
    freedom = inputs.size - 2
    return StraightLine(
        value,
        slope,
        float(inputs.min()),
        float(inputs.max()),
        centre,
        u_value,
        u_slope,
        float(correlations(fit.covariance)[0, 1]),
        math.sqrt(float(misfit @ misfit) / freedom) if freedom else None,
    )
