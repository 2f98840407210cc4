"""Own how whole numbers of a curve become bytes and come back exactly; never know what they mean.

A packed array is a header, the CRC-32 of all else, and a zlib stream. The numbers are differenced
along the samples none, one or two times, whichever packs smallest; the differences, wrapped at 64
bits, are folded to non-negative ones (0, -1, 1, -2 become 0, 1, 2, 3), cut to the fewest bytes that
hold them all, and stored byte by byte: all lowest bytes first.
"""

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from rig.arrays import IntArray

_HEADER = struct.Struct("<BBBBII")
"""Form, axes, times differenced, bytes a number, columns, samples."""
_CRC = struct.Struct("<I")
_BEFORE_STREAM = _HEADER.size + _CRC.size
_FORM = 1
_WIDTHS = (1, 2, 4, 8)
_MOST_DIFFERENCES = 2
_ZLIB_LEVEL = 6


def pack(numbers: IntArray) -> bytes:
    """Pack an array (n,) or (n, columns) of any int64 values.

    Raises ValueError for an array of another form.
    """
    if numbers.ndim not in (1, 2) or numbers.dtype != np.int64:
        raise ValueError(f"cannot pack {numbers.ndim} axes of {numbers.dtype}")
    columns = numbers.shape[1] if numbers.ndim == 2 else 1
    by_column = numbers.reshape(len(numbers), columns).T
    forms = (_packed(by_column, times, numbers.ndim) for times in range(_MOST_DIFFERENCES + 1))
    return min(forms, key=len)


def unpack(packed: bytes) -> IntArray:
    """Return the array that was packed, writable and its own.

    Raises ValueError when the bytes are not those of a packed array, or were damaged.
    """
    try:
        form, axes, times, width, columns, samples = _HEADER.unpack_from(packed)
        (crc,) = _CRC.unpack_from(packed, _HEADER.size)
        plain = zlib.decompress(packed[_BEFORE_STREAM:])
    except (struct.error, zlib.error) as error:
        raise ValueError(f"not a packed curve: {error}") from error
    size = columns * samples
    header = packed[: _HEADER.size]
    if form != _FORM or crc != zlib.crc32(packed[_BEFORE_STREAM:], zlib.crc32(header)):
        raise ValueError("not a packed curve: its checksum is that of something else")
    spread = np.zeros((size, 8), dtype=np.uint8)
    spread[:, :width] = np.frombuffer(plain, dtype=np.uint8).reshape(width, size).T
    folded: NDArray[np.uint64] = spread.view("<u8").astype(np.uint64).reshape(columns, samples)
    # ~0 + 1 is 0 and ~1 + 1 is all ones: the lowest bit decides whether the rest is turned over.
    numbers = ((folded >> np.uint64(1)) ^ (~(folded & np.uint64(1)) + np.uint64(1))).view(np.int64)
    for _ in range(times):
        numbers = np.cumsum(numbers, axis=1)
    if axes == 1:
        return np.ascontiguousarray(numbers.reshape(samples))
    return np.ascontiguousarray(numbers.T)


def _packed(by_column: IntArray, times: int, axes: int) -> bytes:
    numbers = by_column
    for _ in range(times):
        numbers = np.diff(numbers, axis=1, prepend=0)
    folded = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    largest = int(folded.max()) if folded.size else 0
    width = next(width for width in _WIDTHS if largest < 1 << 8 * width)
    every_byte = np.ascontiguousarray(folded.astype("<u8")).view(np.uint8).reshape(-1, 8)
    shuffled = np.ascontiguousarray(every_byte[:, :width].T)
    columns, samples = by_column.shape
    header = _HEADER.pack(_FORM, axes, times, width, columns, samples)
    stream = zlib.compress(shuffled.tobytes(), _ZLIB_LEVEL)
    return header + _CRC.pack(zlib.crc32(stream, zlib.crc32(header))) + stream
