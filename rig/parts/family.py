"""Own the records of a family of parts and the cautions it carries; never read a file or plan."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from rig.errors import InputError
from rig.parts.intake import LookOver
from rig.parts.limits import Limit, Source
from rig.records import Finding, Purpose
from rig.units import PA_PER_INHG

_OF_BRAKES = re.compile(r"brak(?:e|ing)|booster|servo(?!ir)", re.IGNORECASE)
_ROOM_PA = 0.5 * PA_PER_INHG


class FamilyError(InputError):
    """A family file cannot be used as it stands; with every reason in `errors`."""


class Means(StrEnum):
    """What a test may need of the bench beyond its pressure sensor, pump valve and vent."""

    PART_VALVE = "part valve"
    PORT_B_VALVE = "valve at port B"
    PORT_B_SENSOR = "sensor at port B"
    BAROMETER = "barometer"
    BATH_THERMISTOR = "bath thermistor"
    TRAVEL_SENSOR = "travel sensor"
    MARK = "mark"
    SIGNAL_INPUT = "signal input"
    COIL_OUTPUT = "coil output"
    ELECTRIC_PUMP = "electric pump"


class Method(StrEnum):
    """The procedures that a test of a family can be made by."""

    HOLD = "hold"


class Fitting(StrEnum):
    """What is put on a port of a part."""

    HOSE = "hose"
    SECOND_HOSE = "second hose"
    OPEN = "open"
    CAPPED = "capped"
    TAPED = "taped"
    ABSENT = "not there"


@dataclass(frozen=True)
class Port:
    """One port of a part: what it looks like, what it bears [Pa] and what lies behind it [m3].

    The volume lies between `least_typical_m3` and `most_typical_m3`; where less than
    `least_volume_m3` is found there is nothing behind the port. `source` is whose figures they are.
    """

    name: str
    looks: str
    max_vacuum_pa: float
    max_pressure_pa: float
    least_typical_m3: float
    most_typical_m3: float
    least_volume_m3: float
    source: Source

    @property
    def most_hold_pa(self) -> float:
        """Get the most vacuum that a hold may begin at: a hand pump goes past where it is to."""
        return self.max_vacuum_pa - _ROOM_PA

    @property
    def typical_volume_m3(self) -> float:
        """Get the middle of the spread."""
        return 0.5 * (self.least_typical_m3 + self.most_typical_m3)

    @property
    def typical_volume_u_m3(self) -> float:
        """Get the standard uncertainty of a volume known by its bounds alone (GUM 4.3.7)."""
        return (self.most_typical_m3 - self.least_typical_m3) / math.sqrt(12.0)


@dataclass(frozen=True)
class Nouns:
    """What prompts call the part, the port that the hose goes on, and what moves, if anything."""

    part: str
    port: str
    moving: str | None


@dataclass(frozen=True)
class FamilyTest:
    """A test of one variant: how it is made, and the default limit, None where there is none.

    Each entry of `needs` lists means of which the bench must have one. `limit_table` holds the
    limit's texts as written. `vacuum_pa` is where the hold begins, `plumbing` what is on each port.
    """

    name: str
    title: str
    method: Method
    needs: tuple[tuple[Means, ...], ...]
    nouns: Nouns
    plumbing: Mapping[str, Fitting]
    required_for: tuple[Purpose, ...]
    vacuum_pa: float
    settle_s: float
    hold_s: float
    limit: Limit | None = None
    limit_table: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def hosed_port(self) -> str:
        """Get the port that the rig's hose goes on."""
        return next(port for port, fitting in self.plumbing.items() if fitting is Fitting.HOSE)


@dataclass(frozen=True)
class Question:
    """What must be confirmed before a part is judged, and what to do where it is otherwise.

    It is asked only where the bench lacks `unless`, if that is given.
    """

    code: str
    statement: str
    otherwise: str
    unless: Means | None = None


@dataclass(frozen=True)
class Variant:
    """One kind of part of a family: how to tell it, how it is tested, what is asked before."""

    name: str
    title: str
    tell: str
    tests: Mapping[str, FamilyTest]
    questions: tuple[Question, ...]


@dataclass(frozen=True)
class Family:
    """A family of parts: what it is and does, and how its variants are tested.

    `look_over` is what matters when such a part is looked over; `does_not_show` what no test of the
    rig tells of it. `file_cautions` are those of the file alone.
    """

    name: str
    title: str
    aliases: tuple[str, ...]
    does: str
    file_cautions: tuple[str, ...]
    fuel_vapour: bool
    is_of_brakes: bool
    ports: Mapping[str, Port]
    variants: Mapping[str, Variant]
    look_over: tuple[LookOver, ...]
    does_not_show: tuple[str, ...]

    @property
    def touches_brakes(self) -> bool:
        """Whether the part has to do with brakes, by its file's word or by what it is called."""
        said = (self.name, self.title, self.does, *self.aliases)
        return self.is_of_brakes or any(_OF_BRAKES.search(text) for text in said)

    @property
    def cautions(self) -> tuple[Finding, ...]:
        """All cautions; a part of the brakes carries theirs whatever its file says."""
        written = [Finding("caution", {"text": text}) for text in self.file_cautions]
        if self.touches_brakes:
            return (Finding("caution_brakes"), *written)
        return tuple(written)
