"""Own the small frozen records that every part of the program passes on; never compute physics."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType


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
