"""Tests of how the moment of a change is taken down."""

import re
from datetime import UTC, datetime

from rig.clock import FastClock
from rig.store.stamps import boot_id, in_name, stamp


def test_a_moment_carries_what_its_label_can_be_corrected_from() -> None:
    """Wall time, whether the clock can have been set, the boot, and the monotonic time."""
    clock = FastClock(datetime(1970, 1, 1, tzinfo=UTC))
    clock.wait(2.0)
    early = stamp(clock, "boot-a")
    assert not early.clock_was_set
    assert (early.boot_id, round(early.mono_s, 6)) == ("boot-a", 1002.0)
    later = stamp(FastClock(datetime(2026, 3, 4, 5, 6, 7, tzinfo=UTC)), "boot-a")
    assert later.clock_was_set
    assert in_name(later) == "20260304T050607Z"


def test_a_boot_has_one_name() -> None:
    """It is the one that Linux gives: the same all the time, in the form of a UUID."""
    assert boot_id() == boot_id()
    assert re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", boot_id())
