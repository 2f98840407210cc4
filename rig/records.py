"""Own the small frozen records that every part of the program passes on; never compute physics."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Outcome(StrEnum):
    """What became of a test, as stored in data; the words for a person live in `rig.words`."""

    PASS = "pass"  # noqa: S105 - an outcome, not a password
    FAIL = "fail"
    UNDECIDED = "undecided"
    INVALID = "invalid"
    NOT_TESTED = "not_tested"
    MEASURED = "measured"


@dataclass(frozen=True)
class Estimate:
    """A measured value with its standard uncertainty, split by where the uncertainty comes from.

    `value` and `u` share one unit, named by whatever holds the estimate. `sources` maps the name of
    a source to its standard uncertainty; their root sum of squares is `u`.
    """

    value: float
    u: float
    sources: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    @classmethod
    def from_sources(cls, value: float, sources: Mapping[str, float]) -> "Estimate":
        """Combine independent standard uncertainties by root sum of squares (GUM 5.1.2)."""
        u = math.sqrt(math.fsum(part * part for part in sources.values()))
        return cls(value, u, MappingProxyType(dict(sources)))

    def scaled(self, factor: float) -> "Estimate":
        """Return the same estimate in another unit, `factor` of the new unit to one of the old."""
        return Estimate(
            self.value * factor,
            self.u * abs(factor),
            MappingProxyType({name: part * abs(factor) for name, part in self.sources.items()}),
        )


@dataclass(frozen=True)
class Finding:
    """One thing noticed about a test: a code of `rig.words` and the figures its sentence needs."""

    code: str
    figures: Mapping[str, float | str] = field(default_factory=lambda: MappingProxyType({}))


class Purpose(StrEnum):
    """Why a test is run: it decides how sure a verdict must be."""

    BEFORE_FITTING = "before-fitting"
    FOR_SALE = "for-sale"
    JUST_MEASURE = "just-measure"

    @property
    def confidence(self) -> float | None:
        """Get the probability of conformity that a pass needs, None where nothing is judged."""
        return {Purpose.BEFORE_FITTING: 0.95, Purpose.FOR_SALE: 0.99}.get(self)


@dataclass(frozen=True)
class ChannelSpec:
    """A channel of the board as its hello describes it.

    Code 2^bits (signed: 2^(bits - 1)) would be `full_scale_v` at the converter's input.
    """

    name: str
    bits: int
    full_scale_v: float
    signed: bool = False


@dataclass(frozen=True)
class Samples:
    """Frames of raw counts that arrived together, oldest first, none left out.

    `sequence` (n,) counts frames since the board's start, without wrapping; `mcu_us` (n,) is the
    board's own time; `counts` (n, channels) follows the channel table of the board's hello.
    `host_mono_s` is when the host read the newest. `missing` frames never arrived, before or
    between these.
    """

    sequence: IntArray
    mcu_us: IntArray
    counts: IntArray
    host_mono_s: float
    missing: int = 0


@dataclass(frozen=True)
class Readings:
    """Samples as physical values, by the channel names of the bench file.

    `time_mono_s` (n,) is the host's monotonic time of each. `values` holds (n,) arrays in SI
    (absolute Pa, K, V, m), NaN where a reading is unusable; `flags` says why, one finding a kind
    of fault, with the channel, its reading and the likely cause.
    """

    samples: Samples
    time_mono_s: FloatArray
    values: Mapping[str, FloatArray]
    flags: tuple[Finding, ...] = ()
