"""Own how the moment of a change is taken down; never measure a time."""

from pathlib import Path

from rig.clock import Clock, is_set
from rig.errors import StoreError
from rig.store.records import Stamp

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boot_id() -> str:
    """Get what Linux calls this boot: monotonic times of one boot have one zero.

    Raises StoreError where it cannot be read.
    """
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError as error:
        raise StoreError(f"{_BOOT_ID}: {error.strerror}. The rig needs Linux's /proc.") from error


def stamp(clock: Clock, boot: str) -> Stamp:
    """Take down now."""
    utc = clock.utc()
    return Stamp(utc, is_set(utc), boot, clock.mono_s())


def in_name(utc_stamp: Stamp) -> str:
    """Write a moment so that it can stand in a file's name: 20261125T040146Z."""
    return utc_stamp.utc.strftime("%Y%m%dT%H%M%SZ")
