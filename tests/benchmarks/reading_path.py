"""Measure the reading path at 1,000 frames/s beside a bare read with CRC, in one run.

Two simulated boards live in processes of their own. One process reads its board the program's way:
port, session, channels, store. Another only reads lines and computes a CRC-32 of each, turning as
often. What each took of a processor is its own clock's word.
"""

import argparse
import binascii
import multiprocessing
import tempfile
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from multiprocessing.synchronize import Event
from pathlib import Path

import serial

from rig.clock import SystemClock
from rig.config import Bench, parse_bench
from rig.daemon.loop import TICK_S
from rig.link.port import SerialPort
from rig.link.session import Connected, Session
from rig.readings import Samples
from rig.records import Purpose
from rig.runs import RunPlan, RunSetup
from rig.sensing.channels import ChannelReader
from rig.sim.bench import simulated_bench_text
from rig.sim.device import SimDevice
from rig.sim.plant import BenchPlant
from rig.store.store import Store
from tests.benchmarks.common import table

RATE_HZ = 1000
_READY_S = 5.0


class _NoWires:
    """A board whose pins drive nothing."""

    def energised(self) -> Mapping[str, bool]:
        """Get no output as energised."""
        return {}

    def press(self, name: str) -> None:
        """Press nothing."""

    def release(self, name: str) -> None:
        """Release nothing."""

    def has_button(self, name: str) -> bool:
        """Tell that there is none."""
        return bool(name) and False


def _bench(folder: Path) -> Bench:
    text = simulated_bench_text(str(folder / "board"), folder, journal=None, rate_hz=RATE_HZ)
    return parse_bench(text, "benchmark")


def _board(folder: Path, ended: Event) -> None:
    device = SimDevice(BenchPlant(), _bench(folder), _NoWires())
    device.run_thread(SystemClock())
    ended.wait()
    device.close()


def _connected(bench: Bench, *, threaded: bool) -> tuple[Session, Connected]:
    clock = SystemClock()
    session = Session(
        lambda: SerialPort(bench.link.port, clock, threaded=threaded),
        rate_hz=RATE_HZ,
        lease_s=bench.link.lease_s,
        clock=clock,
    )
    until_s = time.monotonic() + _READY_S
    while time.monotonic() < until_s:
        for event in session.poll():
            if isinstance(event, Connected):
                return session, event
        time.sleep(TICK_S)
    raise RuntimeError("the simulated board did not answer")


def _whole_path(folder: Path, lasting_s: float, told: "multiprocessing.Queue[object]") -> None:
    bench, clock = _bench(folder), SystemClock()
    session, connected = _connected(bench, threaded=True)
    reader = ChannelReader(bench, connected.hello.channels)
    setup = RunSetup(
        bench.text, connected.hello.channels, "", "", "", "", 0.0, datetime.now(UTC), True
    )
    plan = RunPlan("speed", "rig", "", Purpose.JUST_MEASURE, ())
    frames = missing = 0
    with Store.open(folder, clock) as store:
        run = store.begin(plan, setup)
        began_s, cpu_s = time.monotonic(), time.process_time()
        while time.monotonic() < began_s + lasting_s:
            for event in session.poll():
                if isinstance(event, Samples):
                    frames += event.sequence.size
                    missing += event.missing
                    reader.read(event)
                    store.add_samples(run, event)
            session.beat()
            time.sleep(TICK_S)
        cpu_s, wall_s = time.process_time() - cpu_s, time.monotonic() - began_s
    session.close()
    told.put(("whole", frames, missing, cpu_s, wall_s))


def _bare_path(folder: Path, lasting_s: float, told: "multiprocessing.Queue[object]") -> None:
    bench = _bench(folder)
    session, _ = _connected(bench, threaded=False)
    # The board streams on; only the bytes are read from here.
    session.close()
    port = serial.Serial(bench.link.port, 115_200, timeout=0.0)
    frames, rest = 0, b""
    began_s, cpu_s = time.monotonic(), time.process_time()
    while time.monotonic() < began_s + lasting_s:
        *lines, rest = (rest + port.read(max(1, port.in_waiting))).split(b"\n")
        for line in lines:
            binascii.crc32(line)
        frames += len(lines)
        time.sleep(TICK_S)
    cpu_s, wall_s = time.process_time() - cpu_s, time.monotonic() - began_s
    told.put(("bare", frames, 0, cpu_s, wall_s))


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="how long both read")
    args = parser.parse_args()
    spawn = multiprocessing.get_context("spawn")
    told = spawn.Queue()
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
        ended = spawn.Event()
        boards = [spawn.Process(target=_board, args=(Path(at), ended)) for at in (one, other)]
        for board in boards:
            board.start()
        time.sleep(1.0)
        readers = [
            spawn.Process(target=work, args=(Path(at), args.seconds, told))
            for work, at in ((_whole_path, one), (_bare_path, other))
        ]
        for each in readers:
            each.start()
        rows = {row[0]: row for row in (told.get(timeout=args.seconds + 60.0) for _ in readers)}
        ended.set()
        for process in (*readers, *boards):
            process.join()
    lines = []
    for name, label in (("whole", "port to store"), ("bare", "read and CRC alone")):
        _, frames, missing, cpu_s, wall_s = rows[name]
        lines.append(
            (
                label,
                str(frames),
                str(missing),
                f"{frames / wall_s:.0f}",
                f"{100.0 * cpu_s / wall_s:.2f} %",
                f"{1e6 * cpu_s / frames:.1f}",
            )
        )
    heads = ("path", "frames", "lost", "frames/s", "of a core", "us a frame")
    print(table(f"The reading path at {RATE_HZ} frames/s", heads, lines))
    ratio = rows["whole"][3] / rows["bare"][3]
    print(f"The whole path takes {ratio:.2f} times the processor of the bare one.\n")


if __name__ == "__main__":
    main()
