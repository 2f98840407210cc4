"""Own the divider that a thermistor is read through and its faults; never know a bench's channels.

The thermistor and one fixed resistor share a reference voltage V_ref; the input sees their middle:

    thermistor to ground       V = V_ref R / (R + R_fixed)
    thermistor to reference    V = V_ref R_fixed / (R + R_fixed)
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Estimate, Finding


class ResistanceCurve(Protocol):
    """What turns ohms into a temperature: a thermistor's curve or its table."""

    def temperature_degc(self, ohm: ArrayLike, /) -> FloatArray:
        """Get the temperature [degC], NaN where there is no answer."""
        ...

    def slope_k_per_ohm(self, ohm: ArrayLike, /) -> FloatArray:
        """Get dT/dR [K/ohm]."""
        ...

    def curve_u_k(self, ohm: ArrayLike, /) -> FloatArray:
        """Get the standard uncertainty of the curve itself [K]."""
        ...

    def covers(self, ohm: ArrayLike, /) -> NDArray[np.bool_]:
        """Tell whether the curve was established at these resistances."""
        ...


class Side(StrEnum):
    """Where the thermistor sits in its divider."""

    TO_GROUND = "to_ground"
    TO_REFERENCE = "to_reference"


@dataclass(frozen=True)
class Divider:
    """A fixed resistor [ohm] and a reference voltage [V], each with its relative uncertainty.

    `reference_rel_u` is zero where the converter measures against the same reference. A thermistor
    counts as open or shorted where its share of the voltage is within `end_share` of all or none.

    Raises InputError on values that are not positive, or an `end_share` outside 0..0.1.
    """

    fixed_ohm: float
    reference_v: float
    side: Side = Side.TO_GROUND
    fixed_rel_u: float = 0.0
    reference_rel_u: float = 0.0
    end_share: float = 0.004

    def __post_init__(self) -> None:
        if not (0.0 < self.fixed_ohm < math.inf and 0.0 < self.reference_v < math.inf):
            raise InputError(
                f"thermistor divider: fixed resistor {self.fixed_ohm} ohm and reference"
                f" {self.reference_v} V must both be positive"
            )
        if not 0.0 < self.end_share <= 0.1:
            raise InputError(f"thermistor divider: end share {self.end_share} is outside 0..0.1")

    def volts(self, ohm: ArrayLike) -> FloatArray:
        """Get the voltage [V] at the input for a thermistor of `ohm`, any shape."""
        values = np.asarray(ohm, dtype=float)
        upper = self.fixed_ohm if self.side is Side.TO_REFERENCE else values
        return np.asarray(self.reference_v * upper / (values + self.fixed_ohm))

    def ohm(self, volts: ArrayLike) -> FloatArray:
        """Get the thermistor's resistance [ohm], any shape; NaN where it looks open or shorted."""
        share = self._thermistor_share(volts)
        sound = (share > self.end_share) & (share < 1.0 - self.end_share)
        share = np.where(sound, share, np.nan)
        return np.asarray(self.fixed_ohm * share / (1.0 - share))

    def fault(self, volts: float) -> str | None:
        """Name what is wrong with a reading: thermistor_no_reading, _open, _shorted, or None."""
        if not math.isfinite(volts):
            return "thermistor_no_reading"
        share = float(self._thermistor_share(volts))
        if share >= 1.0 - self.end_share:
            return "thermistor_open"
        return "thermistor_shorted" if share <= self.end_share else None

    def ohm_rel_u(self, volts: float, volts_u: float) -> dict[str, float]:
        """Get the relative standard uncertainty of the resistance by source (GUM 5.1.2)."""
        share = volts / self.reference_v
        per_share = 1.0 / (share * (1.0 - share))
        return {
            "voltage": per_share * volts_u / self.reference_v,
            "reference": per_share * share * self.reference_rel_u,
            "fixed_resistor": self.fixed_rel_u,
        }

    def _thermistor_share(self, volts: ArrayLike) -> FloatArray:
        share = np.asarray(volts, dtype=float) / self.reference_v
        return np.asarray(share if self.side is Side.TO_GROUND else 1.0 - share)


@dataclass(frozen=True)
class ThermistorReading:
    """One reading of a thermistor: resistance, temperature [degC], and what was noticed.

    Either value is None where the reading cannot give it; `findings` then says why.
    """

    ohm: float | None
    temperature: Estimate | None
    findings: tuple[Finding, ...] = ()


def read_thermistor(
    divider: Divider, curve: ResistanceCurve, volts: float, volts_u: float, channel: str
) -> ThermistorReading:
    """Turn a voltage [V] with its standard uncertainty into a temperature [degC].

    `channel` names the input in the findings. Outside the points of a curve the temperature is
    given and marked as extrapolated; where curve or table have no answer there is none.
    """
    where: dict[str, float | str] = {"channel": channel, "volts": volts}
    fault = divider.fault(volts)
    if fault is not None:
        figures = {**where, "reference_v": divider.reference_v}
        return ThermistorReading(None, None, (Finding(fault, figures),))
    ohm = float(divider.ohm(volts))
    where["ohm"] = ohm
    degc = float(curve.temperature_degc(ohm))
    if math.isnan(degc):
        return ThermistorReading(ohm, None, (Finding("thermistor_outside_curve", where),))
    per_log_k = abs(float(curve.slope_k_per_ohm(ohm))) * ohm
    sources = {
        source: per_log_k * part for source, part in divider.ohm_rel_u(volts, volts_u).items()
    }
    sources["curve"] = float(curve.curve_u_k(ohm))
    findings: tuple[Finding, ...] = ()
    if not bool(curve.covers(ohm)):
        findings = (Finding("thermistor_extrapolated", {**where, "temperature_degc": degc}),)
    return ThermistorReading(ohm, Estimate.from_sources(degc, sources), findings)
