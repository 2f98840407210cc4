"""Own what goes into the analysis of one hold and what comes out of it; never compute a verdict.

The records here are the seam between whoever recorded a curve and whoever judges or shows it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from rig.arrays import FloatArray
from rig.records import Estimate, Finding, Outcome

DEFAULT_SPAN_U = 0.01
"""Relative standard uncertainty of an uncalibrated sensor's span."""


def finding(code: str, **figures: float | str) -> Finding:
    """Make a finding of the analysis; figures are in SI and named with their units."""
    plain = {name: v if isinstance(v, str) else float(v) for name, v in figures.items()}
    return Finding(code, MappingProxyType(plain))


@dataclass(frozen=True)
class HoldCurve:
    """A recorded curve: times [s] and absolute pressures [Pa], one entry a sample, times rising.

    `gas_temperature_k` and `ambient_pa` are channels of the same length where they were recorded.
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    gas_temperature_k: FloatArray | None = None
    ambient_pa: FloatArray | None = None

    def until(self, end_s: float) -> "HoldCurve":
        """Return the samples recorded up to `end_s`."""
        stop = int(np.searchsorted(self.time_s, end_s, side="right"))
        return self.between(0, stop)

    def between(self, first: int, stop: int) -> "HoldCurve":
        """Return the samples from index `first` up to, not including, `stop`."""

        def cut(channel: FloatArray | None) -> FloatArray | None:
            return None if channel is None else channel[first:stop]

        return HoldCurve(
            self.time_s[first:stop],
            self.pressure_pa[first:stop],
            cut(self.gas_temperature_k),
            cut(self.ambient_pa),
        )


@dataclass(frozen=True)
class OwnLeak:
    """The rig's own leak from its last blank-off: a flow [standard m3/s] with its uncertainty.

    With the curve of the blank-off it is subtracted as a curve, else as a steady flow. The curve
    is times [s] since the last stroke and the rise since then in Pa m3: pressure times the volume
    it was recorded in, so that it fits any volume.
    """

    flow_m3_s: float
    u_m3_s: float
    curve_time_s: FloatArray | None = None
    curve_rise_m3_pa: FloatArray | None = None


@dataclass(frozen=True)
class HoldConditions:
    """What is known about a hold besides its curve, each with its standard uncertainty.

    `volume_m3` is the whole settled test volume, rig and part. `span_u` is relative. A sensor whose
    history shows less than half a step of noise is `quiet`: that it stands still says nothing.
    """

    ambient_pa: float
    gas_temperature_k: float
    volume_m3: float
    volume_u_m3: float
    ambient_u_pa: float = 200.0
    gas_temperature_u_k: float = 1.0
    span_u: float = DEFAULT_SPAN_U
    own_leak: OwnLeak | None = None
    quiet: bool = False


@dataclass(frozen=True)
class DropLimit:
    """A limit on the drop of a hand gauge: from a vacuum [Pa], within a time, in a volume.

    `max_drop_pa` is inclusive. A `max_drop_pa` of None measures the same drop without judging it.
    """

    from_vacuum_pa: float
    within_s: float
    reference_volume_m3: float
    max_drop_pa: float | None = None
    confidence: float = 0.95


@dataclass(frozen=True)
class Hold:
    """A recorded curve with what is known about it and the limit it is held to."""

    curve: HoldCurve
    conditions: HoldConditions
    limit: DropLimit


@dataclass(frozen=True)
class Settling:
    """The settling found on top of the leak.

    `kind` is a code of `rig.words`: none, exponential, two_exponentials, log_creep, power_creep,
    plateau or mixed. `rise_pa` is the pressure rise it causes from the start of the hold to its
    end; `time_constant_s` the (longest) time constant, None where it has none.
    """

    kind: str
    rise_pa: float
    time_constant_s: float | None


@dataclass(frozen=True)
class Candidate:
    """One pair of leak law and settling that was weighed: for the details page."""

    law: str
    settling: str
    weight: float
    leak_m3_s: float
    u_m3_s: float


@dataclass(frozen=True)
class FittedCurve:
    """What was fitted: the block means used and the most credible curve through them.

    All arrays have one entry a block: time [s] from the start of the file, pressure [Pa], fitted
    pressure [Pa], fitted pressure of the leak alone [Pa], standard uncertainty of the mean [Pa].
    """

    time_s: FloatArray
    pressure_pa: FloatArray
    fitted_pa: FloatArray
    leak_only_pa: FloatArray
    mean_u_pa: FloatArray


@dataclass(frozen=True)
class HoldResult:
    """The verdict of a hold and everything needed to explain it.

    `leak` is in standard m3/s (ANR) at the limit's vacuum, sea level and 20 degC;
    `equivalent_drop` is the drop [Pa] that a hand gauge would show of the leak alone, from the
    limit's vacuum, in its time and reference volume, at sea level and 20 degC. Both are None where
    the test is spoiled.
    `observed_drop_pa` is the vacuum lost over the limit's seconds from the start of the hold,
    settling and this run's volume included: what a dial and stopwatch on this run would have read.
    `hold_start_s` and `hold_end_s` bound the part of the file that was judged. `decided_at_s` is
    the time into the hold at which an early decision would have stopped it.
    """

    outcome: Outcome
    probability_of_conformity: float | None
    leak: Estimate | None
    equivalent_drop: Estimate | None
    leak_kind: str
    settling: Settling | None
    start_vacuum_pa: float
    end_vacuum_pa: float
    observed_drop_pa: float | None
    dial_outcome: Outcome | None
    hold_start_s: float
    hold_end_s: float
    decided_at_s: float | None
    limit: DropLimit
    reasons: tuple[Finding, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    fitted: FittedCurve | None = None
    noise: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
