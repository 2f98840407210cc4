"""Own what was last read and how it stands against the limits; never move anything."""

from collections.abc import Iterator, Mapping
from types import MappingProxyType

import numpy as np

from rig.arrays import FloatArray
from rig.config import SafetySettings
from rig.outputs.interlocks import STALE_S, Port, RunLimits
from rig.readings import Readings
from rig.records import Finding
from rig.units import PA_PER_PSI, SEA_LEVEL_PA

MAX_PRESSURE_PA = 3.0 * PA_PER_PSI
"""What the rig itself may bear above the room's air: low-pressure air only, whatever the part."""
_PORT_PREFIX = "p_"
_MANIFOLD = "p_a"
_BATH_GAP_K = 2.0
"""A bath counts as cooled once it is this far below its limit."""
_SUPPLY_SETTLES_S = 0.3
"""So long may the supply be out of its range: a relay's own time, an inrush."""
_NEVER_S = float("-inf")


class Watch:
    """What the channels of a bench said last, held against the rig's limits and those of a run.

    Every channel whose name begins with "p_" is a port.
    """

    def __init__(self, settings: SafetySettings, now_s: float) -> None:
        self._settings = settings
        self._limits: RunLimits | None = None
        self._began_s = now_s
        self._data_s = _NEVER_S
        self._seen_s: dict[str, float] = {}
        self._pressure_pa: dict[str, float] = {}
        self._barometer_pa: float | None = None
        self._vented_pa: float | None = None
        self._bath_k = 0.0
        self._bath_hot = False
        self._supply_v: float | None = None
        self._supply_good_s = now_s

    @property
    def bath_hot(self) -> bool:
        """Tell whether the bath went over its limit and has not been seen well below it since."""
        return self._bath_hot

    def begin(self, limits: RunLimits) -> None:
        """Watch over a run with these limits."""
        self._limits = limits
        self._vented_pa = None

    def end(self) -> None:
        """Watch over the rig alone."""
        self._limits = None

    def set_ambient(self, ambient_pa: float) -> None:
        """Set the pressure of the room [Pa absolute], as the vented rig itself reads it."""
        self._vented_pa = ambient_pa

    def data_age_s(self, now_s: float) -> float:
        """Get how long ago readings came [s], or how long none have come at all."""
        return now_s - max(self._data_s, self._began_s)

    def is_stale(self, now_s: float) -> bool:
        """Tell whether no readings have come for more than a second, or none yet."""
        return now_s - self._data_s > STALE_S

    def ports(self, now_s: float) -> Mapping[str, Port]:
        """Get what is known of each port that was ever read or has limits."""
        found = {
            channel: Port(
                age_s=now_s - self._seen_s.get(channel, _NEVER_S),
                vacuum_pa=self._vacuum_pa(channel),
                max_vacuum_pa=self._max_vacuum_pa(channel),
            )
            for channel in sorted(self._watched() | set(self._pressure_pa))
        }
        return MappingProxyType(found)

    def look(self, readings: Readings, supply_on: bool, now_s: float) -> tuple[Finding, ...]:
        """List what in these readings is beyond a limit, the gravest first."""
        if readings.time_mono_s.size == 0:
            return ()
        self._data_s = now_s
        usable = {name: values[np.isfinite(values)] for name, values in readings.values.items()}
        usable = {name: values for name, values in usable.items() if values.size}
        if "barometer" in usable:
            self._barometer_pa = float(usable["barometer"][-1])
        found: list[Finding] = []
        for channel, pressure_pa in usable.items():
            if channel.startswith(_PORT_PREFIX):
                self._seen_s[channel] = now_s
                self._pressure_pa[channel] = float(pressure_pa[-1])
                found += self._over(channel, pressure_pa)
        if "t_bath" in usable:
            found += self._bath(float(np.max(usable["t_bath"])))
        if "supply" in usable:
            self._supply_v = float(usable["supply"][-1])
        found += self._supply(supply_on, now_s)
        return tuple(found)

    def unseen(self, now_s: float) -> tuple[Finding, ...]:
        """List what can no longer be watched: all, or a port that has a limit to keep."""
        if self.is_stale(now_s):
            return (Finding("data_stale", {"age_s": self.data_age_s(now_s)}),)
        return tuple(
            Finding("port_unseen", {"channel": channel})
            for channel in sorted(self._watched())
            if now_s - self._seen_s.get(channel, _NEVER_S) > STALE_S
        )

    def standing(self, reason: Finding, supply_on: bool, now_s: float) -> Finding | None:
        """Tell how the cause of a trip stands now, None if it is gone or was none of these."""
        if reason.code in {"over_vacuum", "over_pressure"}:
            unseen = self.unseen(now_s)
            if unseen:
                return unseen[0]
            return next(self._all_over(), None)
        if reason.code in {"data_stale", "port_unseen", "link_lost", "board_restarted"}:
            return next(iter(self.unseen(now_s)), None)
        if reason.code == "bath_too_hot" and self._bath_hot:
            return self._bath_finding()
        if reason.code == "supply_out_of_range" and supply_on:
            return self._supply_finding()
        return None

    def _watched(self) -> set[str]:
        """Name the ports whose maximum must be kept."""
        if self._limits is None:
            return {_MANIFOLD}
        return {_MANIFOLD, *self._limits.max_vacuum_pa, *self._limits.max_pressure_pa}

    def _ambient_pa(self) -> float | None:
        """Get the room's pressure: as the rig itself read it, by barometer, or as last known.

        The rig's own reading comes first, because its sensor's error cancels in a vacuum.
        """
        last_pa = None if self._limits is None else self._limits.ambient_pa
        for known_pa in (self._vented_pa, self._barometer_pa, last_pa):
            if known_pa is not None:
                return known_pa
        return None

    def _vacuum_pa(self, channel: str) -> float | None:
        ambient_pa, pressure_pa = self._ambient_pa(), self._pressure_pa.get(channel)
        if ambient_pa is None or pressure_pa is None:
            return None
        return ambient_pa - pressure_pa

    def _max_vacuum_pa(self, channel: str) -> float:
        if self._limits is None:
            return self._settings.max_vacuum_pa
        of_part = self._limits.max_vacuum_pa.get(channel, self._settings.max_vacuum_pa)
        return min(of_part, self._settings.max_vacuum_pa)

    def _max_pressure_pa(self, channel: str) -> float:
        if self._limits is None:
            return MAX_PRESSURE_PA
        return min(self._limits.max_pressure_pa.get(channel, MAX_PRESSURE_PA), MAX_PRESSURE_PA)

    def _all_over(self) -> Iterator[Finding]:
        for channel, pressure_pa in self._pressure_pa.items():
            yield from self._over(channel, np.array([pressure_pa]))

    def _over(self, channel: str, pressure_pa: FloatArray) -> Iterator[Finding]:
        ambient_pa = self._ambient_pa()
        max_vacuum_pa = self._max_vacuum_pa(channel)
        max_pressure_pa = self._max_pressure_pa(channel)
        if ambient_pa is None:
            # Only the rig's own maxima can be kept, and only about.
            ambient_pa, max_vacuum_pa = SEA_LEVEL_PA, self._settings.max_vacuum_pa
            max_pressure_pa = MAX_PRESSURE_PA
        vacuum_pa = ambient_pa - float(np.min(pressure_pa))
        if vacuum_pa > max_vacuum_pa:
            yield Finding(
                "over_vacuum",
                {"channel": channel, "vacuum_pa": vacuum_pa, "max_vacuum_pa": max_vacuum_pa},
            )
        above_pa = float(np.max(pressure_pa)) - ambient_pa
        if above_pa > max_pressure_pa:
            yield Finding(
                "over_pressure",
                {"channel": channel, "above_pa": above_pa, "max_above_pa": max_pressure_pa},
            )

    def _bath(self, bath_k: float) -> Iterator[Finding]:
        self._bath_k = bath_k
        if bath_k > self._settings.max_bath_k:
            self._bath_hot = True
            yield self._bath_finding()
        elif bath_k < self._settings.max_bath_k - _BATH_GAP_K:
            self._bath_hot = False

    def _bath_finding(self) -> Finding:
        return Finding(
            "bath_too_hot",
            {
                "bath_temperature_k": self._bath_k,
                "max_bath_temperature_k": self._settings.max_bath_k,
            },
        )

    def _supply(self, supply_on: bool, now_s: float) -> Iterator[Finding]:
        found = self._supply_finding()
        if not supply_on or found is None:
            self._supply_good_s = now_s
        elif now_s - self._supply_good_s > _SUPPLY_SETTLES_S:
            yield found

    def _supply_finding(self) -> Finding | None:
        if self._supply_v is None or self._settings.supply_v is None:
            return None
        low_v, high_v = self._settings.supply_v
        if low_v <= self._supply_v <= high_v:
            return None
        return Finding(
            "supply_out_of_range",
            {"supply_v": self._supply_v, "low_v": low_v, "high_v": high_v},
        )
