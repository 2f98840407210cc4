"""Own what the board says: its messages, and their lines both ways; never open a port.

Each line from the board is a number, a time and what it says; all but the samples have a word in
front. The page of the protocol is firmware_notes/protocol.md.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TypeAlias

from rig.link.lines import NUMBERS, LineSplitter, seal
from rig.link.sample_lines import SampleReader
from rig.readings import ChannelSpec, Samples

PROTOCOL = 1
"""The version of the protocol that this program speaks."""
MOST_CHANNELS = 16
_MOST_BITS = 24
_MOST_UV = 1_000_000_000
_UV_PER_V = 1_000_000


class SupplyCause(StrEnum):
    """Why the board keeps the supply of the outputs off."""

    BEATS = "beats"  # no heartbeat came within the lease
    STOP = "stop"  # the stop contact is open


@dataclass(frozen=True)
class Hello:
    """A board that introduces itself; `boot` differs each time it starts."""

    protocol: int
    firmware: str
    board: str
    boot: str
    rate_hz: int
    lease_ms: int
    channels: tuple[ChannelSpec, ...]


@dataclass(frozen=True)
class OtherProtocol:
    """A board that introduces itself in a version of the protocol that is not this program's."""

    protocol: int
    firmware: str


@dataclass(frozen=True)
class BoardFault:
    """Something that the board noticed; `channel` by its name in the hello, None for the board."""

    code: str
    channel: str | None
    detail: str


@dataclass(frozen=True)
class SupplyState:
    """Whether the board keeps the supply of the outputs on; `cause` says why not."""

    on: bool
    cause: SupplyCause | None


@dataclass(frozen=True)
class Ack:
    """The board took the configuration whose line has this checksum."""

    crc: int


@dataclass(frozen=True)
class Echo:
    """A line that the program itself may have sent: whatever is there repeats what it is told."""


Message: TypeAlias = Hello | OtherProtocol | Samples | BoardFault | SupplyState | Ack | Echo


def encode_samples(number: int, mcu_us: int, counts: tuple[int, ...]) -> bytes:
    """Make the line of one sample: raw counts in the order of the hello's channels."""
    values = b" ".join([b"%d" % count for count in counts])
    return seal(b"%d %d %b" % (number % NUMBERS, mcu_us, values))


def encode_hello(hello: Hello, number: int, mcu_us: int) -> bytes:
    """Make the lines of a hello."""
    told = f"{hello.protocol} {hello.firmware} {hello.board} {hello.boot}"
    lines = [_said("hello", number, mcu_us, f"{told} {hello.rate_hz} {hello.lease_ms}")]
    for index, channel in enumerate(hello.channels):
        sign = "signed" if channel.signed else "unsigned"
        full_scale_uv = round(channel.full_scale_v * _UV_PER_V)
        told = f"{hello.boot} {index} {channel.name} {channel.bits} {sign} {full_scale_uv}"
        lines.append(_said("channel", number, mcu_us, told))
    lines.append(_said("ready", number, mcu_us, f"{hello.boot} {len(hello.channels)}"))
    return b"".join(lines)


def encode_fault(fault: BoardFault, number: int, mcu_us: int) -> bytes:
    """Make the line of a fault."""
    told = f"{fault.code} {fault.channel or '-'} {fault.detail}"
    return _said("fault", number, mcu_us, told.rstrip())


def encode_supply(state: SupplyState, number: int, mcu_us: int) -> bytes:
    """Make the line of the supply's state."""
    return _said("supply", number, mcu_us, "on" if state.cause is None else f"off {state.cause}")


def encode_ack(ack: Ack, number: int, mcu_us: int) -> bytes:
    """Make the line that acknowledges a configuration."""
    return _said("ack", number, mcu_us, f"{ack.crc:08x}")


def _said(word: str, number: int, mcu_us: int, told: str) -> bytes:
    return seal(f"{word} {number % NUMBERS} {mcu_us} {told}".encode("ascii"))


