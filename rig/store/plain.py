"""Own how small records become what JSON can hold and come back exactly; never open a file."""

from collections.abc import Mapping
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Any

from rig.records import Estimate
from rig.runs import KnownOwnLeak, KnownVolume

Plain = dict[str, Any]


def from_utc(time_utc: datetime) -> str:
    """Write a wall time so that texts sort as times do, to the microsecond.

    Raises ValueError for one without a time zone.
    """
    if time_utc.tzinfo is None:
        raise ValueError(f"{time_utc} does not say its time zone")
    return time_utc.astimezone(UTC).isoformat(timespec="microseconds")


def to_utc(text: str) -> datetime:
    """Read what `from_utc` wrote."""
    return datetime.fromisoformat(text)


def from_label(time_utc: datetime | None) -> str | None:
    """Write a wall time that may be unknown."""
    return None if time_utc is None else from_utc(time_utc)


def to_label(text: str | None) -> datetime | None:
    """Read what `from_label` wrote."""
    return None if text is None else to_utc(text)


def from_estimate(estimate: Estimate) -> Plain:
    """Make an estimate plain."""
    sources = {name: float(u) for name, u in estimate.sources.items()}
    return {"value": float(estimate.value), "u": float(estimate.u), "sources": sources}


def to_estimate(kept: Mapping[str, Any]) -> Estimate:
    """Read what `from_estimate` made."""
    return Estimate(kept["value"], kept["u"], MappingProxyType(kept["sources"]))


def from_volume(volume: KnownVolume) -> Plain:
    """Make a known volume plain."""
    return {
        "volume_m3": from_estimate(volume.volume_m3),
        "measured_utc": from_label(volume.measured_utc),
        "source": volume.source,
    }


def to_volume(kept: Mapping[str, Any]) -> KnownVolume:
    """Read what `from_volume` made."""
    return KnownVolume(
        to_estimate(kept["volume_m3"]), to_label(kept["measured_utc"]), kept["source"]
    )


def from_own_leak(leak: KnownOwnLeak) -> Plain:
    """Make a known own leak plain."""
    return {
        "flow_m3_s": from_estimate(leak.flow_m3_s),
        "measured_utc": from_utc(leak.measured_utc),
        "run": int(leak.run),
    }


def to_own_leak(kept: Mapping[str, Any]) -> KnownOwnLeak:
    """Read what `from_own_leak` made."""
    return KnownOwnLeak(to_estimate(kept["flow_m3_s"]), to_utc(kept["measured_utc"]), kept["run"])
