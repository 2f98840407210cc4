"""Own ticks that wrap as a small board's do, at 30 bits; never anything but the ticks.

Runs in MicroPython, in place of the built-in module. TICKS_START in the environment says where they
begin.
"""

import os

from utime import ticks_us as _ticks_us

_WRAP = 1 << 30
_START = int(os.getenv("TICKS_START") or 0) - _ticks_us()


def ticks_us():
    """Return the ticks, which wrap after 17.9 minutes."""
    return (_ticks_us() + _START) % _WRAP


def ticks_add(ticks, delta):
    """Return ticks moved by `delta`."""
    return (ticks + delta) % _WRAP


def ticks_diff(end, start):
    """Return the signed difference, right while it is below half the wrap."""
    return (end - start + _WRAP // 2) % _WRAP - _WRAP // 2
