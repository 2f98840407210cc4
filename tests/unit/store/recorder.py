"""Own a program that records runs in real time until it is killed; tests start it.

python recorder.py FOLDER SEED: records one run after the other, each of a length drawn by the seed,
at 200 Hz with counts that follow from the frame's number. After each call that hands something
over it prints a line: what, the run, up to which frame, and the monotonic time before the call.
"""

import sys
from pathlib import Path

import numpy as np

from rig.clock import SystemClock
from rig.store.store import Store
from tests.unit.store.kept import PLAN, RATE_HZ, RESULT, SETUP, STEPS, batch

FRAMES_EACH = 2


def main(folder: Path, seed: int) -> None:
    """Record until killed."""
    clock, draw = SystemClock(), np.random.default_rng(seed)
    store = Store.open(folder, clock)
    tell("closed", 0, ",".join(map(str, store.close_interrupted())), clock.mono_s())
    while True:
        run = store.begin(PLAN, SETUP)
        tell("begun", run, "0", clock.mono_s())
        began_s, sequence = clock.mono_s(), 0
        for _ in range(draw.integers(20, 160)):
            due_s = began_s + sequence / RATE_HZ
            clock.wait(max(due_s - clock.mono_s(), 0.0))
            handed_s = clock.mono_s()
            store.add_samples(run, batch(sequence, FRAMES_EACH))
            sequence += FRAMES_EACH
            tell("frames", run, str(sequence), handed_s)
        handed_s = clock.mono_s()
        store.add_step(run, STEPS[0])
        store.finish(run, RESULT)
        tell("finished", run, str(sequence), handed_s)


def tell(what: str, run: int, detail: str, mono_s: float) -> None:
    """Tell whoever kills what was handed over."""
    sys.stdout.write(f"{what} {run} {detail} {mono_s!r}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]))
