"""Tests of what makes a line whole."""

import itertools
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.link.lines import MAX_LINE_BYTES, LineSplitter, checksum_of, seal
from tests.unit.link import wire


def test_the_checksum_is_the_known_one() -> None:
    """CRC-32 of "123456789" is cbf43926, the check value that catalogues of CRCs give."""
    assert seal(b"123456789") == b"cbf43926 123456789\n"
    assert wire.crc32(b"123456789") == 0xCBF43926
    assert checksum_of(b"cbf43926 123456789\n") == 0xCBF43926


@pytest.mark.parametrize("body", [b"x" * 191, b"two\nlines", b"t\tab", b"caf\xc3\xa9", b"nul\0"])
def test_what_no_line_can_hold_is_not_sealed(body: bytes) -> None:
    """A line is printable ASCII and at most 200 bytes long."""
    with pytest.raises(ValueError, match="cannot hold"):
        seal(body)


def test_the_longest_line_is_read_and_one_byte_more_is_not() -> None:
    """200 bytes with the line feed are the most, also for a line that another program made."""
    splitter = LineSplitter()
    longest = wire.line(b"x" * 190)
    assert len(longest) == MAX_LINE_BYTES == 200
    assert splitter.feed(longest + wire.line(b"x" * 191)) == [b"x" * 190]
    assert (splitter.accepted, splitter.refused) == (1, 1)


def test_a_carriage_return_before_the_end_is_part_of_the_end() -> None:
    """A board whose output turns a line feed into two bytes is understood."""
    assert LineSplitter().feed(b"cbf43926 123456789\r\n") == [b"123456789"]


def test_an_empty_line_says_nothing() -> None:
    """It is neither accepted nor refused."""
    splitter = LineSplitter()
    assert splitter.feed(b"\n\ncbf43926 123456789\n\n") == [b"123456789"]
    assert (splitter.accepted, splitter.refused) == (1, 0)


@pytest.mark.parametrize(
    "line",
    [
        b"CBF43926 123456789\n",
        b"cbf43926  123456789\n",
        b"cbf43926\t123456789\n",
        b"cbf43926123456789\n",
        b" cbf43926 123456789\n",
        b"cbf43926 123456789 \n",
        b"0xbf43926 123456789\n",
        b"cbf43926\n",
        b"cbf43926 12345678\n",
    ],
)
def test_almost_a_line_is_refused(line: bytes) -> None:
    """Nothing but the checksum's own eight digits, one space and the body is a line."""
    splitter = LineSplitter()
    assert splitter.feed(line) == []
    assert splitter.refused == 1


BODIES = st.binary(max_size=40).filter(lambda body: b"\n" not in body and body[-1:] != b"\r")
PIECES = st.one_of(BODIES.map(wire.line), st.binary(max_size=60))


@given(st.lists(PIECES, max_size=8), st.lists(st.integers(0, 400), max_size=8))
@settings(derandomize=True, max_examples=150, deadline=None)
def test_how_the_bytes_are_cut_makes_no_difference(pieces: list[bytes], cuts: list[int]) -> None:
    """The same lines come out of the same bytes, in whatever pieces these arrive."""
    data = b"".join(pieces)
    whole = LineSplitter()
    bodies = whole.feed(data)
    at = sorted({0, *(cut for cut in cuts if cut < len(data)), len(data)})
    splitter = LineSplitter()
    found = [body for i, j in itertools.pairwise(at) for body in splitter.feed(data[i:j])]
    assert found == bodies
    assert (splitter.accepted, splitter.refused) == (whole.accepted, whole.refused)


@given(st.binary(max_size=1000))
@settings(derandomize=True, max_examples=150, deadline=None)
def test_the_next_good_line_is_read_after_any_bytes(noise: bytes) -> None:
    """Noise costs at most the line that it runs into."""
    splitter = LineSplitter()
    splitter.feed(noise)
    splitter.feed(b"\n")
    assert splitter.feed(b"cbf43926 123456789\n") == [b"123456789"]


def test_noise_without_an_end_is_not_kept() -> None:
    """Four megabytes without a line feed leave no more behind than a line is long."""
    splitter = LineSplitter()
    noise = b"\xa5" * 4096
    splitter.feed(noise)
    tracemalloc.start()
    for _ in range(1000):
        assert splitter.feed(noise) == []
    kept_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert kept_bytes < 5000
    assert splitter.feed(b"\ncbf43926 123456789\n") == [b"123456789"]
    assert splitter.refused == 1
