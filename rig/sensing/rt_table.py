"""Own conversion by a table of resistance against temperature; never answer outside its rows.

Between rows, 1/T [1/K] follows ln R as a monotone piecewise cubic (Fritsch and Butland, SIAM
Journal on Scientific and Statistical Computing 5, 1984, 300-304): it passes through every row,
never overshoots, and is exact for a table that keeps one beta. Beyond the first and the last row
there is no answer (NaN): a table says nothing there.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.arrays import FloatArray
from rig.errors import InputError
from rig.units import ZERO_CELSIUS_K

_HALVINGS = 56
_NEIGHBOURS = 2
_LARGEST_ROUNDING = 0.1


@dataclass(frozen=True)
class RTTable:
    """A sound table, coldest row first: temperatures [degC] rising, resistances [ohm] falling.

    `tolerance_half_width_k` is what its maker allows, taken as a uniform distribution.

    Raises InputError where the rows are fewer than three, not numbers, or not so ordered.
    """

    rows_degc: tuple[float, ...]
    rows_ohm: tuple[float, ...]
    tolerance_half_width_k: float = 0.0

    def __post_init__(self) -> None:
        if len(self.rows_degc) != len(self.rows_ohm) or len(self.rows_degc) < 3:
            raise InputError(
                f"thermistor table: {len(self.rows_degc)} temperatures and {len(self.rows_ohm)}"
                " resistances: give at least three rows of one of each"
            )
        rows = list(zip(self.rows_degc, self.rows_ohm, strict=True))
        for degc, ohm in rows:
            if not (math.isfinite(degc) and degc > -ZERO_CELSIUS_K and 0.0 < ohm < math.inf):
                raise InputError(
                    f"thermistor table: the row {degc} degC, {ohm} ohm is not a temperature with a"
                    " positive resistance: correct or remove it"
                )
        for (degc, ohm), (next_degc, next_ohm) in pairwise(rows):
            if not (next_degc > degc and next_ohm < ohm):
                raise InputError(
                    f"thermistor table: from {degc} degC, {ohm} ohm to {next_degc} degC,"
                    f" {next_ohm} ohm the resistance does not fall as the temperature rises:"
                    " correct or remove one of the two rows"
                )

    @classmethod
    def from_rows(
        cls,
        temperature_degc: Sequence[float],
        ohm: Sequence[float],
        tolerance_half_width_k: float = 0.0,
    ) -> "RTTable":
        """Build a table from rows in any order."""
        rows = sorted(zip(temperature_degc, ohm, strict=True))
        degc = tuple(float(row[0]) for row in rows)
        return cls(degc, tuple(float(row[1]) for row in rows), tolerance_half_width_k)

    def temperature_degc(self, ohm: ArrayLike) -> FloatArray:
        """Get the temperature [degC] at a resistance [ohm], any shape; NaN outside the rows."""
        inverse, _ = self._at(ohm)
        return np.asarray(1.0 / inverse - ZERO_CELSIUS_K)

    def covers(self, ohm: ArrayLike) -> NDArray[np.bool_]:
        """Tell which resistances [ohm], any shape, lie between the first and the last row."""
        values = np.asarray(ohm, dtype=float)
        return (values >= self.rows_ohm[-1]) & (values <= self.rows_ohm[0])

    def ohm(self, temperature_degc: ArrayLike) -> FloatArray:
        """Get the resistance [ohm] at a temperature [degC], any shape; NaN outside the rows."""
        degc = np.asarray(temperature_degc, dtype=float)
        inside = (degc >= self.rows_degc[0]) & (degc <= self.rows_degc[-1])
        wanted = 1.0 / (np.where(inside, degc, self.rows_degc[0]) + ZERO_CELSIUS_K)
        knots, inverse, _ = self._knots
        interval = np.clip(np.searchsorted(inverse, wanted, side="right") - 1, 0, knots.size - 2)
        below, above = np.zeros(wanted.shape), np.ones(wanted.shape)
        for _ in range(_HALVINGS):
            middle = 0.5 * (below + above)
            too_low = self._hermite(interval, middle)[0] < wanted
            below = np.where(too_low, middle, below)
            above = np.where(too_low, above, middle)
        log_ohm = knots[interval] + 0.5 * (below + above) * np.diff(knots)[interval]
        return np.where(inside, np.exp(log_ohm), np.nan)

    def slope_k_per_ohm(self, ohm: ArrayLike) -> FloatArray:
        """Get dT/dR [K/ohm], negative, at a resistance [ohm], any shape; NaN outside the rows."""
        inverse, slope = self._at(ohm)
        return np.asarray(-slope / (inverse**2 * np.asarray(ohm, dtype=float)))

    def curve_u_k(self, ohm: ArrayLike) -> FloatArray:
        """Get the standard uncertainty [K] of the table at a resistance [ohm], any shape.

        The printed digits (uniform within half a step, GUM 4.3.7; the coarser of the two rows
        about it) and the maker's tolerance. NaN outside the rows.
        """
        values = np.asarray(ohm, dtype=float)
        knots, _, _ = self._knots
        relative = rounding_half_width(self.rows_ohm)[::-1]
        with np.errstate(divide="ignore", invalid="ignore"):
            interval = np.searchsorted(knots, np.log(values), side="right") - 1
        interval = np.clip(interval, 0, knots.size - 2)
        rounding = np.maximum(relative[interval], relative[interval + 1])
        through_ohm_k = self.slope_k_per_ohm(values) * values * rounding
        return np.asarray(np.sqrt((through_ohm_k**2 + self.tolerance_half_width_k**2) / 3.0))

    @cached_property
    def _knots(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Knots by rising resistance: ln R, 1/T and d(1/T)/d(ln R)."""
        log_ohm = np.log(np.array(self.rows_ohm[::-1]))
        inverse = 1.0 / (np.array(self.rows_degc[::-1]) + ZERO_CELSIUS_K)
        return log_ohm, inverse, _monotone_slopes(log_ohm, inverse)

    def _at(self, ohm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Get 1/T and d(1/T)/d(ln R); NaN outside the rows."""
        values = np.asarray(ohm, dtype=float)
        covered = self.covers(values)
        log_ohm = np.log(np.where(covered, values, self.rows_ohm[0]))
        knots, _, _ = self._knots
        interval = np.clip(np.searchsorted(knots, log_ohm, side="right") - 1, 0, knots.size - 2)
        share = (log_ohm - knots[interval]) / np.diff(knots)[interval]
        inverse, slope = self._hermite(interval, share)
        return np.where(covered, inverse, np.nan), np.where(covered, slope, np.nan)

    def _hermite(
        self, interval: NDArray[np.intp], share: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Evaluate the cubic of an interval and its slope at a share 0 to 1 of the interval."""
        knots, values, slopes = self._knots
        width = np.diff(knots)[interval]
        secant = np.diff(values)[interval] / width
        first, last = slopes[interval], slopes[interval + 1]
        square = 3.0 * secant - 2.0 * first - last
        cube = first + last - 2.0 * secant
        value = values[interval] + width * share * (first + share * (square + share * cube))
        return value, first + share * (2.0 * square + share * 3.0 * cube)


def rounding_half_width(ohm: Sequence[float]) -> FloatArray:
    """Get the half width of the rounding of printed resistances, relative, (n,), rows in order.

    A trailing zero counts as rounded off only where a row at most two away also lacks that digit,
    and no rounding beyond 10 % is believed.
    """
    steps = np.array([_printed_step(value) for value in ohm])
    relative = np.zeros(steps.size)
    for row, step in enumerate(steps):
        first = max(0, row - _NEIGHBOURS)
        around = np.delete(steps[first : row + _NEIGHBOURS + 1], row - first)
        shared = min(step, around.max()) if around.size else step
        relative[row] = min(0.5 * shared / ohm[row], _LARGEST_ROUNDING)
    return relative


def _printed_step(value: float) -> float:
    """Get the value of the last digit that is not a trailing zero."""
    exponent = Decimal(repr(float(value))).normalize().as_tuple().exponent
    return float(10.0 ** int(exponent))


def _monotone_slopes(knots: FloatArray, values: FloatArray) -> FloatArray:
    """Get slopes (n,) at the knots that keep a rising piecewise cubic rising everywhere.

    Inside the weighted harmonic mean of the two secants; at an end the slope of the parabola
    through three knots, but at least a third of the last secant.
    """
    width = np.diff(knots)
    secant = np.diff(values) / width
    before = 2.0 * width[1:] + width[:-1]
    after = width[1:] + 2.0 * width[:-1]
    inner = (before + after) / (before / secant[:-1] + after / secant[1:])
    first = _end_slope(width[0], width[1], secant[0], secant[1])
    last = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
    return np.concatenate(([first], inner, [last]))


def _end_slope(width: float, next_width: float, secant: float, next_secant: float) -> float:
    parabola = ((2.0 * width + next_width) * secant - width * next_secant) / (width + next_width)
    return max(parabola, secant / 3.0)
