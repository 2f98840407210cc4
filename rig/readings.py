"""Own the records of what a board sends, raw and converted; never convert it."""

from collections.abc import Mapping
from dataclasses import dataclass

from rig.arrays import FloatArray, IntArray
from rig.records import Finding


@dataclass(frozen=True)
class ChannelSpec:
    """A channel of the board as its hello describes it.

    Code 2^bits (signed: 2^(bits - 1)) would be `full_scale_v` at the converter's input.
    """

    name: str
    bits: int
    full_scale_v: float
    signed: bool = False


@dataclass(frozen=True)
class Samples:
    """Frames of raw counts that arrived together, oldest first, none left out.

    `sequence` (n,) counts frames since the board's start, without wrapping; `mcu_us` (n,) is the
    board's own time; `counts` (n, channels) follows the channel table of the board's hello.
    `host_mono_s` is when the host read the newest. `missing` frames never arrived, before or
    between these.
    """

    sequence: IntArray
    mcu_us: IntArray
    counts: IntArray
    host_mono_s: float
    missing: int = 0


@dataclass(frozen=True)
class Readings:
    """Samples as physical values, by the channel names of the bench file.

    `time_mono_s` (n,) is the host's monotonic time of each. `values` holds (n,) arrays in SI
    (absolute Pa, K, V, m), NaN where a reading is unusable; `flags` says why, one finding a kind
    of fault, with the channel, its reading and the likely cause.
    """

    samples: Samples
    time_mono_s: FloatArray
    values: Mapping[str, FloatArray]
    flags: tuple[Finding, ...] = ()
