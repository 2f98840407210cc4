"""Own finding a thermistor's curve from points or a table; never judge whether they are sound."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.fit import linear_least_squares
from rig.arrays import FloatArray
from rig.errors import InputError
from rig.sensing.thermistor import ThermistorCurve
from rig.units import ZERO_CELSIUS_K

_THREE_TERMS = (0, 1, 3)
_FOUR_TERMS = (0, 1, 2, 3)


@dataclass(frozen=True)
class CurveFit:
    """A fitted curve and how well it follows its rows.

    `residual_k` (n,) is listed minus fitted temperature, rows as given; `residual_sd_k` their
    standard deviation with n - k degrees of freedom.
    """

    curve: ThermistorCurve
    residual_k: FloatArray
    residual_sd_k: float


def curve_through(
    temperature_degc: Sequence[float],
    ohm: Sequence[float],
    temperature_u_k: float | Sequence[float] | None = None,
) -> ThermistorCurve:
    """Solve for the three-term curve that passes through three points exactly.

    `temperature_u_k`, one for all or one each, independent, becomes the covariance of the curve.

    Raises InputError unless there are three points whose resistance falls as temperature rises.
    """
    kelvin, values = _checked_points(temperature_degc, ohm)
    order = np.argsort(kelvin)
    falls = np.all(np.diff(kelvin[order]) > 0.0) and np.all(np.diff(values[order]) < 0.0)
    if kelvin.size != 3 or not falls:
        raise InputError(
            f"thermistor points {list(temperature_degc)} degC, {list(ohm)} ohm: an exact curve"
            " needs three points whose resistance falls as the temperature rises: look for swapped"
            " or repeated ones"
        )
    design = _design(np.log(values), kelvin, _THREE_TERMS)
    fit = linear_least_squares(design, kelvin, 1.0 if temperature_u_k is None else temperature_u_k)
    covariance = None if temperature_u_k is None else fit.covariance
    return _curve_of(fit.parameters, covariance, _THREE_TERMS, values)


def fit_curve(
    temperature_degc: Sequence[float],
    ohm: Sequence[float],
    *,
    temperature_u_k: float | Sequence[float] | None = None,
    ohm_rel_u: float | Sequence[float] | None = None,
    terms: int = 3,
) -> CurveFit:
    """Fit a curve of three or four terms in ln R to the n rows of a table by least squares.

    The residuals minimised are temperatures. Standard uncertainties of the temperatures [K] and of
    the resistances (relative), one for all or (n,), weight the rows and make the covariance; those
    of the resistances act through the slope of a first fit (effective variance). Without either,
    all rows count alike and their scatter about the curve makes the covariance.

    Raises InputError on rows that cannot be a table, FitError where there are too few.
    """
    if terms not in (3, 4):
        raise InputError(f"a thermistor curve has three or four terms, not {terms}")
    used = _THREE_TERMS if terms == 3 else _FOUR_TERMS
    kelvin, values = _checked_points(temperature_degc, ohm)
    design = _design(np.log(values), kelvin, used)
    fit = linear_least_squares(design, kelvin)
    curve = _curve_of(fit.parameters, fit.covariance, used, values)
    if temperature_u_k is not None or ohm_rel_u is not None:
        direct_k = np.asarray(0.0 if temperature_u_k is None else temperature_u_k)
        rel_u = np.asarray(0.0 if ohm_rel_u is None else ohm_rel_u)
        through_ohm_k = curve.slope_k_per_ohm(values) * values * rel_u
        fit = linear_least_squares(design, kelvin, np.hypot(direct_k, through_ohm_k))
        curve = _curve_of(fit.parameters, fit.covariance, used, values)
    residual_k = kelvin - ZERO_CELSIUS_K - curve.temperature_degc(values)
    freedom = kelvin.size - terms
    return CurveFit(curve, residual_k, math.sqrt(float(residual_k @ residual_k) / freedom))


def _checked_points(
    temperature_degc: Sequence[float], ohm: Sequence[float]
) -> tuple[FloatArray, FloatArray]:
    if len(temperature_degc) != len(ohm):
        raise InputError(
            f"thermistor points: {len(temperature_degc)} temperatures do not pair with"
            f" {len(ohm)} resistances"
        )
    kelvin = np.array(temperature_degc, dtype=float) + ZERO_CELSIUS_K
    values = np.array(ohm, dtype=float)
    sound = np.isfinite(kelvin) & (kelvin > 0.0) & np.isfinite(values) & (values > 0.0)
    if not sound.all():
        row = int(np.argmin(sound))
        raise InputError(
            f"thermistor points: row {row + 1} ({temperature_degc[row]} degC, {ohm[row]} ohm)"
            " is not a temperature with a positive resistance: correct or remove it"
        )
    return kelvin, values


def _design(log_ohm: FloatArray, kelvin: FloatArray, used: tuple[int, ...]) -> FloatArray:
    """Build the design whose residuals are temperatures: 1/T times T^2, to first order."""
    powers = np.vander(log_ohm, 4, increasing=True)[:, used]
    return np.asarray(powers * kelvin[:, None] ** 2, dtype=float)


def _curve_of(
    parameters: FloatArray, covariance: FloatArray | None, used: tuple[int, ...], ohm: FloatArray
) -> ThermistorCurve:
    a0, a1, a2, a3 = _spread(parameters, used)
    full = None
    if covariance is not None:
        full = np.zeros((4, 4))
        full[np.ix_(used, used)] = covariance
    limits = (float(ohm.min()), float(ohm.max()))
    return ThermistorCurve((a0, a1, a2, a3), range_ohm=limits, covariance=full)


def _spread(parameters: FloatArray, used: tuple[int, ...]) -> list[float]:
    """Put the parameters used into their places among the four."""
    places = np.zeros(4)
    places[list(used)] = parameters
    return [float(value) for value in places]
