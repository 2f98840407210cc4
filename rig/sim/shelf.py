"""Own the named parts of the simulated bench, and parts drawn at random; never judge one.

The named parts tell the stories of an invented box from a clearance; a drawn part has a leak that
is known as a multiple of what a limit allows.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from rig.analysis.gas import STANDARD_TEMPERATURE_K, Law, standard_flow
from rig.errors import BenchError
from rig.sim.draws import draws
from rig.sim.leaks import STATED_AT_PA
from rig.sim.parts import SimPart
from rig.units import PA_PER_INHG, STD_CC_PER_MIN_PER_M3_S

REFERENCE_HOSE_M3 = 25e-6
"""What a hand gauge and its hose add to the part's volume, by convention."""

SHELF: Mapping[str, Mapping[str, object]] = MappingProxyType(
    {
        # Old stock: the rubber stretches, and a dial calls it bad; the leak is small.
        "N01": {
            "name": "N01",
            "rest_cm3": 22.0,
            "stroke_cm3": 4.0,
            "start_inhg": 3.0,
            "full_inhg": 8.0,
            "leak_law": "laminar",
            "leak_std_cm3_min": 0.15,
            "creep": "chain",
            "creep_chain_cm3": [1.1, 4.4],
            "creep_chain_s": [2.0, 9.0],
        },
        # Used: on a long hose a dial hardly moves; the leak is large.
        "N02": {
            "name": "N02",
            "rest_cm3": 20.0,
            "stroke_cm3": 5.0,
            "start_inhg": 3.0,
            "full_inhg": 9.0,
            "leak_law": "orifice",
            "leak_std_cm3_min": 9.0,
            "leak_critical_ratio": 0.35,
            "creep": "exponential",
            "creep_cm3": 0.3,
            "creep_s": 3.0,
        },
        # Repainted: paint in the nipple.
        "N03": {"name": "N03", "rest_cm3": 18.0, "stroke_cm3": 4.0, "blocked": True},
        "good": {
            "name": "good",
            "rest_cm3": 18.0,
            "stroke_cm3": 5.0,
            "leak_law": "laminar",
            "leak_std_cm3_min": 0.3,
            "creep": "log",
            "creep_cm3": 0.5,
            "creep_s": 0.5,
        },
        "bad": {
            "name": "bad",
            "rest_cm3": 18.0,
            "stroke_cm3": 5.0,
            "leak_law": "orifice",
            "leak_std_cm3_min": 12.0,
            "creep": "exponential",
            "creep_cm3": 0.4,
            "creep_s": 4.0,
        },
        "torn": {
            "name": "torn",
            "rest_cm3": 18.0,
            "stroke_cm3": 5.0,
            "leak_law": "orifice",
            "leak_std_cm3_min": 2500.0,
        },
        "opens": {
            "name": "opens",
            "rest_cm3": 20.0,
            "stroke_cm3": 5.0,
            "leak_law": "orifice",
            "leak_std_cm3_min": 25.0,
            "leak_above_inhg": 12.0,
        },
        "wet": {
            "name": "wet",
            "rest_cm3": 20.0,
            "stroke_cm3": 4.0,
            "leak_law": "laminar",
            "leak_std_cm3_min": 0.2,
            "liquid_mg": 1.2,
            "liquid_s": 20.0,
        },
    }
)
"""Named parts, as mappings for `SimPart.from_mapping`."""


def shelf_part(name: str) -> SimPart:
    """Take a part from the shelf.

    Raises BenchError for a name that is not there.
    """
    if name not in SHELF:
        raise BenchError(f"simulated shelf: there is no part '{name}', but {', '.join(SHELF)}.")
    return SimPart.from_mapping(SHELF[name])


@dataclass(frozen=True)
class DrawnPart:
    """A part drawn at random, with its leak as a multiple of what the limit allows."""

    keys: Mapping[str, object]
    part: SimPart
    leak_multiple: float


def draw_part(
    seed: int, max_drop_pa: float = PA_PER_INHG, within_s: float = 20.0, near: bool = False
) -> DrawnPart:
    """Draw a pull-off: as often good as bad, or `near` the limit.

    The limit allows a drop [Pa] from 15 inHg at sea level, within a time [s], in the settled part
    and 25 cm3. A good part leaks 0.02 to 0.6 of what drops a straight line by that, a bad one 1.7
    to 20 times, one near it 0.6 to 1.7.
    """
    draw = draws(seed, "part")
    good_or_bad = ((0.02, 0.6), (1.7, 20.0))[int(draw.integers(2))]
    multiple = _log_uniform(draw, *((0.6, 1.7) if near else good_or_bad))
    keys = {**_draw_body(draw), **_draw_creep(draw)}
    volume_m3 = reference_volume(SimPart.from_mapping(keys))
    allowed_m3_s = standard_flow(max_drop_pa / within_s, volume_m3, STANDARD_TEMPERATURE_K)
    keys |= {
        "name": f"drawn {seed}",
        "leak_law": str(draw.choice([law.value for law in Law])),
        "leak_std_cm3_min": multiple * allowed_m3_s * STD_CC_PER_MIN_PER_M3_S,
        "leak_critical_ratio": float(draw.uniform(0.2, 0.53)),
    }
    return DrawnPart(MappingProxyType(keys), SimPart.from_mapping(keys), multiple)


def _draw_body(draw: np.random.Generator) -> dict[str, object]:
    rest_cm3 = float(draw.uniform(8.0, 25.0))
    start_inhg = float(draw.uniform(2.0, 5.0))
    return {
        "rest_cm3": rest_cm3,
        "stroke_cm3": float(draw.uniform(2.0, min(8.0, 0.6 * rest_cm3))),
        "start_inhg": start_inhg,
        "full_inhg": start_inhg + float(draw.uniform(3.0, 7.0)),
        "friction_inhg": float(draw.uniform(0.0, 0.5)),
    }


def _draw_creep(draw: np.random.Generator) -> dict[str, object]:
    """Draw rubber that gives 0.1 to 0.6 cm3: some 0.05 to 0.3 inHg in a usual volume."""
    kind = str(draw.choice(["none", "exponential", "log", "power", "chain"]))
    cm3 = _log_uniform(draw, 0.1, 0.6)
    if kind == "none":
        return {}
    if kind == "chain":
        times = [_log_uniform(draw, 0.5, 20.0) for _ in range(3)]
        return {
            "creep": kind,
            "creep_chain_cm3": [cm3 / len(times)] * len(times),
            "creep_chain_s": times,
        }
    return {
        "creep": kind,
        "creep_cm3": cm3,
        "creep_s": _log_uniform(draw, *((0.2, 1.0) if kind == "log" else (1.0, 8.0))),
        "creep_exponent": float(draw.uniform(0.15, 0.5)),
    }


def _log_uniform(draw: np.random.Generator, low: float, high: float) -> float:
    return math.exp(draw.uniform(math.log(low), math.log(high)))


def reference_volume(part: SimPart) -> float:
    """Get the reference volume [m3] of a hand-gauge test of a part, by convention."""
    return part.settled_m3(STATED_AT_PA) + REFERENCE_HOSE_M3
