"""Own what the program tells the board: three kinds of lines, both ways; never decide when.

The page of the protocol is firmware_notes/protocol.md.
"""

import re
from dataclasses import dataclass
from typing import TypeAlias

from rig.link.lines import NUMBERS, LineSplitter, checksum_of, seal


@dataclass(frozen=True)
class Ask:
    """A request for a hello."""

    number: int


@dataclass(frozen=True)
class Config:
    """The samples a second that are wanted, and the lease of the supply without a beat."""

    number: int
    rate_hz: int
    lease_ms: int

    @property
    def crc(self) -> int:
        """Get the checksum of its line, by which the board acknowledges it."""
        return checksum_of(encode_command(self))


@dataclass(frozen=True)
class Beat:
    """A heartbeat: the program lives, the supply may stay."""

    number: int


Command: TypeAlias = Ask | Config | Beat


def encode_command(command: Command) -> bytes:
    """Make the line of a command."""
    number = command.number % NUMBERS
    match command:
        case Ask():
            return seal(b"ask %d" % number)
        case Config():
            return seal(b"config %d %d %d" % (number, command.rate_hz, command.lease_ms))
        case Beat():
            return seal(b"beat %d" % number)


class CommandReader:
    """The board's side: the commands in bytes that arrive in any pieces; `refused` counts lines."""

    def __init__(self) -> None:
        self._lines = LineSplitter()
        self._refused = 0

    @property
    def refused(self) -> int:
        """Get the number of lines that were not believed."""
        return self._lines.refused + self._refused

    def feed(self, data: bytes) -> list[Command]:
        """Return the commands whose lines end in `data`, in order; never raise."""
        bodies = self._lines.feed(data)
        commands = [found for body in bodies if (found := _command(body)) is not None]
        self._refused += len(bodies) - len(commands)
        return commands


_ASK_OR_BEAT = re.compile(rb"(ask|beat) (\d{1,5})")
_CONFIG = re.compile(rb"config (\d{1,5}) (\d{1,5}) (\d{1,5})")


def _command(body: bytes) -> Command | None:
    if found := _ASK_OR_BEAT.fullmatch(body):
        return Ask(int(found[2])) if found[1] == b"ask" else Beat(int(found[2]))
    if found := _CONFIG.fullmatch(body):
        return Config(*map(int, found.groups()))
    return None
