"""Tests of how whole numbers are packed: exactly, small, and never read wrong when damaged."""

import zlib
from itertools import accumulate

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis.extra import numpy as st_np

from rig.store.curves import pack, unpack

STREAM_FROM = 16


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st_np.arrays(np.int64, st_np.array_shapes(min_dims=1, max_dims=2, min_side=0, max_side=40)))
def test_any_numbers_come_back_exactly(numbers: np.ndarray) -> None:
    """Every 64-bit number, in one column or several, none left out, none added."""
    back = unpack(pack(numbers))
    assert back.dtype == np.int64
    assert back.shape == numbers.shape
    np.testing.assert_array_equal(back, numbers)
    assert back.flags.writeable
    assert back.flags.c_contiguous


@pytest.mark.parametrize(
    "numbers",
    [
        [2**63 - 1, -(2**63), 2**63 - 1, 0, -1],
        [-(2**63)] * 3,
        [0, 255, 256, 65_535, 65_536, 2**32 - 1, 2**32],
        [-128, 127, -129, 128],
        [],
        [42],
    ],
)
def test_the_ends_of_every_width_come_back(numbers: list[int]) -> None:
    """Differences that wrap at 64 bits, and the edges between one and more bytes a number."""
    np.testing.assert_array_equal(
        unpack(pack(np.array(numbers, dtype=np.int64))), np.array(numbers, dtype=np.int64)
    )


def _by_hand(packed: bytes) -> list[list[int]]:
    """Read a packed array as its form is described, with Python's own numbers alone."""
    form, _axes, times, width = packed[:4]
    columns = int.from_bytes(packed[4:8], "little")
    samples = int.from_bytes(packed[8:12], "little")
    assert form == 1
    plain = zlib.decompress(packed[STREAM_FROM:])
    size = columns * samples
    folded = [sum(plain[k * size + i] << (8 * k) for k in range(width)) for i in range(size)]
    numbers = [(each >> 1) if each % 2 == 0 else -(each >> 1) - 1 for each in folded]
    found = []
    for column in range(columns):
        row = numbers[column * samples : (column + 1) * samples]
        for _ in range(times):
            row = list(accumulate(row))
        found.append(row)
    return found


def test_the_form_is_the_one_that_is_described() -> None:
    """Whoever has only the description reads what was packed: it will be needed in years."""
    rng = np.random.default_rng(5)
    level = 20_000 + np.cumsum(rng.integers(-3, 4, 300))
    for numbers in (
        rng.integers(-100, 100, (50, 3)),
        np.arange(1000) * 5000 + rng.integers(-9, 9, 1000),
        np.stack([level, -level], axis=1),
    ):
        columns = numbers.reshape(len(numbers), -1).T
        assert _by_hand(pack(numbers)) == columns.tolist()


def test_what_an_earlier_program_packed_is_still_read() -> None:
    """These bytes are in databases: form 1, once differenced, two bytes, 2 columns of 3."""
    header = bytes.fromhex("010201020200000003000000")
    stream = zlib.compress(bytes([0xD0, 2, 1, 0x0F, 0, 4, 0x07, 0, 0, 0, 0, 0]))
    packed = header + zlib.crc32(header + stream).to_bytes(4, "little") + stream
    # 0x07d0 is 2 * 1000; 2 is +1, 1 is -1; 0x0f is -8, 4 is +2
    np.testing.assert_array_equal(unpack(packed), [[1000, -8], [1001, -8], [1000, -6]])


def test_a_minute_of_a_bench_is_small() -> None:
    """60 s at 200 Hz of five channels take less than 1.6 bytes a number, times included.

    Measured elsewhere on such counts: 1.55 bytes with differences, shuffled bytes and zlib.
    """
    rng = np.random.default_rng(11)
    time_s = np.arange(12_000) / 200.0
    levels = [
        20_000.0 + 3000.0 * (1.0 - np.exp(-time_s / 8.0)) + rng.normal(0.0, 3.0, 12_000),
        *(30_000.0 + rng.normal(0.0, noise, 12_000) for noise in (2.0, 2.0, 4.0, 2.0)),
    ]
    counts = np.stack(levels, axis=1).round().astype(np.int64)
    sequence = np.arange(12_000)
    mcu_us = sequence * 5000 + rng.integers(-20, 21, 12_000)
    assert len(pack(counts)) < 1.6 * counts.size
    assert len(pack(sequence)) < 100
    assert len(pack(sequence) + pack(mcu_us) + pack(counts)) < 60_000


def test_damage_is_told_and_never_read_as_numbers() -> None:
    """Any bit that flips, any byte that is lost: the array is refused."""
    numbers = np.arange(40).reshape(20, 2) * 321 - 77
    packed = pack(numbers)
    for place in range(len(packed)):
        for flip in (0x01, 0x80):
            damaged = bytearray(packed)
            damaged[place] ^= flip
            with pytest.raises(ValueError, match="not a packed curve"):
                unpack(bytes(damaged))
    for cut in range(len(packed)):
        with pytest.raises(ValueError, match="not a packed curve"):
            unpack(packed[:cut])


def test_only_whole_numbers_in_rows_are_packed() -> None:
    """Anything else is refused, rather than rounded or cut."""
    for wrong in (np.zeros(3), np.zeros((2, 2, 2), dtype=np.int64), np.zeros(2, dtype=np.int32)):
        with pytest.raises(ValueError, match="cannot pack"):
            pack(wrong)
