"""Own the course of a leak exactly at the limit, in the volume of this run; never judge by it."""

from rig.analysis.gas import (
    STANDARD_TEMPERATURE_K,
    Law,
    LeakLaw,
    rate_at_ambient,
    slope_from_flow,
    standard_flow,
)
from rig.analysis.hold import DropLimit, HoldConditions
from rig.arrays import FloatArray
from rig.units import SEA_LEVEL_PA


def leak_at_the_limit(
    since_start_s: FloatArray,
    start_pa: float,
    leak_kind: str,
    limit: DropLimit,
    conditions: HoldConditions,
) -> FloatArray | None:
    """Compute the pressure [Pa] of a hold whose leak alone is just what `limit` allows.

    `since_start_s` (n,) are times after the pressure stood at `start_pa`. The leak is of the kind
    found, an orifice where it is not known. None where the limit does not judge.
    """
    if limit.max_drop_pa is None:
        return None
    law = LeakLaw({str(law): law for law in Law}.get(leak_kind, Law.ORIFICE))
    from_pa = SEA_LEVEL_PA - limit.from_vacuum_pa
    dropped_pa = from_pa + limit.max_drop_pa
    rate_pa_s = float(law.time_to_reach(dropped_pa, from_pa, 1.0, SEA_LEVEL_PA)) / limit.within_s
    flow_m3_s = standard_flow(rate_pa_s, limit.reference_volume_m3, STANDARD_TEMPERATURE_K)
    here_pa_s = slope_from_flow(flow_m3_s, conditions.volume_m3, conditions.gas_temperature_k)
    here_pa_s = rate_at_ambient(law.law, here_pa_s, SEA_LEVEL_PA, conditions.ambient_pa)
    return law.pressure(since_start_s, start_pa, here_pa_s, conditions.ambient_pa)
