"""Tests of what the program tells the board."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.link.commands import Ask, Beat, Command, CommandReader, Config, encode_command
from tests.unit.link import wire

BY_HAND = {
    "ask 0": Ask(0),
    "config 1 200 500": Config(1, 200, 500),
    "beat 65535": Beat(65535),
}


@pytest.mark.parametrize(("body", "command"), BY_HAND.items())
def test_a_command_is_the_line_of_the_page(body: str, command: Command) -> None:
    """What is written is what protocol.md shows, and is read back as the same."""
    assert encode_command(command) == wire.line(body)
    assert CommandReader().feed(wire.line(body)) == [command]


def test_numbers_begin_again_after_65535() -> None:
    """The program's count of lines may run on: what is sent has at most five digits."""
    assert encode_command(Beat(65536 + 7)) == wire.line("beat 7")


def test_a_configuration_is_known_by_its_checksum() -> None:
    """The board acknowledges the line that it took, not the values in it."""
    assert Config(1, 200, 500).crc == wire.crc32(b"config 1 200 500") == 0xA10BCE0B


@pytest.mark.parametrize(
    "body",
    [
        *("", "beat", "beat x", "beat 1 2", "beat -1", "beat 123456", "beat  1", "Beat 1"),
        *("config 1 200", "config 1 200 500 1", "ask 1 ", "supply 0 1 on", "0 1 2 3"),
    ],
)
def test_what_is_no_command_is_refused(body: str) -> None:
    """A line with the right checksum and the wrong words is counted, and nothing else."""
    reader = CommandReader()
    assert reader.feed(wire.line(body)) == []
    assert reader.refused == 1


@given(st.binary(max_size=200), st.integers(0, 65535))
@settings(derandomize=True, max_examples=100, deadline=None)
def test_any_bytes_may_come_before(noise: bytes, number: int) -> None:
    """A board that reads with this is stopped by nothing, and reads the next command."""
    reader = CommandReader()
    reader.feed(noise)
    assert reader.feed(b"\n" + wire.line(f"beat {number}"))[-1:] == [Beat(number)]
