"""Own a thermistor's curve, ohms to temperature and back; never read a channel or judge a table.

Every form of the Steinhart-Hart equation (Deep-Sea Research 15, 1968, 497-503) is one cubic in
L = ln(R/R_ref), with T in kelvin:

    1/T = a0 + a1 L + a2 L^2 + a3 L^3

    three terms, A + B ln R + C (ln R)^3      a = A, B, 0, C    R_ref = 1 ohm
    four terms in ln R                        a = A, B, C, D    R_ref = 1 ohm
    four terms in ln(R/R25)                   a = A, B, C, D    R_ref = R25

A cubic may turn round. Only the branch on which temperature falls as resistance rises is used:
beyond it, and beyond -100..400 degC, there is no answer (NaN), never a value from the wrong side.
"""

import math
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Finding
from rig.sensing.propagation import propagate
from rig.units import ZERO_CELSIUS_K

_COLDEST_K = 173.15
_HOTTEST_K = 673.15
_LEAST_OHM = 0.01
_MOST_OHM = 1e9
_HALVINGS = 64


@dataclass(frozen=True)
class ThermistorCurve:
    """A curve by its four `coefficients` a0 to a3 [1/K] and the resistance they refer to.

    `range_ohm` is where the curve was established, low to high; None where nobody has said.
    `covariance` (4, 4) of the coefficients and `tolerance_half_width_k` (the maker's limits, taken
    as a uniform distribution) make the uncertainty of a temperature.

    Raises InputError where the temperature falls with resistance nowhere in -100..400 degC.
    """

    coefficients: tuple[float, float, float, float]
    reference_ohm: float = 1.0
    range_ohm: tuple[float, float] | None = None
    tolerance_half_width_k: float = 0.0
    covariance: FloatArray | None = field(default=None, compare=False, repr=False)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.reference_ohm) and self.reference_ohm > 0.0):
            raise InputError(
                f"thermistor curve: reference resistance {self.reference_ohm} ohm is not positive"
            )
        low, high = self._branch
        if not low < high:
            raise InputError(
                f"thermistor curve: with the coefficients {self.coefficients} no temperature"
                " between -100 and 400 degC falls as the resistance rises: check their order,"
                " their signs and whether they belong to ln R in ohm or to ln(R/R25)"
            )

    @classmethod
    def three_term(cls, a: float, b: float, c: float) -> "ThermistorCurve":
        """Build the curve 1/T = a + b ln R + c (ln R)^3, R in ohm."""
        return cls((a, b, 0.0, c))

    @classmethod
    def four_term(
        cls, a: float, b: float, c: float, d: float, reference_ohm: float = 1.0
    ) -> "ThermistorCurve":
        """Build the curve 1/T = a + b L + c L^2 + d L^3, L = ln(R/reference_ohm)."""
        return cls((a, b, c, d), reference_ohm)

    @property
    def temperature_limits_degc(self) -> tuple[float, float]:
        """Get the coldest and the hottest temperature [degC] that the curve can give."""
        low, high = self._branch
        inverse = _cubic(self.coefficients, np.array([high, low]))
        coldest, hottest = 1.0 / inverse - ZERO_CELSIUS_K
        return float(coldest), float(hottest)

    def temperature_degc(self, ohm: ArrayLike) -> FloatArray:
        """Get the temperature [degC] at a resistance [ohm], any shape; NaN off the branch.

        Also answers outside `range_ohm`: ask `covers` whether the answer is an extrapolation.
        """
        log_ratio = self._log_ratio(ohm)
        return 1.0 / _cubic(self.coefficients, log_ratio) - ZERO_CELSIUS_K

    def covers(self, ohm: ArrayLike) -> NDArray[np.bool_]:
        """Tell for which resistances [ohm], any shape, the curve was established."""
        values = np.asarray(ohm, dtype=float)
        answered = np.isfinite(self.temperature_degc(values))
        if self.range_ohm is None:
            return answered
        low, high = self.range_ohm
        return answered & (values >= low) & (values <= high)

    def ohm(self, temperature_degc: ArrayLike) -> FloatArray:
        """Get the resistance [ohm] at a temperature [degC], any shape; NaN off the branch."""
        kelvin = np.asarray(temperature_degc, dtype=float) + ZERO_CELSIUS_K
        low, high = self._branch
        with np.errstate(divide="ignore", invalid="ignore"):
            wanted = np.asarray(1.0 / kelvin)
        first, last = _cubic(self.coefficients, np.array([low, high]))
        slack = 1e-12 * (last - first)
        inside = (wanted >= first - slack) & (wanted <= last + slack)
        log_ratio = _bisect(self.coefficients, np.where(inside, wanted, first), low, high)
        return np.where(inside, self.reference_ohm * np.exp(log_ratio), np.nan)

    def slope_k_per_ohm(self, ohm: ArrayLike) -> FloatArray:
        """Get dT/dR [K/ohm], negative, at a resistance [ohm], any shape; NaN off the branch."""
        log_ratio = self._log_ratio(ohm)
        inverse = _cubic(self.coefficients, log_ratio)
        per_log = -_cubic_slope(self.coefficients, log_ratio) / inverse**2
        return np.asarray(per_log / np.asarray(ohm, dtype=float))

    def temperature_covariance_k2(self, ohm: ArrayLike) -> FloatArray:
        """Get the covariance [K^2] (n, n) of the temperatures at `ohm` (n,) from the coefficients.

        Zero where the coefficients have no stated covariance.
        """
        log_ratio = self._log_ratio(np.atleast_1d(np.asarray(ohm, dtype=float)))
        if self.covariance is None:
            return np.zeros((log_ratio.size, log_ratio.size))
        inverse = _cubic(self.coefficients, log_ratio)
        jacobian = -np.vander(log_ratio, 4, increasing=True) / inverse[:, None] ** 2
        return propagate(jacobian, self.covariance)

    def curve_u_k(self, ohm: ArrayLike) -> FloatArray:
        """Get the standard uncertainty [K] of the curve itself at a resistance [ohm], any shape.

        Coefficients and the maker's tolerance (GUM 4.3.7); the resistance counts as exact here.
        """
        values = np.asarray(ohm, dtype=float)
        variance = np.diag(self.temperature_covariance_k2(values.ravel())).reshape(values.shape)
        return np.asarray(np.sqrt(variance + self.tolerance_half_width_k**2 / 3.0))

    @cached_property
    def _branch(self) -> tuple[float, float]:
        """Lowest and highest L between which temperature falls as resistance rises."""
        low = math.log(_LEAST_OHM / self.reference_ohm)
        high = math.log(_MOST_OHM / self.reference_ohm)
        turns = [turn for turn in _turns(self.coefficients) if low < turn < high]
        edges = np.array([low, *turns, high])
        values = _cubic(self.coefficients, edges)
        useful = np.clip(values, 1.0 / _HOTTEST_K, 1.0 / _COLDEST_K)
        widest = int(np.argmax(np.diff(useful)))
        if not useful[widest + 1] > useful[widest]:
            return low, low
        first, last = float(edges[widest]), float(edges[widest + 1])
        bounds = _bisect(self.coefficients, useful[widest : widest + 2], first, last)
        return float(bounds[0]), float(bounds[1])

    def _log_ratio(self, ohm: ArrayLike) -> FloatArray:
        """Turn ohms into L, any shape; NaN off the branch."""
        low, high = self._branch
        with np.errstate(divide="ignore", invalid="ignore"):
            log_ratio = np.log(np.asarray(ohm, dtype=float) / self.reference_ohm)
        return np.where((log_ratio >= low) & (log_ratio <= high), log_ratio, np.nan)


