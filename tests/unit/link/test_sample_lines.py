"""Tests of how lines of counts become samples."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.link.sample_lines import SampleReader
from rig.readings import ChannelSpec, Samples

CHANNELS = (ChannelSpec("p0", 14, 3.3), ChannelSpec("d0", 12, 2.5, signed=True))


def _read(*bodies: str) -> tuple[Samples | None, SampleReader]:
    reader = SampleReader(CHANNELS)
    return reader.read([body.encode("ascii") for body in bodies], 5.0), reader


def _sequence(*bodies: str) -> list[int]:
    samples, _ = _read(*bodies)
    return [] if samples is None else samples.sequence.tolist()


def test_lines_become_arrays() -> None:
    """Number, time and counts stand where they belong, one row a line, as whole numbers."""
    samples, reader = _read("65534 1073736824 16380 -2048", "65535 1073741824 8190 2047")
    assert samples is not None
    assert samples.sequence.tolist() == [65534, 65535]
    assert samples.mcu_us.tolist() == [1073736824, 1073741824]
    assert samples.counts.tolist() == [[16380, -2048], [8190, 2047]]
    assert {array.dtype for array in (samples.sequence, samples.mcu_us, samples.counts)} == {
        np.dtype(np.int64)
    }
    assert (samples.host_mono_s, samples.missing, reader.refused) == (5.0, 0, 0)


def test_numbers_run_on_past_their_wrap() -> None:
    """After 65535 comes 0 on the wire and 65536 in the record."""
    assert _sequence("65535 1 0 0", "0 2 0 0", "1 3 0 0") == [65535, 65536, 65537]


def test_the_second_wrap_is_counted_as_well() -> None:
    """Three rounds of numbers, a thousand apart, never run back: 999 are missing at each step."""
    reader = SampleReader(CHANNELS)
    numbers = range(0, 3 * 65536, 1000)
    for number in numbers:
        samples = reader.read([b"%d %d 0 0" % (number % 65536, 1 + number)], 0.0)
        assert samples is not None
        assert samples.sequence.tolist() == [number]
    assert reader.missing == 999 * (len(numbers) - 1)


def test_a_gap_is_counted_before_and_between() -> None:
    """`missing` is what was lost within a batch and since the last one; nothing at the start."""
    reader = SampleReader(CHANNELS)
    first = reader.read([b"40000 1 0 0", b"40003 2 0 0"], 0.0)
    second = reader.read([b"40005 3 0 0"], 0.0)
    assert first is not None
    assert second is not None
    assert (first.missing, second.missing, reader.missing) == (2, 1, 3)
    assert [*first.sequence.tolist(), *second.sequence.tolist()] == [40000, 40003, 40005]


def test_a_duplicate_is_refused() -> None:
    """The same sample twice counts once, within a batch and across two."""
    reader = SampleReader(CHANNELS)
    first = reader.read([b"7 100 1 1", b"7 100 1 1", b"8 105 2 2"], 0.0)
    assert first is not None
    assert first.counts.tolist() == [[1, 1], [2, 2]]
    assert reader.read([b"8 105 2 2"], 0.0) is None
    assert (reader.refused, reader.missing) == (2, 0)


def test_a_sample_that_runs_back_is_refused() -> None:
    """Time in the record never runs back; what comes late stays missing."""
    reader = SampleReader(CHANNELS)
    samples = reader.read([b"7 100 0 0", b"9 110 0 0", b"8 105 0 0", b"10 115 0 0"], 0.0)
    assert samples is not None
    assert samples.sequence.tolist() == [7, 9, 10]
    assert samples.mcu_us.tolist() == [100, 110, 115]
    assert (samples.missing, reader.refused) == (1, 1)


@pytest.mark.parametrize(
    "counts", ["16384 0", "-1 0", "0 2048", "0 -2049", "99999999999999999999 0", "0 -" + "9" * 25]
)
def test_a_count_outside_its_channel_is_refused(counts: str) -> None:
    """14 bits end at 16383; 12 signed ones at -2048 and 2047. The neighbours stay."""
    samples, reader = _read("1 10 0 0", f"2 20 {counts}", "3 30 16383 -2048")
    assert samples is not None
    assert samples.sequence.tolist() == [1, 3]
    assert samples.counts.tolist() == [[0, 0], [16383, -2048]]
    assert (samples.missing, reader.refused) == (1, 1)


@pytest.mark.parametrize("body", ["2 20", "2 20 1", "2 20 1 2 3", "2", ""])
def test_a_wrong_number_of_counts_is_refused(body: str) -> None:
    """Too few and too many counts: neither is guessed at, and no neighbour lends one."""
    samples, reader = _read("1 10 0 0", body, "3 30 0 0")
    assert samples is not None
    assert samples.sequence.tolist() == [1, 3]
    assert reader.refused == 1


def test_lines_that_make_up_for_each_other_are_both_refused() -> None:
    """One count too few and one too many give the right sum, and still no sample."""
    assert _sequence("1 10 0", "2 20 0 0 5") == []


@pytest.mark.parametrize(
    "body",
    [
        *("2 20 1_0 0", "2 20 +1 0", "2 20 1e3 0", "2 20 0x1 0", "2 20 --1 0", "2 20 1-1 0"),
        *("2 20 - 0", "2 20 0 -", "2 20  0", " 20 0 0", "2 20 0 ", "2\t20 0 0", "2 -20 0 0"),
        *("-2 20 0 0", "65536 20 0 0", "2 20 0 0 ", "2 1000000000000000000 0 0", "2 20 0 1.0"),
    ],
)
def test_what_is_no_whole_number_in_its_place_is_refused(body: str) -> None:
    """What Python's own reading of numbers would let pass does not pass here."""
    samples, reader = _read("1 10 0 0", body, "3 30 0 0")
    assert samples is not None
    assert samples.sequence.tolist() == [1, 3]
    assert reader.refused == 1


def _by_the_page(body: str) -> list[int] | None:
    """Read one line as protocol.md words it, digit by digit."""
    if not re.fullmatch(r"[0-9]+ [0-9]+( -?[0-9]+){2}", body):
        return None
    number, mcu_us, p0, d0 = (int(word) for word in body.split(" "))
    fits = number < 65536 and mcu_us < 10**18 and 0 <= p0 < 16384 and -2048 <= d0 < 2048
    return [number, mcu_us, p0, d0] if fits else None


WORD = st.one_of(st.integers(-3000, 70000).map(str), st.text("0123456789- +_x", max_size=4))


@given(st.lists(st.lists(WORD, min_size=3, max_size=5).map(" ".join), min_size=1, max_size=6))
@settings(derandomize=True, max_examples=300, deadline=None)
def test_any_text_is_read_as_the_page_says_or_refused(bodies: list[str]) -> None:
    """Line by line the same is believed as by a plain reading of the page, in order of time."""
    expected: list[list[int]] = []
    for row in filter(None, map(_by_the_page, bodies)):
        if not expected or row[1] > expected[-1][1]:
            expected.append(row)
    samples, reader = _read(*bodies)
    found = []
    if samples is not None:
        numbers = samples.sequence[:, None] % 65536
        found = np.hstack([numbers, samples.mcu_us[:, None], samples.counts]).tolist()
    assert found == expected
    assert reader.refused == len(bodies) - len(expected)
