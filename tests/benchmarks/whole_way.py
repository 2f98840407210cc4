"""Send simulated parts the whole way: frames on a pty, engine, store, verdict; count the verdicts.

Each part, good and bad, of any volume and law, at any altitude, is tested at a bench of its own
whose rig volume is known as a syringe would tell it. Its truth is the drop that its leak alone
causes, integrated by the simulator, against the limit of its family.
"""

import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from rig.cli.simulated_part import confirmed_by_simulation, taken_in
from rig.daemon.build import simulated_bench
from rig.daemon.operator import Operator
from rig.records import Estimate, Outcome
from rig.runs import KnownVolume
from rig.sim.plant import BenchPlant
from rig.sim.plant_settings import PlantSettings
from rig.sim.shelf import draw_part
from rig.sim.surroundings import ambient_at
from rig.units import PA_PER_INHG
from rig.web.desk import TestRequest
from tests.benchmarks.common import in_parallel, options, percent_2se, quantile, table

LIMIT_PA, WITHIN_S, REFERENCE_M3, FROM_PA = PA_PER_INHG, 20.0, 45e-6, 15.0 * PA_PER_INHG
RIG_VOLUME_U_M3 = 0.4e-6
FAR = 0.2
"""So far off its limit a part must not be judged wrongly."""


@dataclass(frozen=True)
class Task:
    """One part at one bench."""

    seed: int
    near: bool


@dataclass(frozen=True)
class Row:
    """What became of it: the truth as a multiple of the limit, the verdict, how long it took."""

    task: Task
    multiple: float
    altitude_m: float
    outcome: Outcome
    lasted_s: float
    took_s: float
    reasons: tuple[str, ...]


def test_part(task: Task) -> Row:
    """Test one part in simulated time."""
    rng = np.random.default_rng([task.seed, 77])
    altitude_m = float(rng.choice([0.0, 0.0, 800.0, 1600.0, 2400.0]))
    drawn = draw_part(task.seed, near=task.near)
    plant = BenchPlant(PlantSettings(seed=task.seed, ambient_pa=ambient_at(altitude_m)))
    plant.connect(drawn.keys)
    drop_pa = drawn.part.leak.equivalent_drop(FROM_PA, WITHIN_S, REFERENCE_M3)
    told_m3 = plant.gas.manifold.volume_m3 + RIG_VOLUME_U_M3 * float(rng.standard_normal())
    tag = f"part-{task.seed}"
    began_s = time.perf_counter()
    with (
        tempfile.TemporaryDirectory() as folder,
        simulated_bench(plant, Path(folder), fast=True) as bench,
    ):
        if bench.pins is None:
            raise ValueError("a simulated bench without pins")
        Operator(bench.loop, plant, bench.pins, task.seed)
        store, loop = bench.loop.store, bench.loop
        volume = Estimate(told_m3, RIG_VOLUME_U_M3, {"syringe_scale": RIG_VOLUME_U_M3})
        store.keep_rig_volume(KnownVolume(volume, None, "syringe"))
        store.flush()
        taken_in(store, tag)
        loop.run(lambda: loop.engine.status.ambient_pa is not None)
        start_s = loop.clock.mono_s()
        bench.desk.start_test(confirmed_by_simulation(TestRequest(tag), store))
        loop.run(lambda: loop.engine.status.result is not None)
        result = loop.engine.status.result
        lasted_s = loop.clock.mono_s() - start_s
    if result is None:
        raise ValueError("a run without its result")
    reasons = tuple(each.code for test in result.tests for each in test.reasons)
    return Row(
        task,
        drop_pa / LIMIT_PA,
        altitude_m,
        result.outcome,
        lasted_s,
        time.perf_counter() - began_s,
        reasons,
    )


def is_wrong(row: Row) -> bool:
    """Tell whether a verdict contradicts the truth."""
    good = row.multiple <= 1.0
    return row.outcome is (Outcome.FAIL if good else Outcome.PASS)


def confusion(rows: list[Row]) -> str:
    """Lay out verdict against truth."""
    bands = (
        ("good, far", lambda m: m < 1.0 - FAR),
        ("good, near", lambda m: 1.0 - FAR <= m <= 1.0),
        ("bad, near", lambda m: 1.0 < m <= 1.0 + FAR),
        ("bad, far", lambda m: m > 1.0 + FAR),
    )
    kinds = (Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.INVALID)
    lines = []
    for name, inside in bands:
        mine = [row for row in rows if inside(row.multiple)]
        counts = Counter(row.outcome for row in mine)
        wrong = sum(map(is_wrong, mine))
        lines.append(
            (
                name,
                str(len(mine)),
                *(str(counts[kind]) for kind in kinds),
                percent_2se(wrong, len(mine)),
            )
            if mine
            else (name, "0", "-", "-", "-", "-", "-")
        )
    head = ("truth", "parts", "pass", "fail", "undecided", "spoiled", "wrong")
    return table("Verdicts over the whole way", head, lines)


def durations(rows: list[Row]) -> str:
    """Say how long the tests took at the bench, and in simulated time."""
    lines = []
    for name, values in (
        ("at the bench", [row.lasted_s for row in rows]),
        ("simulated", [row.took_s for row in rows]),
    ):
        lines.append((name, *(f"{quantile(values, share):.0f} s" for share in (0.1, 0.5, 0.9))))
    return table("How long a test takes", ("", "10 %", "median", "90 %"), lines)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = options(__doc__ or "", 200)
    args = parser.parse_args()
    tasks = [Task(args.seed + i, near=i % 4 == 3) for i in range(args.count)]
    rows = in_parallel(test_part, tasks, args.jobs, "parts")
    print(confusion(rows))
    print(durations(rows))
    odd = [
        row for row in rows if is_wrong(row) or row.outcome in (Outcome.INVALID, Outcome.UNDECIDED)
    ]
    lines = [
        (
            str(row.task.seed),
            f"{row.multiple:.2f}",
            f"{row.altitude_m:.0f} m",
            str(row.outcome),
            ", ".join(row.reasons[:3]),
        )
        for row in odd
    ]
    print(
        table(
            "Wrong, undecided and spoiled", ("seed", "leak / limit", "at", "verdict", "why"), lines
        )
    )


if __name__ == "__main__":
    main()
