"""Own the dry run: the steps a test makes on a part that just holds; never judge one."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rig.arrays import FloatArray
from rig.procedure.context import Context
from rig.procedure.replay import drive
from rig.procedure.steps import (
    Elapsed,
    Procedure,
    Pulled,
    Recording,
    Released,
    Step,
    StepResult,
)
from rig.runs import StepRecord
from rig.units import SEA_LEVEL_PA

_RATE_HZ = 50.0
_ROOM_K = 294.0
_NOISE_PA = 3.0
_SHORTEST_S = 0.2
_PULL_S = 5.0
_CAPPED_M3 = 0.15e-6
"""What hangs where a test of the rig itself has a cap."""


@dataclass
class _TightPart:
    """Manifold and part as two volumes that keep what is pulled, with the valves between."""

    rig_m3: float
    part_m3: float
    rig_pa: float = SEA_LEVEL_PA
    part_pa: float = SEA_LEVEL_PA
    valves: dict[str, str] | None = None

    def move(self, step: Step) -> None:
        self.valves = {**(self.valves or {"part": "open"}), **step.valves}
        if self.valves.get("vent") == "open":
            self.rig_pa = SEA_LEVEL_PA
        if self.valves.get("part") == "open":
            whole = self.rig_pa * self.rig_m3 + self.part_pa * self.part_m3
            self.rig_pa = self.part_pa = whole / (self.rig_m3 + self.part_m3)
            if self.valves.get("vent") == "open":
                self.rig_pa = self.part_pa = SEA_LEVEL_PA
        if isinstance(step.until, Pulled):
            self.rig_pa = step.until.pressure_pa
            if self.valves.get("part") == "open":
                self.part_pa = self.rig_pa


def dry_run(procedure: Procedure, context: Context) -> Iterator[Step]:
    """List the steps that a test makes on a part that holds and reaches every vacuum at once."""
    part_m3 = context.test.settings.get("typical_volume_m3", _CAPPED_M3)
    part = _TightPart(context.rig_volume_m3.value, part_m3)
    noise = np.random.default_rng(1)
    steps: list[Step] = []
    clock_s = 0.0

    def made(step: Step) -> StepResult:
        nonlocal clock_s
        steps.append(step)
        part.move(step)
        lasts_s = _expected_s(step)
        began_s, clock_s = clock_s, clock_s + lasts_s
        time_s = np.arange(began_s, clock_s, 1.0 / _RATE_HZ)
        pressure_pa = _heard(part.rig_pa, time_s, noise)
        record = StepRecord(
            step.name, step.state, began_s, clock_s, 0, time_s.size, _ended_by(step)
        )
        values = {"p_a": pressure_pa, "t_gas": np.full(time_s.size, _ROOM_K)}
        return StepResult(record, Recording(time_s, np.arange(time_s.size, dtype=np.int64), values))

    drive(procedure, made)
    return iter(steps)


def _heard(level_pa: float, time_s: FloatArray, noise: np.random.Generator) -> FloatArray:
    return level_pa + noise.normal(0.0, _NOISE_PA, time_s.size)


def _expected_s(step: Step) -> float:
    if isinstance(step.until, Elapsed):
        return max(step.until.duration_s, _SHORTEST_S)
    if isinstance(step.until, Released):
        return 1.0
    return _PULL_S


def _ended_by(step: Step) -> str:
    return "done" if isinstance(step.until, Elapsed) else "reached"
