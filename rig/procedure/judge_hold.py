"""Own how a recorded hold is judged, while it runs and after; never pull or vent."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve, HoldResult
from rig.analysis.leak import analyse_hold
from rig.analysis.looks import PlannedLook, decided_at, planned_looks
from rig.arrays import FloatArray
from rig.procedure.steps import Recording, Watch
from rig.records import Estimate, Outcome

_LATE = 0.97
"""A record is judged by the last look for which it is at least this long."""
_USABLE = 0.5
_MOVING_S = 0.06
"""What is recorded before this may be from before the pump valve shut."""


def curve_of(recording: Recording) -> HoldCurve:
    """Take the curve of the manifold's sensor out of a recording, its time from the first frame.

    Other channels come along where at least half of their readings are usable, the rest bridged.
    """
    time_s, pressure_pa = recording.channel("p_a")

    def of(name: str) -> FloatArray | None:
        known_s, values = recording.channel(name)
        if not known_s.size or known_s.size < _USABLE * recording.time_mono_s.size:
            return None
        bridged: FloatArray = np.interp(time_s, known_s, values)
        return bridged

    start_s = recording.time_mono_s[0] if recording.time_mono_s.size else 0.0
    return HoldCurve(time_s - start_s, pressure_pa, of("t_gas"), of("barometer"))


@dataclass(frozen=True)
class HoldLooks:
    """The looks at one hold of `hold_s` that is judged by a limit.

    The volume of `conditions` is as uncertain as it goes into the drop; the leak itself is as
    uncertain as `whole_u_m3`.
    """

    limit: DropLimit
    conditions: HoldConditions
    whole_u_m3: float
    hold_s: float

    @property
    def watch(self) -> Watch | None:
        """Get when to look and how to tell that it is decided; None where nothing is judged."""
        if self.limit.max_drop_pa is None:
            return None
        times = tuple(planned.time_s for planned in self._planned[:-1])
        return Watch(times, lambda recording: self.judge(recording).outcome is not _OPEN)

    def judge(self, recording: Recording) -> HoldResult:
        """Judge what was recorded by the last look that falls into it."""
        return self._with_whole_volume(self._judged(recording))

    def _judged(self, recording: Recording) -> HoldResult:
        curve = curve_of(recording)
        moving = int(np.searchsorted(curve.time_s, _MOVING_S))
        curve = curve.between(moving, curve.time_s.size)
        if self.limit.max_drop_pa is None or not curve.time_s.size:
            return analyse_hold(curve, self.conditions, self.limit)
        lasted_s = recording.duration_s
        due = [planned for planned in self._planned if lasted_s >= _LATE * planned.time_s]
        planned = due[-1] if due else self._planned[0]
        result = analyse_hold(curve, self.conditions, self.limit, look=planned.look)
        if planned is self._planned[-1] or result.outcome is _OPEN:
            return result
        return decided_at(result, planned.time_s)

    def _with_whole_volume(self, result: HoldResult) -> HoldResult:
        leak = result.leak
        if leak is None:
            return result
        by_volume = abs(leak.value) * self.whole_u_m3 / self.conditions.volume_m3
        sources = {**leak.sources, "volume": by_volume}
        return replace(result, leak=Estimate.from_sources(leak.value, sources))

    @property
    def _planned(self) -> tuple[PlannedLook, ...]:
        return planned_looks(self.hold_s, self.limit.confidence)


_OPEN = Outcome.UNDECIDED


def figures_of(result: HoldResult) -> Mapping[str, float]:
    """List the plain figures of a hold that a table shows beside the estimates, in SI."""
    figures = {
        "start_vacuum_pa": result.start_vacuum_pa,
        "end_vacuum_pa": result.end_vacuum_pa,
        "observed_drop_pa": result.observed_drop_pa,
        "hold_s": result.hold_end_s - result.hold_start_s,
        "decided_at_s": result.decided_at_s,
    }
    return {
        name: value for name, value in figures.items() if value is not None and math.isfinite(value)
    }