class Decoder:
    """The messages of a board out of bytes that arrive in any pieces.

    Samples are believed only after a whole hello: it alone says what their counts mean. `accepted`
    counts the lines whose checksum was right, `refused` those that were not believed, `missing` the
    samples that were passed over.
    """

    def __init__(self) -> None:
        self._lines = LineSplitter()
        self._refused = 0
        self._missing = 0
        self._hello: Hello | None = None
        self._draft: Hello | None = None
        self._samples: SampleReader | None = None

    @property
    def accepted(self) -> int:
        """Get the number of lines whose checksum was right."""
        return self._lines.accepted

    @property
    def refused(self) -> int:
        """Get the number of lines that were not believed."""
        of_samples = 0 if self._samples is None else self._samples.refused
        return self._lines.refused + self._refused + of_samples

    @property
    def missing(self) -> int:
        """Get the number of samples that were sent and never arrived."""
        return self._missing + (0 if self._samples is None else self._samples.missing)

    def feed(self, data: bytes, host_mono_s: float) -> list[Message]:
        """Return what the lines that end in `data` say, in order; never raise.

        Samples with nothing between them become one. `host_mono_s` is when `data` was read.
        """
        messages: list[Message] = []
        of_samples: list[bytes] = []
        for body in self._lines.feed(data):
            if body[:1] < b":":
                of_samples.append(body)
                continue
            self._add_samples(messages, of_samples, host_mono_s)
            of_samples = []
            told = self._told(body)
            if told is not None:
                messages.append(told)
        self._add_samples(messages, of_samples, host_mono_s)
        return messages

    def _add_samples(self, messages: list[Message], bodies: list[bytes], mono_s: float) -> None:
        if bodies and self._samples is not None:
            samples = self._samples.read(bodies, mono_s)
            if samples is not None:
                messages.append(samples)

    def _told(self, body: bytes) -> Message | None:
        """Read a line that begins with a word; None where it is refused or only part of a hello."""
        text = body.decode("ascii", errors="replace")
        word = text.split(" ", 1)[0]
        form = _FORMS.get(word)
        found = None if form is None else form.fullmatch(text)
        if found is None:
            self._refused += 1
            return None
        if word == "hello":
            return self._begin_hello(found)
        if word == "channel":
            self._add_channel(found)
            return None
        if word == "ready":
            return self._end_hello(found)
        return _READERS[word](found)

    def _begin_hello(self, found: re.Match[str]) -> OtherProtocol | None:
        self._draft = None
        protocol = int(found["protocol"])
        if protocol != PROTOCOL:
            self._forget()
            return OtherProtocol(protocol, (found["rest"] or "").split(" ")[0])
        rest = _HELLO.fullmatch(found["rest"] or "")
        if rest is None:
            self._refused += 1
            return None
        numbers = int(rest["rate_hz"]), int(rest["lease_ms"])
        self._draft = Hello(protocol, rest["firmware"], rest["board"], rest["boot"], *numbers, ())
        if self._hello is not None and self._hello.boot != self._draft.boot:
            self._forget()
        return None

    def _add_channel(self, found: re.Match[str]) -> None:
        channel = ChannelSpec(
            found["name"],
            int(found["bits"]),
            int(found["full_scale_uv"]) / _UV_PER_V,
            found["sign"] == "signed",
        )
        draft = self._draft
        fits = (
            draft is not None
            and draft.boot == found["boot"]
            and len(draft.channels) == int(found["index"]) < MOST_CHANNELS
            and channel.name not in {known.name for known in draft.channels}
            and 0 < channel.bits <= _MOST_BITS
            and 0 < int(found["full_scale_uv"]) <= _MOST_UV
        )
        if draft is None or not fits:
            self._refuse_hello()
        else:
            self._draft = replace(draft, channels=(*draft.channels, channel))

    def _end_hello(self, found: re.Match[str]) -> Hello | None:
        hello, self._draft = self._draft, None
        told = found["boot"], int(found["channels"])
        if hello is None or told != (hello.boot, len(hello.channels)) or not hello.channels:
            self._refuse_hello()
            return None
        known = self._hello
        if known is None or (known.boot, known.channels) != (hello.boot, hello.channels):
            self._forget()
            self._samples = SampleReader(hello.channels)
        self._hello = hello
        return hello

    def _refuse_hello(self) -> None:
        self._draft = None
        self._refused += 1

    def _forget(self) -> None:
        """Believe no more samples: another board, or the same begun anew, is about to speak."""
        self._refused, self._missing = self.refused - self._lines.refused, self.missing
        self._hello = None
        self._samples = None


_NAME = r"[A-Za-z0-9_.-]{1,24}"
_BEFORE = r"(?P<number>\d{1,5}) (?P<mcu_us>\d{1,18})"
_FORMS: Mapping[str, re.Pattern[str]] = {
    word: re.compile(rf"{word} {_BEFORE} {rest}", re.ASCII)
    for word, rest in {
        "hello": r"(?P<protocol>\d{1,5})(?: (?P<rest>[ -~]*))?",
        "channel": (
            rf"(?P<boot>{_NAME}) (?P<index>\d{{1,2}}) (?P<name>{_NAME}) (?P<bits>\d{{1,2}}) "
            r"(?P<sign>signed|unsigned) (?P<full_scale_uv>\d{1,10})"
        ),
        "ready": rf"(?P<boot>{_NAME}) (?P<channels>\d{{1,2}})",
        "fault": rf"(?P<code>{_NAME}) (?P<channel>{_NAME})(?: (?P<detail>[ -~]*))?",
        "supply": r"(?:on|off (?P<cause>beats|stop))",
        "ack": r"(?P<crc>[0-9a-f]{8})",
    }.items()
} | {word: re.compile(rf"{word} [ -~]*") for word in ("ask", "config", "beat")}
_HELLO = re.compile(
    rf"(?P<firmware>{_NAME}) (?P<board>{_NAME}) (?P<boot>{_NAME}) "
    r"(?P<rate_hz>\d{1,5}) (?P<lease_ms>\d{1,5})",
    re.ASCII,
)


def _read_fault(found: re.Match[str]) -> BoardFault:
    channel = None if found["channel"] == "-" else found["channel"]
    return BoardFault(found["code"], channel, found["detail"] or "")


def _read_supply(found: re.Match[str]) -> SupplyState:
    cause = found["cause"]
    return SupplyState(on=cause is None, cause=None if cause is None else SupplyCause(cause))


def _echo(_found: re.Match[str]) -> Echo:
    return Echo()


_READERS: Mapping[str, Callable[[re.Match[str]], Message]] = {
    "fault": _read_fault,
    "supply": _read_supply,
    "ack": lambda found: Ack(int(found["crc"], 16)),
    "ask": _echo,
    "config": _echo,
    "beat": _echo,
}
