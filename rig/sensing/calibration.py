"""Own turning a linear sensor's counts into pascals with their uncertainty; never smooth them.

counts -> volts at the sensor -> (linearised reading) -> pressure. A ratiometric sensor's volts are
brought to its nominal supply first.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Estimate, Finding
from rig.sensing.straight_line import StraightLine, line_through

_UNIFORM = 1.0 / math.sqrt(3.0)
"""Standard uncertainty of a uniform distribution of half width 1 (GUM 4.3.7)."""


@dataclass(frozen=True)
class AdcChannel:
    """An input of a converter: code 2^bits (signed: 2^(bits - 1)) would be `full_scale_v`.

    `input_ratio` is the volts at the sensor for one volt at the converter, where a divider or an
    amplifier stands between.

    Raises InputError outside 8 to 32 bits, or where a voltage or ratio is not positive.
    """

    bits: int
    full_scale_v: float
    signed: bool = False
    input_ratio: float = 1.0

    def __post_init__(self) -> None:
        if not 8 <= self.bits <= 32:
            raise InputError(f"converter: {self.bits} bits is outside 8 to 32")
        if not (0.0 < self.full_scale_v < math.inf and 0.0 < self.input_ratio < math.inf):
            raise InputError(
                f"converter: full scale {self.full_scale_v} V and input ratio {self.input_ratio}"
                " must both be positive"
            )

    @property
    def code_limits(self) -> tuple[int, int]:
        """Get the lowest and the highest code that the converter can give."""
        if self.signed:
            return -(2 ** (self.bits - 1)), 2 ** (self.bits - 1) - 1
        return 0, 2**self.bits - 1

    @property
    def step_v(self) -> float:
        """Get the volts at the sensor of one count."""
        _, highest = self.code_limits
        return self.full_scale_v * self.input_ratio / (highest + 1)

    def volts(self, counts: ArrayLike) -> FloatArray:
        """Get the volts at the sensor of raw counts, any shape.

        Raises InputError on a code that this converter cannot give.
        """
        codes = np.asarray(counts, dtype=float)
        low, high = self.code_limits
        wrong = ~((codes >= low) & (codes <= high))
        if wrong.any():
            raise InputError(
                f"converter: code {codes[wrong].flat[0]:g} is outside {low} to {high}: the number"
                " of bits set does not belong to this converter, or the data are damaged"
            )
        return np.asarray(codes * self.step_v)

    def at_end(self, counts: ArrayLike) -> NDArray[np.bool_]:
        """Tell which codes, any shape, are the lowest or highest: the true voltage lies beyond."""
        codes = np.asarray(counts)
        low, high = self.code_limits
        return np.asarray((codes <= low) | (codes >= high))


@dataclass(frozen=True)
class CalibratedPressure:
    """A pressure [Pa, absolute] with its uncertainty by source, and what was noticed."""

    pressure: Estimate
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class PressureCalibration:
    """How the volts of one sensor become pascals, and how well that is known.

    `line` gives Pa from the reading: from volts, or from the polynomial of volts whose
    coefficients, lowest power first, are `linearising`. `linearity_half_width_pa` bounds what the
    line leaves of the sensor's bend; `resolution_v` is one step of the reading; both are uniform.
    `reference_u_pa` and `reference_rel_u` are what all reference points have in common, so that the
    line's own uncertainty does not hold it. `nominal_supply_v` is given for a ratiometric sensor.
    """

    line: StraightLine
    linearising: tuple[float, ...] = (0.0, 1.0)
    linearity_half_width_pa: float = 0.0
    resolution_v: float = 0.0
    reference_u_pa: float = 0.0
    reference_rel_u: float = 0.0
    nominal_supply_v: float | None = None

    def pressure_pa(self, volts: ArrayLike, supply_v: ArrayLike | None = None) -> FloatArray:
        """Get absolute pressures [Pa] from volts and, ratiometric only, volts of supply."""
        reading, _ = linearised(self._at_nominal(volts, supply_v), self.linearising)
        return self.line.value(reading)

    def outside(self, volts: ArrayLike, supply_v: ArrayLike | None = None) -> NDArray[np.bool_]:
        """Tell which volts, any shape, lie outside the range that was calibrated."""
        reading, _ = linearised(self._at_nominal(volts, supply_v), self.linearising)
        return self.line.outside(reading)

    def estimate(
        self, volts: float, channel: str, supply_v: float | None = None
    ) -> CalibratedPressure:
        """Get the pressure [Pa] at one reading, with independent sources of uncertainty.

        zero        the line's shift, at the reading where it is independent of the slope
        span        the line's slope, from there to this reading
        linearity   the bend that the line leaves
        resolution  the step of the reading
        reference   what all reference points have in common

        `channel` names the sensor in the finding `calibration_outside`.

        Raises InputError where the volts are not a number.
        """
        if not math.isfinite(volts):
            raise InputError(f"{channel}: {volts} V is no reading: look at the wire and connector")
        nominal = float(self._at_nominal(volts, supply_v))
        reading, gain = (float(part) for part in linearised(nominal, self.linearising))
        line = self.line.about_its_pivot()
        pressure_pa = float(line.value(reading))
        sources = {
            "zero": line.u_value,
            "span": abs(reading - line.centre) * line.u_slope,
            "linearity": self.linearity_half_width_pa * _UNIFORM,
            "resolution": abs(line.slope * gain) * 0.5 * self.resolution_v * _UNIFORM,
            "reference": math.hypot(self.reference_u_pa, self.reference_rel_u * pressure_pa),
        }
        findings: tuple[Finding, ...] = ()
        if bool(line.outside(reading)):
            ends_pa = sorted(float(line.value(end)) for end in (line.low, line.high))
            figures = {"low_pa": ends_pa[0], "high_pa": ends_pa[1], "pressure_pa": pressure_pa}
            findings = (Finding("calibration_outside", {"channel": channel, **figures}),)
        return CalibratedPressure(Estimate.from_sources(pressure_pa, sources), findings)

    def _at_nominal(self, volts: ArrayLike, supply_v: ArrayLike | None) -> FloatArray:
        values = np.asarray(volts, dtype=float)
        if supply_v is None:
            return values
        if self.nominal_supply_v is None:
            raise InputError(
                "pressure calibration: a supply voltage was given for a sensor that is not"
                " ratiometric: leave it out, or state the sensor's nominal supply"
            )
        supply = np.asarray(supply_v, dtype=float)
        if not np.all(supply > 0.0):
            raise InputError(
                "pressure calibration: the supply of a ratiometric sensor is not positive:"
                " look at its wiring"
            )
        return np.asarray(values * self.nominal_supply_v / supply)


def linearised(volts: ArrayLike, coefficients: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Get the polynomial of volts, coefficients lowest power first, and its derivative."""
    values = np.asarray(volts, dtype=float)
    polynomial = np.polynomial.Polynomial(coefficients)
    return np.asarray(polynomial(values)), np.asarray(polynomial.deriv()(values))


def ratiometric_calibration(
    pressure_at_zero_pa: float, pressure_at_supply_pa: float, supply_v: float
) -> PressureCalibration:
    """Build the data sheet's transfer of a ratiometric sensor from its pressures at 0 V and supply.

    It states no uncertainty: add what the data sheet gives with `dataclasses.replace`.
    """
    line = line_through((0.0, pressure_at_zero_pa), (supply_v, pressure_at_supply_pa))
    return PressureCalibration(line, nominal_supply_v=supply_v)
