"""Own the service as its own process for the scenarios: start, ask, break, end; never judge it.

Times of the pins' journal and of this process are the same monotonic clock of the machine.
"""

import json
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.clock import SystemClock
from rig.config import Bench, parse_bench
from rig.parts.intake import Intake, PartCondition, PartNumber
from rig.runs import KeptRun
from rig.sim.bench import simulated_bench_text
from rig.store.store import Store

ROOT = Path(__file__).parents[2]
PROGRAM = [sys.executable, "-c", "from rig.cli.main import main; main()"]
CONFIRMED = ("no_bleed", "no_delay", "one_stage")
_PATIENCE_S = 60.0
"""Nothing that is waited for takes long; a loaded machine is given this."""
_LOOK_S = 0.05

Json = dict[str, Any]


@dataclass(frozen=True)
class PinChange:
    """A line of the pins' journal."""

    mono_s: float
    pin: str
    function: str
    level: bool


class Service:
    """`rig serve` at a simulated bench, in a process of its own."""

    def __init__(self, data: Path) -> None:
        self.data = data
        self._process = subprocess.Popen(
            [*PROGRAM, "serve", "--simulated", "--port", "0", "--data", str(data)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            text=True,
        )
        said = self._process.stdout.readline() if self._process.stdout else ""
        assert "http://" in said, said
        self.address = said[said.index("http://") :].strip().rstrip("/")

    def ask(self, path: str, body: Mapping[str, object] | None = None) -> tuple[int, Json]:
        """Ask the service: a GET, or a POST with a body; return status and answer."""
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(  # noqa: S310 - the service's own address
            self.address + path, data, {"content-type": "application/json"}
        )
        try:
            with urllib.request.urlopen(request, timeout=20.0) as answer:  # noqa: S310
                return answer.status, json.load(answer)
        except urllib.error.HTTPError as error:
            return error.code, json.load(error)

    def status(self) -> Json:
        """Ask what the engine is doing."""
        return self.ask("/api/status")[1]

    def do(self, what: str, **figures: object) -> None:
        """Do something to the simulated bench."""
        status, answer = self.ask("/api/simulated", {"do": what, **figures})
        assert status == 200, answer

    def wait_for(self, seen: Callable[[], bool], what: str) -> None:
        """Wait until something is seen."""
        until_s = time.monotonic() + _PATIENCE_S + 60.0 * ("hold" in what)
        while not seen():
            assert time.monotonic() < until_s, f"waited in vain for {what}: {self.status()}"
            time.sleep(_LOOK_S)

    def wait_until_ready(self) -> None:
        """Wait until the rig reads its room."""
        self.wait_for(lambda: self.status()["ambient_pa"] is not None, "the air of the room")

    def start_test(self, shelf: str) -> int:
        """Hang a simulated part on the hose and begin its test."""
        self.do("connect", shelf=shelf)
        status, answer = self.ask("/api/test", {"tag": shelf, "confirmed": list(CONFIRMED)})
        assert status == 201, answer
        return int(answer["run"])

    def wait_for_step(self, name: str) -> None:
        """Wait until a step is being made."""
        self.wait_for(lambda: self.status()["step"] == name, f"step {name}")

    def wait_for_result(self) -> Json:
        """Wait until the run has its result."""
        self.wait_for(lambda: self.status()["result"] is not None, "the result of a hold")
        result: Json = self.status()["result"]
        return result

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, str]:
        """End the service by a signal; return its exit status and what it said of errors."""
        if self._process.poll() is None:
            self._process.send_signal(number)
        try:
            _, errors = self._process.communicate(timeout=30.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.communicate()
            raise
        return self._process.returncode, errors

    @property
    def is_alive(self) -> bool:
        """Tell whether the process runs."""
        return self._process.poll() is None


@contextmanager
def service(data: Path, *parts: str) -> Iterator[Service]:
    """Run a service whose record knows these parts, and end it."""
    with Store.open(data, SystemClock(), threaded=False) as store:
        for tag in parts:
            store.add_part(intake(tag))
    running = Service(data)
    try:
        running.wait_until_ready()
        yield running
    finally:
        running.end()


def intake(tag: str) -> Intake:
    """Take a part in."""
    number = PartNumber(None, "not readable")
    return Intake(
        tag, "choke_pull_off", "direct", number, number, "", "", PartCondition.USED, "box"
    )


def kept(data: Path, run: int) -> KeptRun:
    """Read a run from the record of a folder."""
    with Store.open(data, SystemClock(), threaded=False) as store:
        return store.load(run)


def bench_of(data: Path) -> Bench:
    """Get the bench of a simulated service."""
    return parse_bench(simulated_bench_text(str(data / "board"), data), "simulated")


def journal(data: Path) -> list[PinChange]:
    """Read the pins' journal of a folder."""
    changes = []
    for line in (data / "pins.log").read_text(encoding="ascii").splitlines():
        mono_s, pin, function, level = line.split()
        changes.append(PinChange(float(mono_s), pin, function, level == "1"))
    return changes


def energising(data: Path) -> Mapping[str, bool]:
    """Get for each output's pin the level that energises it."""
    bench = bench_of(data)
    return {
        each.pin: each.active_high for each in (*bench.valves.values(), *bench.outputs.values())
    }


def energised_at(data: Path, mono_s: float | None = None) -> set[str]:
    """List the pins that energised something at a time, or at the journal's end."""
    levels = energising(data)
    state: dict[str, bool] = {}
    for change in journal(data):
        if mono_s is None or change.mono_s <= mono_s:
            driven = change.function == "output" and change.level == levels.get(change.pin)
            state[change.pin] = driven and change.pin in levels
    return {pin for pin, is_on in state.items() if is_on}


def at_rest_after(data: Path, mono_s: float) -> float:
    """Get how long after a time nothing was energised any more [s]."""
    for change in journal(data):
        if change.mono_s >= mono_s and not energised_at(data, change.mono_s):
            return change.mono_s - mono_s
    return 0.0 if not energised_at(data, mono_s) else float("inf")
