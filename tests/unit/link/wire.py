"""Own lines of the link made without the program's code; never import it."""

POLYNOMIAL = 0xEDB88320


def crc32(data: bytes) -> int:
    """Compute the CRC-32 of ISO 3309 bit by bit."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (POLYNOMIAL if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def line(body: str | bytes) -> bytes:
    """Write a line as protocol.md says, whatever its body."""
    content = body.encode("ascii") if isinstance(body, str) else body
    return f"{crc32(content):08x} ".encode() + content + b"\n"


def lines(*bodies: str) -> bytes:
    """Write several lines."""
    return b"".join(line(body) for body in bodies)


def hello(boot: str = "3f9a1c07", at: str = "0 41250") -> bytes:
    """Write the hello of a board with p0 (14 bits, 3.3 V) and d0 (12 bits, signed, 2.5 V)."""
    return lines(
        f"hello {at} 1 stillgauge-1.0 e661 {boot} 0 0",
        f"channel {at} {boot} 0 p0 14 unsigned 3300000",
        f"channel {at} {boot} 1 d0 12 signed 2500000",
        f"ready {at} {boot} 2",
    )