def inspect_curve(curve: ThermistorCurve, low_degc: float, high_degc: float) -> Finding | None:
    """Notice a curve that lacks a single resistance for each temperature from low to high."""
    coldest, hottest = curve.temperature_limits_degc
    if coldest <= low_degc and high_degc <= hottest:
        return None
    return Finding(
        "thermistor_curve_turns",
        {
            "low_degc": low_degc,
            "high_degc": high_degc,
            "coldest_degc": coldest,
            "hottest_degc": hottest,
        },
    )


def _cubic(coefficients: tuple[float, float, float, float], log_ratio: FloatArray) -> FloatArray:
    a0, a1, a2, a3 = coefficients
    return np.asarray(a0 + log_ratio * (a1 + log_ratio * (a2 + log_ratio * a3)))


def _cubic_slope(
    coefficients: tuple[float, float, float, float], log_ratio: FloatArray
) -> FloatArray:
    _, a1, a2, a3 = coefficients
    return np.asarray(a1 + log_ratio * (2.0 * a2 + log_ratio * 3.0 * a3))


def _turns(coefficients: tuple[float, float, float, float]) -> list[float]:
    """List the L, rising, at which the cubic turns round: the roots of its slope."""
    _, a1, a2, a3 = coefficients
    discriminant = a2 * a2 - 3.0 * a3 * a1
    if not discriminant > 0.0:
        return []
    shared = -(a2 + math.copysign(math.sqrt(discriminant), a2))
    turns = [a1 / shared]
    if a3 != 0.0:
        turns.append(shared / (3.0 * a3))
    return sorted(turns)


def _bisect(
    coefficients: tuple[float, float, float, float],
    wanted: FloatArray,
    low: float,
    high: float,
) -> FloatArray:
    """Find L between `low` and `high`, where the cubic rises, at which it takes `wanted`."""
    below = np.full(wanted.shape, low)
    above = np.full(wanted.shape, high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (below + above)
        too_low = _cubic(coefficients, middle) < wanted
        below = np.where(too_low, middle, below)
        above = np.where(too_low, above, middle)
    return np.asarray(0.5 * (below + above))
