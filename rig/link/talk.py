"""Own the talk with a board over one open port, until that port is lost; never wait or reopen it.

Nothing that a board says is believed before it has introduced itself whole and has taken the
configuration.
"""

from dataclasses import dataclass, replace
from typing import TypeAlias

from rig.errors import LinkError, LinkLost
from rig.link.commands import Ask, Beat, Command, Config, encode_command
from rig.link.frames import (
    PROTOCOL,
    Ack,
    BoardFault,
    Decoder,
    Echo,
    Hello,
    Message,
    OtherProtocol,
    SupplyState,
)
from rig.link.port import Port
from rig.readings import Samples

SILENCE_S = 3.0
"""A board that streams and then says nothing for so long is gone, whatever the port says."""
HELLO_WITHIN_S = 5.0
"""Ample for a board that starts anew when its port is opened."""
ASK_EVERY_S = 0.5
CONFIG_EVERY_S = 0.3
CONFIG_TIMES = 5
BEATS_A_LEASE = 8
"""More beats than that are not sent, however often one is given."""
_FLASH = "flash the firmware that came with this program (firmware_notes/README.md)"


@dataclass(frozen=True)
class Connected:
    """The board took the configuration: what it says from now on is believed."""

    hello: Hello


@dataclass(frozen=True)
class Restarted:
    """The board began anew while it streamed: its supply dropped, and it is greeted again."""

    hello: Hello


Heard: TypeAlias = Connected | Restarted | Samples | BoardFault | SupplyState


class Talk:
    """What is said over one port, from the first question on."""

    def __init__(self, port: Port, *, rate_hz: int, lease_s: float, now_s: float) -> None:
        self._port = port
        self._rate_hz = rate_hz
        self._lease_ms = round(lease_s * 1000.0)
        self._decoder = Decoder()
        self._hello: Hello | None = None
        self._streaming = False
        self._number = 0
        self._greeting_since_s = now_s
        self._bytes_s = self._line_s = float("-inf")
        self._next_s = now_s
        self._next_beat_s = now_s
        self._configs: list[int] = []
        self._echoes = False

    @property
    def streaming(self) -> bool:
        """Whether the board has taken the configuration, and is believed."""
        return self._streaming

    @property
    def decoder(self) -> Decoder:
        """Get the decoder, which counts what was refused and what is missing."""
        return self._decoder

    def poll(self, now_s: float, heard: list[Heard]) -> None:
        """Add to `heard` what has come, and say what is due.

        Raises LinkLost where the board is gone or cannot be understood, LinkError where its
        firmware is of another version.
        """
        data = self._port.read()
        if data:
            accepted = self._decoder.accepted
            self._bytes_s = self._port.read_mono_s
            for message in self._decoder.feed(data, self._bytes_s):
                self._take(message, now_s, heard)
            if self._decoder.accepted > accepted:
                self._line_s = self._bytes_s
        if not self._streaming:
            self._greet(now_s)
        elif now_s - self._line_s > SILENCE_S:
            raise LinkLost(self._why_silent(now_s))

    def beat(self, now_s: float) -> None:
        """Send a heartbeat if the board is believed and one is due.

        Raises LinkLost where the port is gone.
        """
        if self._streaming and now_s >= self._next_beat_s:
            self._next_beat_s = now_s + self._lease_ms / 1000.0 / BEATS_A_LEASE
            self._say(Beat(self._number))

    def close(self) -> None:
        """Let go of the port."""
        self._streaming = False
        self._port.close()

    def _take(self, message: Message, now_s: float, heard: list[Heard]) -> None:
        match message:
            case Hello():
                self._met(message, now_s, heard)
            case Ack(crc) if self._hello is not None and crc in self._configs:
                self._streaming = True
                self._configs = []
                heard.append(Connected(self._hello))
            case OtherProtocol(version, firmware):
                raise LinkError(_other_firmware(version, firmware))
            case Echo():
                self._echoes = True
            case BoardFault("config_refused", _, detail) if self._configs:
                raise LinkLost(self._why_not_taken(detail))
            case Samples() | BoardFault() | SupplyState() if self._streaming:
                heard.append(message)

    def _met(self, hello: Hello, now_s: float, heard: list[Heard]) -> None:
        """Take a hello; one with the boot that is known already is an answer too many."""
        if self._hello is not None and self._hello.boot == hello.boot:
            return
        hello = replace(hello, rate_hz=self._rate_hz, lease_ms=self._lease_ms)
        if self._streaming:
            heard.append(Restarted(hello))
        self._hello = hello
        self._streaming = False
        self._configs = []
        self._next_s = now_s

    def _greet(self, now_s: float) -> None:
        """Ask for a hello, or for the configuration to be taken, as often as is due."""
        if self._hello is None and now_s - self._greeting_since_s > HELLO_WITHIN_S:
            raise LinkLost(self._why_no_hello())
        if now_s < self._next_s:
            return
        if self._hello is None:
            self._next_s = now_s + ASK_EVERY_S
            self._say(Ask(self._number))
            return
        if len(self._configs) == CONFIG_TIMES:
            raise LinkLost(self._why_not_taken("no answer"))
        config = Config(self._number, self._rate_hz, self._lease_ms)
        self._configs.append(config.crc)
        self._next_s = now_s + CONFIG_EVERY_S
        self._say(config)

    def _say(self, command: Command) -> None:
        self._number += 1
        self._port.write(encode_command(command))

    def _why_silent(self, now_s: float) -> str:
        if now_s - self._bytes_s > SILENCE_S:
            return f"The board has said nothing for {SILENCE_S:g} s: look at its cable and power."
        return (
            f"For {SILENCE_S:g} s nothing that came from the board was whole: look at its cable, "
            "and at what disturbs it."
        )

    def _why_no_hello(self) -> str:
        if self._echoes:
            return (
                "What is at the port repeats what it is told, as a board without its firmware "
                f"does: {_FLASH}."
            )
        if self._bytes_s < self._greeting_since_s:
            return f"Nothing answers at the port: look at the board's power, or {_FLASH}."
        if self._line_s < self._greeting_since_s:
            return (
                "What is at the port sends something else than the board does: look whether "
                f"link.port names another device; if it is the board, {_FLASH}."
            )
        return (
            "The board speaks, and never introduced itself whole: look at its cable, and at what "
            "disturbs it."
        )

    def _why_not_taken(self, answer: str) -> str:
        return (
            f"The board does not take {self._rate_hz} samples a second with a lease of "
            f"{self._lease_ms} ms ({answer}): look at rate_hz and lease_ms in the bench file."
        )


def _other_firmware(version: int, firmware: str) -> str:
    return (
        f"The board's firmware ({firmware or 'no name'}) speaks version {version} of the protocol, "
        f"this program version {PROTOCOL}: {_FLASH}."
    )
