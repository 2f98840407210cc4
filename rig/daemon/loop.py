"""Own the one loop of a bench at work; never decide a verdict, and never move a valve itself.

    bytes -> session -> channels -> safety, engine -> store

The loop is the same in real and in simulated time; only the clock differs. It alone feeds the
lease: if it hangs, the board drops the supply.
"""

import logging
import threading
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

from rig.analysis.hold import finding
from rig.clock import Clock
from rig.config import Bench
from rig.engine import Engine, Status
from rig.errors import LinkError, RigError
from rig.link.frames import BoardFault, Hello, SupplyState
from rig.link.session import Connected, Lost, Restarted, Session
from rig.outputs.interlocks import STALE_S
from rig.outputs.safety import Safety
from rig.outputs.valves import Outputs
from rig.readings import Readings, Samples
from rig.records import Finding
from rig.sensing.channels import ChannelReader
from rig.store.store import Store

TICK_S = 0.01
"""One turn of the loop."""
_log = logging.getLogger("rig")

Listener = Callable[[Status, list[Readings]], None]


@dataclass(frozen=True)
class Board:
    """The board as it introduced itself, and what reads its frames."""

    hello: Hello
    reader: ChannelReader


def on_the_spot(call: Callable[[], object]) -> "Future[object]":
    """Compute at once: for simulated time, in which nothing may happen beside it."""
    future: Future[object] = Future()
    try:
        future.set_result(call())
    except Exception as error:  # noqa: BLE001 - it is raised again by whoever takes the result
        future.set_exception(error)
    return future


class Loop:
    """One bench at work. Everything but `stop` belongs to one thread, or holds `lock`."""

    def __init__(
        self,
        bench: Bench,
        outputs: Outputs,
        session: Session,
        store: Store,
        clock: Clock,
        *,
        fast: bool = False,
    ) -> None:
        self.bench = bench
        self.store = store
        self.clock = clock
        self.lock = threading.RLock()
        self.board: Board | None = None
        self.link_trouble: Finding | None = None
        self._outputs = outputs
        self._session = session
        self._pool = None if fast else ThreadPoolExecutor(1, "analysis")
        self._supply_on = False
        self._ending = threading.Event()
        self._listeners: list[Listener] = []
        self.safety = Safety(
            outputs,
            bench.safety,
            session.beat,
            clock,
            {
                "link_lost": lambda: self.board is None,
                "board_restarted": lambda: self.board is None,
                "store_failing": lambda: store.trouble is not None,
            },
        )
        self.engine = Engine(self.safety, store, self.submit)

    def listen(self, listener: Listener) -> None:
        """Have `listener` called after every turn with the engine's status and what was read."""
        self._listeners.append(listener)

    @property
    def data_age_s(self) -> float | None:
        """Get how old the newest frame is, None before the first."""
        last_s = self._session.last_data_mono_s
        return None if last_s is None else self.clock.mono_s() - last_s

    @property
    def is_stale(self) -> bool:
        """Tell whether what was read last says nothing of now."""
        age_s = self.data_age_s
        return self.board is None or age_s is None or age_s > STALE_S

    @property
    def link_state(self) -> str:
        """Get how far the talk with the board has come."""
        return str(self._session.state)

    def submit(self, call: Callable[[], object]) -> "Future[object]":
        """Have something computed beside the loop, or at once in simulated time."""
        return on_the_spot(call) if self._pool is None else self._pool.submit(call)

    def step(self) -> None:
        """Make one turn: read, watch, move the run on, feed the lease."""
        with self.lock:
            now_s = self.clock.mono_s()
            batches = self._poll()
            for readings in batches:
                self.safety.watch(readings, self._supply_on, now_s)
            if not batches:
                self.safety.watch(None, self._supply_on, now_s)
            self._watch_store()
            if self._outputs.mark_pressed():
                self.engine.mark()
            self.engine.tick(now_s, batches)
            status = self.engine.status
        for listener in self._listeners:
            listener(status, batches)

    def run(self, until: Callable[[], bool] = lambda: False) -> None:
        """Turn until told to stop, or until `until` says so.

        However it ends, the outputs are at rest by then; told to stop, or by an error, they are
        held there.
        """
        try:
            while not until():
                if self._ending.is_set():
                    self._outputs.safe()
                    return
                self.step()
                self.clock.wait(TICK_S)
        except Exception as error:
            self.safety.trip(finding("internal_fault", what=repr(error)))
            _log.exception("the loop ended by an error that nobody foresaw")
            raise
        except BaseException:
            self._outputs.safe()
            raise

    def safe_now(self) -> None:
        """Put the outputs to rest and hold them there; from any thread or a signal handler."""
        self._outputs.safe()

    def stop(self) -> None:
        """Ask the loop to end; from any thread or a signal handler."""
        self._ending.set()

    def close(self) -> None:
        """Close the run that is on, bring everything to rest, and let go of it."""
        with self.lock:
            self.engine.abort()
            self._outputs.close()
            self._session.close()
            if self._pool is not None:
                self._pool.shutdown(wait=True, cancel_futures=True)
            self.store.close()

    def _poll(self) -> list[Readings]:
        batches = []
        for event in self._session.poll():
            match event:
                case Connected(hello):
                    self._meet(hello)
                case Lost(cause):
                    self._lose(finding("link_lost", what=cause))
                case Restarted():
                    self._lose(finding("board_restarted"))
                case SupplyState(on):
                    self._supply_on = on
                case BoardFault() as fault:
                    self._note(fault)
                case samples:
                    batches += self._read(samples)
        return batches

    def _read(self, samples: Samples) -> list[Readings]:
        if self.board is None:
            return []
        try:
            return [self.board.reader.read(samples)]
        except LinkError as error:
            # The board's time ran back: it began anew and its hello was lost.
            _log.error("%s", error)
            self._lose(finding("board_restarted"))
            return []

    def _meet(self, hello: Hello) -> None:
        try:
            self.board = Board(hello, ChannelReader(self.bench, hello.channels))
            self.link_trouble = None
        except RigError as error:
            self.board = None
            self.link_trouble = finding("board_unfit", what=str(error))
            _log.error("%s", error)

    def _lose(self, reason: Finding) -> None:
        """Forget the board; a run that is on trips by it."""
        self.board = None
        self.link_trouble = reason
        self._supply_on = False
        if self.engine.is_running:
            self.safety.trip(reason)

    def _note(self, fault: BoardFault) -> None:
        what = " ".join(str(part) for part in (fault.code, fault.channel, fault.detail) if part)
        _log.warning("the board reports: %s", what)
        self.engine.note("board", finding("board_fault", what=what))

    def _watch_store(self) -> None:
        trouble = self.store.trouble
        if trouble is not None and self.engine.is_running and self.safety.tripped is None:
            self.safety.trip(trouble)
