"""Own how a bench is put together, a real one or a simulated; never run it.

Three seams let the simulated bench in, and nothing else knows: the port's path, the factory of the
pins, and the clock.
"""

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from rig.clock import Clock, FastClock, SystemClock
from rig.config import Bench, load_bench, parse_bench
from rig.daemon.desk import Desk
from rig.daemon.loop import Loop
from rig.errors import BenchError, StoreError
from rig.link.port import Port, SerialPort
from rig.link.session import Session
from rig.outputs.factory import make_factory
from rig.outputs.valves import Outputs
from rig.sim.bench import simulated_bench_text
from rig.sim.device import SimDevice
from rig.sim.lockstep import LockstepPort
from rig.sim.pins import PinsView, SimPins
from rig.sim.plant import Plant
from rig.sim.pty_port import PtyPort
from rig.store.store import Store


@dataclass(frozen=True)
class Built:
    """A bench put together: its loop, its desk; the simulated board and plant where it has them."""

    loop: Loop
    desk: Desk
    device: SimDevice | None = None
    plant: Plant | None = None
    pins: PinsView | None = None


@contextmanager
def real_bench(file: Path) -> Iterator[Built]:
    """Put the bench of a file together, and take it apart again at the end.

    Raises BenchError, StoreError as its parts do.
    """
    bench = load_bench(file)
    if bench.pins.factory == "mock":
        raise BenchError(
            f"{bench.where('pins', 'factory')}: mock pins move no valve. Name the factory of the"
            " board, lgpio; or try the program with --simulated."
        )
    clock = SystemClock()
    with ExitStack() as parts:
        factory = make_factory(bench)
        parts.callback(factory.close)
        outputs = Outputs(bench, factory)
        parts.callback(outputs.close)
        yield _put_together(bench, outputs, clock, parts)


@contextmanager
def simulated_bench(
    plant: Plant,
    data: Path,
    *,
    fast: bool = False,
    start_utc: datetime = datetime(2026, 1, 5, 9, 0, tzinfo=UTC),
    port: Path | None = None,
) -> Iterator[Built]:
    """Put a bench together around a plant: real frames on a pty, mock pins, the record in `data`.

    `fast` runs on a clock that moves only when something waits; its wall clock begins at
    `start_utc`. `port` is where the pty is found, in a folder of its own where not given.
    """
    clock: FastClock | SystemClock = FastClock(start_utc) if fast else SystemClock()
    with ExitStack() as parts:
        if port is None:
            port = Path(parts.enter_context(tempfile.TemporaryDirectory())) / "board"
        _make_folder(data)
        bench = parse_bench(simulated_bench_text(str(port), data), "simulated bench")
        pins = SimPins(bench, clock)
        parts.callback(pins.close)
        view = PinsView(pins, bench)
        device = SimDevice(plant, bench, view)
        parts.callback(device.close)
        if isinstance(clock, FastClock):
            clock.attach(device.pass_time)
        else:
            device.run_thread(clock)
        outputs = Outputs(bench, pins)
        built = _put_together(bench, outputs, clock, parts, device.port if fast else None)
        yield Built(built.loop, built.desk, device, plant, view)


def _make_folder(data: Path) -> None:
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            f"{data}: the folder of the record cannot be made ({error.strerror}). Name another with"
            " --data."
        ) from error


def _put_together(
    bench: Bench,
    outputs: Outputs,
    clock: Clock,
    parts: ExitStack,
    in_step_with: PtyPort | None = None,
) -> Built:
    """Put the rest together; in simulated time all is in step with the board, in one thread."""
    fast = in_step_with is not None
    store = Store.open(bench.data, clock, threaded=not fast)

    def open_port() -> Port:
        port = SerialPort(bench.link.port, clock, threaded=not fast)
        return port if in_step_with is None else LockstepPort(port, in_step_with)

    session = Session(
        open_port, rate_hz=bench.link.rate_hz, lease_s=bench.link.lease_s, clock=clock
    )
    loop = Loop(bench, outputs, session, store, clock, fast=fast)
    parts.callback(loop.close)
    store.close_interrupted()
    return Built(loop, Desk(loop))


def outputs_at_rest(file: Path) -> None:
    """Claim the outputs of a bench file, which puts them to rest, and let go of them.

    Raises BenchError where one cannot be claimed: another program has it then.
    """
    bench = load_bench(file)
    factory = SimPins(bench, SystemClock()) if bench.pins.factory == "mock" else make_factory(bench)
    try:
        Outputs(bench, factory).close()
    finally:
        factory.close()
