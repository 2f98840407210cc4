"""Test of the record under SIGKILL: what is older than a second is there, whenever it comes."""

import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from rig.clock import SystemClock
from rig.records import Outcome
from rig.runs import Ending
from rig.store.database import connect, fault_of
from rig.store.store import Store
from tests.unit.store.kept import RESULT, STEPS, assert_frames

ROOT = Path(__file__).parents[3]
FOLDERS = 10
KILLS_EACH = 5
LIVES_S = (0.3, 2.1)
"""Between these the life of each program is drawn; half of them outlive the second that may go."""
MAY_BE_LOST_S = 1.0


@dataclass
class _Told:
    """What a program told of what it handed over: each with the time before the call."""

    frames: dict[int, list[tuple[float, int]]] = field(default_factory=dict)
    finished: dict[int, tuple[float, int]] = field(default_factory=dict)
    begun: list[int] = field(default_factory=list)

    def take(self, line: str) -> None:
        """Take one line."""
        what, run_text, detail, mono_s = line.split(" ")
        run = int(run_text)
        if what == "begun":
            self.begun.append(run)
        elif what == "frames":
            self.frames.setdefault(run, []).append((float(mono_s), int(detail)))
        elif what == "finished":
            self.finished[run] = (float(mono_s), int(detail))

    def safe_frames(self, run: int, killed_s: float) -> int:
        """Count the frames of a run that were handed over more than a second before the end."""
        told = self.frames.get(run, [])
        return max((n for mono_s, n in told if mono_s < killed_s - MAY_BE_LOST_S), default=0)


def _live_and_be_killed(folder: Path, seed: int, life_s: float) -> tuple[_Told, float]:
    """Let a program record for a time after its first run began, then kill it."""
    told, killed_s = _Told(), 0.0

    def kill() -> None:
        nonlocal killed_s
        killed_s = time.monotonic()
        os.kill(program.pid, signal.SIGKILL)

    with subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "tests.unit.store.recorder", str(folder), str(seed)],
        stdout=subprocess.PIPE,
        cwd=ROOT,
        text=True,
    ) as program:
        assert program.stdout is not None
        timer: threading.Timer | None = None
        for line in program.stdout:
            if not line.endswith("\n"):
                break
            told.take(line.rstrip("\n"))
            if timer is None and told.begun:
                timer = threading.Timer(life_s, kill)
                timer.start()
        program.wait()
        assert timer is not None, "the program ended by itself"
        timer.join()
        assert program.returncode == -signal.SIGKILL
    return told, killed_s


def _look_through(folder: Path, told: _Told, killed_s: float) -> int:
    """Find all that must be there; returns how many frames were required."""
    required = 0
    assert fault_of(folder / "record.db", thorough=True) is None
    with closing(connect(folder / "record.db")) as live:
        assert live.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    with Store.open(folder, SystemClock(), threaded=False) as store:
        closed = store.close_interrupted()
        assert set(told.begun) <= {header.run for header in store.runs(1000)}
        for run in told.begun:
            kept = store.load(run)
            assert kept.result is not None
            frames = len(kept.samples.sequence)
            assert_frames(kept.samples, 0, frames)
            assert kept.samples.missing == 0
            if run in closed:
                assert kept.result.ending is Ending.INTERRUPTED
                assert kept.result.outcome is Outcome.INVALID
                assert told.safe_frames(run, killed_s) <= frames
                required += told.safe_frames(run, killed_s)
                finished_s, _ = told.finished.get(run, (killed_s, 0))
                assert finished_s > killed_s - MAY_BE_LOST_S, "its result was older than a second"
            else:
                assert kept.result == RESULT
                assert kept.steps == STEPS[:1]
                assert frames == told.frames[run][-1][1]
                required += frames
        assert len(closed) <= 1, "one run is being made at a time"
    return required


def test_fifty_kills_lose_nothing_older_than_a_second(tmp_path: Path) -> None:
    """Ten programs are killed five times each, in whatever they are just doing.

    Each time the database opens and is whole; every frame and every result handed over more than a
    second before the end is there, exactly; the run that was being made is closed as interrupted
    and invalid; and runs of all earlier lives are still what they were.
    """

    def live(number: int) -> list[int]:
        draw = np.random.default_rng(1000 + number)
        folder, required = tmp_path / str(number), []
        for life in range(KILLS_EACH):
            seed = 100 * number + life
            told, killed_s = _live_and_be_killed(folder, seed, draw.uniform(*LIVES_S))
            required.append(_look_through(folder, told, killed_s))
        return required

    with ThreadPoolExecutor(FOLDERS) as pool:
        required = [frames for lives in pool.map(live, range(FOLDERS)) for frames in lives]
    assert len(required) == 50
    assert sum(frames > 0 for frames in required) > 50 // 3
