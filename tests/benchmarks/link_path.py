"""Measure what one frame of the board costs on its way from the port to arrays.

Another process writes lines to a pseudo terminal at a steady rate; this one reads every 10 ms as
the daemon does. The yardstick is the least that any reader must do: read the port, and compute the
checksum of each line. Run from the root: python -m tests.benchmarks.link_path
"""

import argparse
import os
import pty
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from datetime import UTC, datetime
from zlib import crc32

import serial

from rig.clock import FastClock, SystemClock
from rig.link.frames import Decoder, Hello, encode_hello, encode_samples
from rig.link.port import SerialPort
from rig.readings import ChannelSpec, Samples
from tests.benchmarks.common import table

CHANNELS = tuple(ChannelSpec(name, 16, 3.3) for name in ("p0", "p1", "t0", "t1", "v0"))
HELLO = Hello(1, "benchmark", "none", "boot", 0, 0, CHANNELS)
COUNTS = (30_000, 12_345, 40_000, 222, 65_000)
TURN_S = 0.01
WRITER = """
import os, sys, time
sys.path.insert(0, "")
from tests.benchmarks.link_path import COUNTS, encode_samples
rate_hz, number, due_s = int(sys.argv[1]), 0, time.monotonic()
while True:
    due_s += 1.0 / rate_hz
    time.sleep(max(0.0, due_s - time.monotonic()))
    os.write(1, encode_samples(number, number * 1_000_000 // rate_hz, COUNTS))
    number += 1
"""


def nothing(_url: str) -> Callable[[], int]:
    """Make a reader that reads nothing: what the turns themselves cost."""
    return lambda: 0


def bare(url: str) -> Callable[[], int]:
    """Make the reader that is the yardstick."""
    port = serial.Serial(url, timeout=0, exclusive=True)

    def read() -> int:
        lines = port.read(max(1, port.in_waiting)).split(b"\n")
        for line in lines:
            crc32(line)
        return len(lines) - 1

    return read


def whole(url: str, *, threaded: bool = False) -> Callable[[], int]:
    """Make the program's own reader, from port to arrays."""
    port = SerialPort(url, SystemClock(), threaded=threaded)
    decoder = Decoder()
    decoder.feed(encode_hello(HELLO, 0, 0), 0.0)

    def read() -> int:
        messages = decoder.feed(port.read(), port.read_mono_s)
        return sum(len(it.sequence) for it in messages if isinstance(it, Samples))

    return read


def in_thread(url: str) -> Callable[[], int]:
    """Make the same with a thread of its own at the port."""
    return whole(url, threaded=True)


def share_of_processor(
    make: Callable[[str], Callable[[], int]], rate_hz: int, duration_s: float
) -> tuple[float, int]:
    """Read for so long; return the share of one processor that it took, and the frames read."""
    board, ours = pty.openpty()
    tty.setraw(board)
    read = make(os.ttyname(ours))
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(rate_hz)], stdout=board)
    time.sleep(1.0)
    read()
    frames, began_s, used_s = 0, time.monotonic(), time.process_time()
    while time.monotonic() < began_s + duration_s:
        time.sleep(TURN_S)
        frames += read()
    used_s = time.process_time() - used_s
    writer.kill()
    writer.wait()
    os.close(board)
    os.close(ours)
    return used_s / duration_s, frames


def decode_us(at_once: int, count: int) -> float:
    """Decode batches of so many frames, without a port; return the time of one frame [us]."""
    clock = FastClock(datetime(2026, 1, 1, tzinfo=UTC))
    batches = [
        b"".join(
            encode_samples(number, 1000 * number, COUNTS)
            for number in range(first, first + at_once)
        )
        for first in range(0, count, at_once)
    ]
    decoder = Decoder()
    decoder.feed(encode_hello(HELLO, 0, 0), 0.0)
    began_s = time.perf_counter()
    for batch in batches:
        decoder.feed(batch, clock.mono_s())
    taken_s = time.perf_counter() - began_s
    if decoder.refused or decoder.missing:
        raise RuntimeError("frames were lost")
    return 1e6 * taken_s / (len(batches) * at_once)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5, help="seconds of each paced run")
    count = parser.parse_args().count
    rows = []
    for rate_hz in (200, 1000):
        turns, _ = share_of_processor(nothing, rate_hz, count)
        least, _ = share_of_processor(bare, rate_hz, count)
        for name, make in (("bare", bare), ("whole", whole), ("whole, in a thread", in_thread)):
            share, frames = share_of_processor(make, rate_hz, count)
            own = share - turns
            per_frame_us = 1e6 * own * count / frames
            figures = f"{100.0 * own:.2f}", f"{per_frame_us:.1f}", f"{own / (least - turns):.2f}"
            rows.append([str(rate_hz), name, *figures])
    heads = ["frames/s", "reader", "% of a processor", "us a frame", "times bare"]
    print(table("Reading every 10 ms, turns of the loop taken off", heads, rows))
    rows = [[str(n), f"{decode_us(n, 20_000):.2f}"] for n in (1, 2, 10, 50, 200)]
    print(table("Decoding alone", ["frames at once", "us a frame"], rows))


if __name__ == "__main__":
    main()
