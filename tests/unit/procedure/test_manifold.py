"""Tests of what the manifold alone loses during a run."""

import numpy as np
import pytest

from rig.procedure.manifold import manifold_leak
from rig.procedure.steps import Recording, StepResult
from rig.records import Estimate
from rig.runs import StepRecord
from tests.unit.procedure.contexts import context

RATE_HZ = 200.0
SLOPE_PA_S = 5.0
FLOW_M3_S = SLOPE_PA_S * 25e-6 / (1.185 * 288.0 * 294.0)
SEEDS = 60


def alone(seed: int, lasted_s: float = 10.0, slow_pa: float = 0.0) -> StepResult:
    """Record a manifold that leaks steadily, with white noise and some that lasts for 0.3 s."""
    time_s = np.arange(0.0, lasted_s, 1.0 / RATE_HZ)
    rng = np.random.default_rng(seed)
    pressure_pa = 50_000.0 + SLOPE_PA_S * time_s + rng.normal(0.0, 4.0, time_s.size)
    kernel = np.exp(-np.arange(0.0, 2.0, 1.0 / RATE_HZ) / 0.3)
    driven = rng.normal(size=time_s.size + kernel.size - 1)
    pressure_pa += slow_pa * np.convolve(driven, kernel / np.linalg.norm(kernel), mode="valid")
    n = np.arange(time_s.size, dtype=np.int64)
    values = {"p_a": pressure_pa, "t_gas": np.full(time_s.size, 294.0)}
    record = StepRecord("one.manifold", "holding", 0.0, lasted_s, 0, n.size, "done")
    return StepResult(record, Recording(time_s, n, values))


@pytest.mark.parametrize("slow_pa", [0.0, 3.0])
def test_the_flow_covers_the_truth(slow_pa: float) -> None:
    """Over noise drawn anew at least 90 % lie within 2 u, and u is no wider than 1.5 scatters.

    White noise alone, or beside it as much that goes together for several blocks.
    """
    found = [manifold_leak(context(), alone(seed, slow_pa=slow_pa)) for seed in range(SEEDS)]
    flows = [each for each in found if each is not None]
    assert len(flows) == SEEDS
    off = np.array([(each.value - FLOW_M3_S) / each.u for each in flows])
    assert np.mean(np.abs(off) < 2.0) >= 0.9
    scatter = float(np.std([each.value for each in flows]))
    assert np.mean([each.sources["random"] for each in flows]) < 1.5 * scatter


def test_the_doubt_of_the_rigs_volume_is_in_it() -> None:
    """A volume known to 4 % makes a flow known to 4 %."""
    known = context(rig_volume_m3=Estimate(25e-6, 1e-6))
    flow = manifold_leak(known, alone(1))
    assert flow is not None
    assert flow.sources["volume"] == pytest.approx(0.04 * flow.value, rel=1e-9)


@pytest.mark.parametrize("lasted_s", [0.005, 0.5, 4.0])
def test_too_short_a_record_tells_nothing(lasted_s: float) -> None:
    """Less than 5 s after the first, which is left out, are no slope."""
    assert manifold_leak(context(), alone(1, lasted_s)) is None
