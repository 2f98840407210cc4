"""Own the shapes that published limits come in and what each must state; never hold a figure.

The fourteen shapes are those of service information: what is judged, which bounds can be printed
for it, and the conditions without which the figure means nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from rig.units import Kind


class Shape(StrEnum):
    """What a limit asks of a part; the comment says which quantity is judged."""

    HOLD = "hold"  # drop, against the rig's default: the source gives no figure
    REMAINING = "remaining"  # vacuum left after a time
    TIME_TO_DROP = "time_to_drop"  # time until the vacuum has fallen to a level
    DROP = "drop"  # vacuum lost in a time
    MUST_NOT_HOLD = "must_not_hold"  # vacuum left after a time
    RISE_TIME = "rise_time"  # time to reach a vacuum behind a constant supply
    FALL_TIME = "fall_time"  # time to fall from one vacuum to another
    FLOW_BAND = "flow_band"  # vacuum at which a passage opens or closes
    SETTLE = "settle"  # vacuum at which the part settles
    SWITCH_BAND = "switch_band"  # temperature at which a passage opens or closes
    POSITION_TIME = "position_time"  # time until the rod stands where it must
    TRAVEL_AT_VACUUM = "travel_at_vacuum"  # vacuum at which the rod has moved so far
    SIGNAL_AT_VACUUM = "signal_at_vacuum"  # the part's own signal
    COIL_OHMS = "coil_ohms"  # resistance of the coil


class Condition(StrEnum):
    """What a limit's figure depends on."""

    START_VACUUM = "start vacuum"
    END_VACUUM = "end vacuum"
    SUPPLY_VACUUM = "supply vacuum"
    AT_VACUUM = "vacuum applied"
    AT_PRESSURE = "absolute pressure applied"
    DURATION = "time"
    REFERENCE_VOLUME = "reference volume"
    TEMPERATURE = "temperature"
    TRAVEL = "travel"


CONDITION_KINDS: Mapping[Condition, tuple[Kind, ...]] = MappingProxyType(
    {
        Condition.START_VACUUM: (Kind.VACUUM,),
        Condition.END_VACUUM: (Kind.VACUUM,),
        Condition.SUPPLY_VACUUM: (Kind.VACUUM,),
        Condition.AT_VACUUM: (Kind.VACUUM,),
        Condition.AT_PRESSURE: (Kind.ABSOLUTE_PRESSURE,),
        Condition.DURATION: (Kind.TIME,),
        Condition.REFERENCE_VOLUME: (Kind.VOLUME,),
        Condition.TEMPERATURE: (Kind.TEMPERATURE,),
        Condition.TRAVEL: (Kind.LENGTH, Kind.SHARE),
    }
)


@dataclass(frozen=True)
class ShapeRule:
    """What a limit of one shape must and may state.

    `judged` lists the kinds its bounds may be printed in. `required` and `optional` map the key
    of a spec sheet to the condition it states. `rests_on_default` says that the rig has a figure of
    its own where the source gives none. A `is_band` shape states what the passage must be below and
    above its bounds.
    """

    judged: tuple[Kind, ...]
    required: Mapping[str, Condition]
    optional: Mapping[str, Condition] = field(default_factory=lambda: MappingProxyType({}))
    takes_lower: bool = True
    takes_upper: bool = True
    rests_on_default: bool = False
    is_band: bool = False

    @property
    def conditions(self) -> Mapping[str, Condition]:
        """The required and the optional conditions by key."""
        return {**self.required, **self.optional}


_ROOM = MappingProxyType({"temperature": Condition.TEMPERATURE})
_HELD = MappingProxyType({"reference_volume": Condition.REFERENCE_VOLUME, **_ROOM})
_BOTH_WAYS = MappingProxyType(
    {"from": Condition.START_VACUUM, "to": Condition.END_VACUUM},
)

SHAPE_RULES: Mapping[Shape, ShapeRule] = MappingProxyType(
    {
        Shape.HOLD: ShapeRule(
            (Kind.VACUUM,),
            {"from": Condition.START_VACUUM, "for": Condition.DURATION},
            _HELD,
            takes_lower=False,
            takes_upper=False,
            rests_on_default=True,
        ),
        Shape.REMAINING: ShapeRule(
            (Kind.VACUUM,),
            {"from": Condition.START_VACUUM, "after": Condition.DURATION},
            _HELD,
            takes_upper=False,
        ),
        Shape.TIME_TO_DROP: ShapeRule((Kind.TIME,), _BOTH_WAYS, _HELD, takes_upper=False),
        Shape.DROP: ShapeRule(
            (Kind.VACUUM,),
            {"from": Condition.START_VACUUM, "within": Condition.DURATION},
            _HELD,
            takes_lower=False,
        ),
        Shape.MUST_NOT_HOLD: ShapeRule(
            (Kind.VACUUM,),
            {"from": Condition.START_VACUUM, "within": Condition.DURATION},
            _HELD,
            takes_lower=False,
            rests_on_default=True,
        ),
        Shape.RISE_TIME: ShapeRule(
            (Kind.TIME,),
            {"supply": Condition.SUPPLY_VACUUM, "to": Condition.END_VACUUM},
            {"from": Condition.START_VACUUM, **_HELD},
        ),
        Shape.FALL_TIME: ShapeRule((Kind.TIME,), _BOTH_WAYS, _HELD),
        Shape.FLOW_BAND: ShapeRule((Kind.VACUUM,), {}, _ROOM, is_band=True),
        Shape.SETTLE: ShapeRule(
            (Kind.VACUUM,),
            {"after": Condition.DURATION},
            {"supply": Condition.SUPPLY_VACUUM, **_HELD},
        ),
        Shape.SWITCH_BAND: ShapeRule(
            (Kind.TEMPERATURE,), {}, {"at": Condition.AT_VACUUM}, is_band=True
        ),
        Shape.POSITION_TIME: ShapeRule(
            (Kind.TIME,),
            {"travel": Condition.TRAVEL},
            {"at": Condition.AT_VACUUM, **_ROOM},
        ),
        Shape.TRAVEL_AT_VACUUM: ShapeRule((Kind.VACUUM,), {"travel": Condition.TRAVEL}, _ROOM),
        Shape.SIGNAL_AT_VACUUM: ShapeRule(
            (Kind.VOLTAGE, Kind.RESISTANCE, Kind.FREQUENCY),
            {},
            {"at": Condition.AT_VACUUM, "at_pressure": Condition.AT_PRESSURE, **_ROOM},
        ),
        Shape.COIL_OHMS: ShapeRule((Kind.RESISTANCE,), {"temperature": Condition.TEMPERATURE}),
    }
)
