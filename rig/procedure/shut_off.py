"""Own what leaks into a part while it is shut off from the sensor; never read a recording.

By how fast rig and part together lost their vacuum just before and just after.
"""

import math
from dataclasses import dataclass

import numpy as np

from rig.analysis.gas import Hypotheses, Law, LeakLaw, critical_ratio_hypotheses
from rig.analysis.volume import SettledPressure
from rig.records import Estimate

_LAWS: Hypotheses = ((LeakLaw(Law.LAMINAR), 1.0), *critical_ratio_hypotheses(2))
_LEAST_RISE_PA = 1.0
"""A leak that raises the part by less while it is shut off keeps up its flow, whatever its law."""
_BELOW_AMBIENT = 0.98


@dataclass(frozen=True)
class ShutOff:
    """A part shut off for `lasted_s`: rig and part together settled before and after it."""

    before: SettledPressure
    after: SettledPressure
    lasted_s: float
    ambient_pa: float

    def gained(self, rig_m3: float, part_m3: float) -> Estimate:
        """Estimate what came into the part [Pa m3].

        Rig and part lost vacuum together, so what they lost came into both their volumes. The part
        alone loses it faster, and its leak slackens as it does, by a law that is not known. What
        creeps and does not leak goes on differently before and after: half their difference is in
        doubt.
        """
        first, second = (
            self._told_by(around, rig_m3 + part_m3, part_m3) for around in (self.before, self.after)
        )
        return Estimate.from_sources(
            0.5 * (first.value + second.value),
            {
                "slope": 0.5 * math.hypot(first.sources["slope"], second.sources["slope"]),
                "law": 0.5 * (first.sources["law"] + second.sources["law"]),
                "creep": 0.5 * abs(first.value - second.value),
            },
        )

    def _told_by(self, around: SettledPressure, joint_m3: float, part_m3: float) -> Estimate:
        flow = around.slope_pa_s.value * joint_m3
        kept = self._kept_up(max(flow, 0.0) / part_m3, around.pressure_pa.value)
        volume_s = joint_m3 * self.lasted_s
        return Estimate.from_sources(
            flow * self.lasted_s * kept.value,
            {
                "slope": around.slope_pa_s.u * volume_s * kept.value,
                "law": abs(flow) * self.lasted_s * kept.u,
            },
        )

    def _kept_up(self, slope_pa_s: float, at_pa: float) -> Estimate:
        """Estimate how much of its flow at a pressure a leak keeps up while the part is shut off.

        `slope_pa_s` is that of the part alone there. Mean and spread are over the laws that may be.
        """
        linear_pa = slope_pa_s * self.lasted_s
        if linear_pa < _LEAST_RISE_PA:
            return Estimate(1.0, 0.0)
        ambient_pa = self.ambient_pa
        highest_pa = _BELOW_AMBIENT * ambient_pa
        start_pa, at_pa = min(self.before.pressure_pa.value, highest_pa), min(at_pa, highest_pa)
        shares = []
        for law, _ in _LAWS:
            rate_pa_s = slope_pa_s / float(law.shape(at_pa, ambient_pa))
            end_pa = float(law.pressure(self.lasted_s, start_pa, rate_pa_s, ambient_pa))
            shares.append((end_pa - start_pa) / linear_pa)
        weights = [weight for _, weight in _LAWS]
        mean = float(np.average(shares, weights=weights))
        spread = float(np.average((np.array(shares) - mean) ** 2, weights=weights))
        return Estimate(mean, math.sqrt(spread))
