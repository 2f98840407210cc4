"""Own what a simulated part is and what is true of it; never hold its state.

A part is given as a mapping whose keys name their units (`KEYS`, explained in hardware/plant.md);
inside everything is SI.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from difflib import get_close_matches

from rig.analysis.gas import Law
from rig.errors import BenchError
from rig.sim.diaphragm import Spring
from rig.sim.leaks import STATED_AT_PA, TIGHT, Leak, choked_conductance
from rig.sim.rubber import Pair, exponential, log_time, power_law
from rig.units import M3_PER_CC, PA_PER_INHG, STD_CC_PER_MIN_PER_M3_S

_BLOCKED_M3 = 0.1e-6
"""What lies before the plug of a blocked nipple."""
_LEAST_LEFT_M3 = 0.5e-6
"""What a chamber keeps when its rod is in and its rubber has given all it can at STATED_AT_PA."""
_CREEPS = ("none", "exponential", "log", "power", "chain")
_LAWS = ("none", *(law.value for law in Law))


@dataclass(frozen=True)
class PartKeys:
    """A part as it is written down; each field is a key, and its default what is left out."""

    rest_cm3: float
    name: str = ""
    stroke_cm3: float = 0.0
    start_inhg: float = 3.0
    full_inhg: float = 9.0
    friction_inhg: float = 0.3
    travel_mm: float = 8.0
    leak_law: str = "none"
    leak_std_cm3_min: float = 0.0
    leak_critical_ratio: float = 0.4
    leak_above_inhg: float = 0.0
    creep: str = "none"
    creep_cm3: float = 0.0
    creep_s: float = 5.0
    creep_exponent: float = 0.3
    creep_chain_cm3: Sequence[float] = ()
    creep_chain_s: Sequence[float] = ()
    liquid_mg: float = 0.0
    liquid_s: float = 10.0
    blocked: bool = False
    in_bath: bool = False
    passage_std_cm3_min: float = 0.0


KEYS = tuple(field.name for field in fields(PartKeys))
"""Every key of a part."""


@dataclass(frozen=True)
class SimPart:
    """A simulated part: volumes [m3], leak, spring, rubber, water, and what else is so.

    `rest_m3` is the chamber at rest, `spring.stroke_m3` what it loses until the rod is in. `creep`
    is empty for rubber that does not give. `passage_m3_s_pa` is the sonic conductance of a way to
    port B.
    """

    name: str
    rest_m3: float
    spring: Spring
    travel_m: float
    leak: Leak = TIGHT
    creep: tuple[Pair, ...] = ()
    liquid_kg: float = 0.0
    evaporation_s: float = 10.0
    blocked: bool = False
    in_bath: bool = False
    passage_m3_s_pa: float = 0.0

    @classmethod
    def from_mapping(cls, part: Mapping[str, object]) -> "SimPart":
        """Build a part from its keys.

        Raises BenchError for a key that is unknown, missing or of the wrong kind, and for figures
        that no part can have.
        """
        keys = _read_keys(part)
        where = f"simulated part '{keys.name}'" if keys.name else "simulated part"
        _refuse_impossible(keys, where)
        made = cls(
            name=keys.name,
            rest_m3=keys.rest_cm3 * M3_PER_CC,
            spring=Spring(
                keys.stroke_cm3 * M3_PER_CC,
                keys.start_inhg * PA_PER_INHG,
                keys.full_inhg * PA_PER_INHG,
                keys.friction_inhg * PA_PER_INHG,
            ),
            travel_m=keys.travel_mm * 1e-3,
            leak=_leak(keys),
            creep=_creep(keys),
            liquid_kg=keys.liquid_mg * 1e-6,
            evaporation_s=keys.liquid_s,
            blocked=keys.blocked,
            in_bath=keys.in_bath,
            passage_m3_s_pa=choked_conductance(keys.passage_std_cm3_min / STD_CC_PER_MIN_PER_M3_S),
        )
        if not made.blocked and made.settled_m3(STATED_AT_PA) < _LEAST_LEFT_M3:
            raise BenchError(
                f"{where}: stroke and creep take all of its {keys.rest_cm3:g} cm3. Give it a larger"
                " rest_cm3, or less stroke_cm3 or creep."
            )
        return made

    def settled_m3(self, vacuum_pa: float) -> float:
        """Get the chamber's volume [m3] at a vacuum [Pa] when all has settled, friction apart.

        What lies before the plug of a blocked nipple.
        """
        if self.blocked:
            return _BLOCKED_M3
        spring = self.spring
        travelled = (vacuum_pa - spring.start_pa) / (spring.full_pa - spring.start_pa)
        given = sum(pair.volume_m3 for pair in self.creep) * vacuum_pa / STATED_AT_PA
        return self.rest_m3 - spring.stroke_m3 * min(max(travelled, 0.0), 1.0) - given


def _read_keys(part: Mapping[str, object]) -> PartKeys:
    if "rest_cm3" not in part:
        raise BenchError("simulated part: 'rest_cm3' is missing. Give the chamber's volume.")
    kinds = {name: type(default) for name, default in vars(PartKeys(rest_cm3=0.0)).items()}
    for key, value in part.items():
        if key not in kinds:
            near = get_close_matches(key, KEYS, 1)
            hint = f"did you mean '{near[0]}'?" if near else f"known are {', '.join(KEYS)}."
            raise BenchError(f"simulated part: there is no key '{key}'; {hint}")
        if not _fits(value, kinds[key]):
            raise BenchError(
                f"simulated part: {key} = {value!r} is no {_KIND_NAMES[kinds[key]]}. Write it as"
                " hardware/plant.md shows."
            )
    return PartKeys(**dict(part))  # type: ignore[arg-type] # each kind was looked at just above


_KIND_NAMES = {float: "number", str: "text", bool: "true or false", tuple: "list of numbers"}


def _fits(value: object, kind: type) -> bool:
    if kind is tuple:
        return isinstance(value, list | tuple) and all(_fits(each, float) for each in value)
    if kind is float:
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        return is_number and math.isfinite(value)  # type: ignore[arg-type] # a number by now
    return isinstance(value, kind)


def _refuse_impossible(keys: PartKeys, where: str) -> None:
    def demand(holds: bool, what: str) -> None:
        if not holds:
            raise BenchError(f"{where}: {what}.")

    for key, value in vars(keys).items():
        if isinstance(value, float | int) and not isinstance(value, bool):
            demand(value >= 0.0, f"{key} = {value:g} is negative; write 0 or more")
    demand(keys.rest_cm3 > 0.0, "rest_cm3 must be more than 0")
    demand(keys.full_inhg > keys.start_inhg, "full_inhg must lie above start_inhg")
    for key, known in (("leak_law", _LAWS), ("creep", _CREEPS)):
        value = getattr(keys, key)
        demand(value in known, f"{key} = '{value}' is not known; write one of {', '.join(known)}")
    demand(
        (keys.leak_law == "none") == (keys.leak_std_cm3_min == 0.0),
        "leak_law and leak_std_cm3_min go together; give both or neither",
    )
    demand(keys.leak_critical_ratio < 1.0, "leak_critical_ratio must lie below 1")
    demand(0.0 < keys.creep_exponent < 1.0, "creep_exponent must lie between 0 and 1")
    demand(keys.creep_s > 0.0 and keys.liquid_s > 0.0, "creep_s and liquid_s must be more than 0")
    pairs = len(keys.creep_chain_cm3)
    demand(
        pairs == len(keys.creep_chain_s) and (pairs > 0) == (keys.creep == "chain"),
        'creep_chain_cm3 and creep_chain_s are lists of one length, and go with creep = "chain"',
    )
    chain = (*keys.creep_chain_cm3, *keys.creep_chain_s)
    demand(min(chain, default=1.0) > 0.0, "every figure of a creep chain must be more than 0")
    demand(
        (keys.creep in ("none", "chain")) == (keys.creep_cm3 == 0.0),
        "creep_cm3 goes with creep = exponential, log or power; give both or neither",
    )


def _leak(keys: PartKeys) -> Leak:
    if keys.leak_law == "none" or keys.blocked:
        return TIGHT
    return Leak(
        Law(keys.leak_law),
        keys.leak_std_cm3_min / STD_CC_PER_MIN_PER_M3_S,
        keys.leak_critical_ratio,
        keys.leak_above_inhg * PA_PER_INHG,
    )


def _creep(keys: PartKeys) -> tuple[Pair, ...]:
    volume_m3 = keys.creep_cm3 * M3_PER_CC
    if keys.creep == "exponential":
        return exponential(volume_m3, keys.creep_s)
    if keys.creep == "log":
        return log_time(volume_m3, keys.creep_s)
    if keys.creep == "power":
        return power_law(volume_m3, keys.creep_exponent)
    return tuple(
        Pair(each_cm3 * M3_PER_CC, each_s)
        for each_cm3, each_s in zip(keys.creep_chain_cm3, keys.creep_chain_s, strict=True)
    )
