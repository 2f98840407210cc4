"""Own the volumes of a hold, held and referred to; never measure one.

Both hold the part's own volume, which was told by the rig's. What is wrong with either is counted
once, and much of it cancels in the drop on a hand gauge: drop = slope V_held / V_reference.
"""

import math
from dataclasses import dataclass

from rig.procedure.context import Context
from rig.records import Estimate


@dataclass(frozen=True)
class HeldVolume:
    """The whole settled volume of rig and part [m3], and the reference volume.

    `for_drop_u_m3` is the standard uncertainty of the whole as far as it goes into the drop.
    """

    whole: Estimate
    reference_m3: float
    for_drop_u_m3: float


def held_volume(context: Context, part: Estimate) -> HeldVolume:
    """Put together the volume held, with the reference volume that the limit names.

    With V = V_rig + V_part and, where the limit goes by the part, V_ref = V_part + V_beyond, the
    drop goes with V / V_ref, whose log has the derivatives 1/V by the rig's volume and
    1/V - 1/V_ref by the part's (GUM 5.1.2). An error of the rig's volume is one of the part's, too,
    by as much as the part's was told by it: they go together.
    """
    rig = context.rig_volume_m3
    shared_u = part.sources.get("rig_volume", 0.0)
    own_u = math.sqrt(max(part.u**2 - shared_u**2, 0.0))
    whole = Estimate.from_sources(
        rig.value + part.value, {"rig_volume": rig.u + shared_u, "part": own_u}
    )
    if context.beyond_part_m3 is None:
        return HeldVolume(whole, context.limit.reference_volume_m3, whole.u)
    reference_m3 = part.value + context.beyond_part_m3
    by_rig, by_part = 1.0 / whole.value, 1.0 / whole.value - 1.0 / reference_m3
    relative_u = math.hypot(by_rig * rig.u + by_part * shared_u, by_part * own_u)
    return HeldVolume(whole, reference_m3, relative_u * whole.value)
