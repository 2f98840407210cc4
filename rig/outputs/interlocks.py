"""Own the rules of what may be energised together and when; never touch a pin.

The rules are one table. A request is held against all of it before any pin moves.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from rig.errors import RigError
from rig.records import Finding


def _no_limits() -> Mapping[str, float]:
    return MappingProxyType({})


@dataclass(frozen=True)
class RunLimits:
    """How much the part of a run may bear.

    `max_vacuum_pa` and `max_pressure_pa` are below and above the room's air, by the name of the
    pressure channel at the port ("p_a", "p_b"); where a port is not named, the rig's own maximum
    holds. `fuel_vapour`: the part may hold fuel. `ambient_pa` is the air of the room as last known.
    `max_coil_s` is how long the part's coil bears its supply, None without end.
    """

    max_vacuum_pa: Mapping[str, float] = field(default_factory=_no_limits)
    max_pressure_pa: Mapping[str, float] = field(default_factory=_no_limits)
    fuel_vapour: bool = False
    ambient_pa: float | None = None
    max_coil_s: float | None = None


@dataclass(frozen=True)
class Port:
    """What is known of one port: how old its reading is, and how near its maximum it stands.

    `vacuum_pa` is None where pressure or ambient are not known.
    """

    age_s: float
    vacuum_pa: float | None
    max_vacuum_pa: float


@dataclass(frozen=True)
class Situation:
    """What a request is held against, at one instant.

    `energised` is every output as it would be, by name, `newly` are those that the request
    energises. `tripped_by` is the code of the first trip. `armed` is None outside a run.
    """

    energised: Mapping[str, bool]
    newly: frozenset[str]
    tripped_by: str | None
    armed: RunLimits | None
    flushed: bool
    supply_on: bool
    data_age_s: float
    ports: Mapping[str, Port] = field(default_factory=dict)


class Refused(RigError):  # noqa: N818 - what it is, not what went wrong
    """A request that is not granted; nothing was moved. `findings` say why, first the gravest."""

    def __init__(self, findings: tuple[Finding, ...]) -> None:
        figures = (f"{it.code} {dict(it.figures)}" for it in findings)
        super().__init__(f"refused: {'; '.join(figures)}")
        self.findings = findings


STALE_S = 1.0
"""Readings older than this say nothing of now."""
_PUMP = "pump"
_PORT_OF = {"pump": "p_a", "electric_pump": "p_a", "port_b": "p_b"}
"""Which port an energised output pulls on, or shuts off from the air."""

_Figures = Mapping[str, float | str]


@dataclass(frozen=True)
class Rule:
    """One interlock: what it refuses, because of what; `broken` gives the figures, None if kept.

    A rule but the one of positions looks only at what a request energises: the way to rest is
    always open.
    """

    code: str
    refuses: str
    because: str
    broken: Callable[[Situation], _Figures | None]


def _tripped(now: Situation) -> _Figures | None:
    if now.newly and now.tripped_by is not None:
        return {"trip": now.tripped_by}
    return None


def _not_armed(now: Situation) -> _Figures | None:
    return {} if now.newly and now.armed is None else None


def _no_data(now: Situation) -> _Figures | None:
    return {"age_s": now.data_age_s} if now.newly and now.data_age_s > STALE_S else None


def _no_supply(now: Situation) -> _Figures | None:
    return {} if now.newly and not now.supply_on else None


def _pump_and_vent(now: Situation) -> _Figures | None:
    # The pump valve opens when energised, the vent when not.
    pump_open, vent_open = now.energised[_PUMP], not now.energised["vent"]
    return {} if pump_open and vent_open else None


def _fuel_vapour(now: Situation) -> _Figures | None:
    sparks = sorted(now.newly & {"electric_pump", "coil"})
    if sparks and now.armed is not None and now.armed.fuel_vapour and not now.flushed:
        return {"output": sparks[0]}
    return None


def _asked_ports(now: Situation) -> dict[str, Port]:
    names = {_PORT_OF[name] for name in now.newly & set(_PORT_OF)}
    return {name: now.ports[name] for name in sorted(names & set(now.ports))}


def _port_unseen(now: Situation) -> _Figures | None:
    for channel, port in _asked_ports(now).items():
        if port.age_s > STALE_S:
            return {"channel": channel}
    return None


def _ambient_unknown(now: Situation) -> _Figures | None:
    if now.armed is None:
        return None
    for channel, port in _asked_ports(now).items():
        if port.age_s <= STALE_S and port.vacuum_pa is None:
            return {"channel": channel}
    return None


def _at_maximum(now: Situation) -> _Figures | None:
    for channel, port in _asked_ports(now).items():
        if port.vacuum_pa is not None and port.vacuum_pa > port.max_vacuum_pa:
            return {
                "channel": channel,
                "vacuum_pa": port.vacuum_pa,
                "max_vacuum_pa": port.max_vacuum_pa,
            }
    return None


RULES: tuple[Rule, ...] = (
    Rule(
        "held_by_trip",
        "anything while tripped",
        "what tripped it may still be there: somebody has to look and reset",
        _tripped,
    ),
    Rule(
        "not_armed",
        "anything outside a run",
        "nobody has said how much the part may bear",
        _not_armed,
    ),
    Rule(
        "no_data",
        "anything while no readings have come for a second",
        "what happens at the part cannot be seen",
        _no_data,
    ),
    Rule(
        "no_supply",
        "anything while the board keeps the supply off",
        "board and pins must agree: a valve would jump by itself when the supply comes back",
        _no_supply,
    ),
    Rule(
        "pump_and_vent_open",
        "pump valve and vent valve open together",
        "the pump would draw room air and its dirt through the rig, without end",
        _pump_and_vent,
    ),
    Rule(
        "fuel_vapour",
        "electric pump or coil on a part that may hold fuel, before flushing is acknowledged",
        "a motor's or a contact's spark lights vapour",
        _fuel_vapour,
    ),
    Rule(
        "port_unseen",
        "drawing on a port, or shutting it off from the air, without a reading of its pressure",
        "its maximum cannot be kept",
        _port_unseen,
    ),
    Rule(
        "ambient_unknown",
        "the same before the pressure of the room is known",
        "a vacuum is told from an absolute pressure only against it",
        _ambient_unknown,
    ),
    Rule(
        "port_at_maximum",
        "the same on a port that stands beyond its maximum",
        "it has to be vented, not held",
        _at_maximum,
    ),
)
"""The interlocks, the gravest first."""


def broken(now: Situation) -> tuple[Finding, ...]:
    """List why a request is refused, the gravest first; empty where it may be granted."""
    found = []
    for rule in RULES:
        figures = rule.broken(now)
        if figures is not None:
            found.append(Finding(rule.code, MappingProxyType(dict(figures))))
    return tuple(found)
