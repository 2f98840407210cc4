"""Own what makes a line of the link whole: its end, its length, its checksum; never what it says.

A line is 8 lower-case hexadecimal digits, a space, a body and a line feed (a carriage return before
it is taken for part of the end). The digits are the CRC-32 of the body (ISO 3309: reflected
polynomial EDB88320, begun with FFFFFFFF, inverted at the end). The page of the protocol is
firmware_notes/protocol.md.
"""

from zlib import crc32

MAX_LINE_BYTES = 200
"""The longest line, its end included."""
NUMBERS = 1 << 16
"""Numbers of lines run from 0 to one less than this, and begin again."""
_BEFORE_BODY = 9


def seal(body: bytes) -> bytes:
    """Make the line of a body.

    Raises ValueError where the line would be longer than MAX_LINE_BYTES or not be printable.
    """
    line = b"%08x %b\n" % (crc32(body), body)
    if len(line) > MAX_LINE_BYTES or not (body.isascii() and body.decode("ascii").isprintable()):
        raise ValueError(f"a line of the link cannot hold {body!r}")
    return line


def checksum_of(line: bytes) -> int:
    """Return the checksum that a line carries."""
    return int(line[: _BEFORE_BODY - 1], 16)


class LineSplitter:
    """The bodies of whole lines out of bytes that arrive in any pieces.

    `refused` counts lines that were too long or whose checksum is wrong, `accepted` all others;
    empty ones say nothing. What is kept between two pieces never exceeds one line.
    """

    def __init__(self) -> None:
        self.accepted = 0
        self.refused = 0
        self._rest = b""

    def feed(self, data: bytes) -> list[bytes]:
        """Return the bodies of the lines that end in `data`, in order."""
        lines = (self._rest + data).split(b"\n")
        # A line that is too long already stays so when cut, and is refused where it ends.
        self._rest = lines.pop()[:MAX_LINE_BYTES]
        bodies = []
        for line in lines:
            body = line[_BEFORE_BODY:-1] if line[-1:] == b"\r" else line[_BEFORE_BODY:]
            if b"%08x " % crc32(body) == line[:_BEFORE_BODY] and len(line) < MAX_LINE_BYTES:
                bodies.append(body)
        self.accepted += len(bodies)
        self.refused += len(lines) - len(bodies) - lines.count(b"")
        return bodies
