"""Tests of steady levels read off recordings, and of a manifold that is followed to ambient."""

import numpy as np
import pytest

from rig.procedure.levels import VentedLevel, gas_temperature, since, vented_level
from rig.procedure.steps import Recording, StepResult
from rig.records import Estimate, Finding
from rig.runs import StepRecord
from tests.unit.procedure.contexts import context

RATE_HZ = 200.0
LEVEL_PA = 98_000.0


def recording(pressure_pa: np.ndarray, **others: np.ndarray) -> Recording:
    """Record at 200 Hz."""
    n = np.arange(pressure_pa.size, dtype=np.int64)
    return Recording(50.0 + n / RATE_HZ, n, {"p_a": pressure_pa, **others})


def noisy(level_pa: float = LEVEL_PA, count: int = 400, sd_pa: float = 4.0) -> np.ndarray:
    """Make readings that stand still."""
    return level_pa + np.random.default_rng(3).normal(0.0, sd_pa, count)


def test_a_vented_level_is_known_to_its_noise() -> None:
    """400 readings with 4 Pa: within 1 Pa of the truth, u between a tenth of a Pa and a Pa."""
    level = vented_level(recording(noisy()), context())
    assert isinstance(level, Estimate)
    assert level.value == pytest.approx(LEVEL_PA, abs=1.0)
    assert 0.1 < level.u < 1.0


def test_a_converters_step_is_part_of_its_doubt() -> None:
    """A reading that never changes is known to the step over root 12, not better."""
    still = np.full(400, LEVEL_PA)
    level = vented_level(recording(still), context(converter_step_pa=30.0))
    assert isinstance(level, Estimate)
    assert level.u == pytest.approx(30.0 / 12.0**0.5, rel=1e-6)


@pytest.mark.parametrize(
    ("pressure_pa", "known", "code"),
    [
        (noisy(count=19), {}, "too_few_samples"),
        (np.full(400, np.nan), {}, "too_few_samples"),
        (noisy() + np.linspace(0.0, 200.0, 400), {}, "vented_unsteady"),
        (noisy(), {"last_ambient_pa": LEVEL_PA + 4500.0}, "vent_blocked"),
        (noisy(), {"last_ambient_pa": LEVEL_PA - 4500.0}, "vent_blocked"),
    ],
)
def test_what_is_no_ambient_says_why(
    pressure_pa: np.ndarray, known: dict[str, float], code: str
) -> None:
    """Too few readings, a level that moves, one that the weather cannot have brought."""
    found = vented_level(recording(pressure_pa), context(**known))  # type: ignore[arg-type]
    assert isinstance(found, Finding)
    assert found.code == code


def test_the_weather_may_have_moved_the_barometer() -> None:
    """3.5 kPa from the last ambient is weather."""
    known = context(last_ambient_pa=LEVEL_PA + 3500.0)
    assert isinstance(vented_level(recording(noisy()), known), Estimate)


def test_a_barometer_of_its_own_is_believed_before_the_manifold() -> None:
    """Apart from it by more than the weather: the vent is blocked, with what either reads."""
    barometer = np.full(400, LEVEL_PA + 9000.0)
    found = vented_level(recording(noisy(), barometer=barometer), context())
    assert isinstance(found, Finding)
    assert found.code == "vent_blocked"
    assert found.figures["last_pa"] == LEVEL_PA + 9000.0


def test_the_gas_temperature_is_that_of_all_recordings() -> None:
    """The median of what is usable; a room's guess with its width where hardly anything is."""
    warm = recording(noisy(count=30), t_gas=np.full(30, 299.0))
    warmer = recording(noisy(count=50), t_gas=np.append(np.full(45, 300.0), [np.nan] * 5))
    assert gas_temperature(warm, warmer).value == 300.0
    assert gas_temperature(warm, warmer).u == 1.0
    assert gas_temperature(recording(noisy())).u == 4.0
    assert gas_temperature().value == pytest.approx(294.0)


def test_what_was_on_its_way_when_the_valves_moved_is_left_out() -> None:
    """Counted from the step's begin, not from the first frame that came."""
    whole = recording(noisy(count=40))
    record = StepRecord("step", "settling", 50.03, 50.2, 0, 40, "done")
    left = since(StepResult(record, whole), 0.05)
    assert left.time_mono_s[0] == pytest.approx(50.08)
    assert left.values["p_a"].size == left.sequence.size == 40 - 16
    nothing = Recording(np.empty(0), np.empty(0, dtype=np.int64), {})
    assert since(StepResult(record, nothing), 0.05).time_mono_s.size == 0


# following a manifold that is left vented


def followed(
    pressure_pa: np.ndarray, batch: int, level: VentedLevel, from_s: float = 0.0
) -> list[float]:
    """Feed readings at 200 Hz in batches; list every ambient that is told."""
    told = []
    for at in range(batch, pressure_pa.size + 1, batch):
        found = level.take(from_s + at / RATE_HZ, pressure_pa[at - batch : at])
        if found is not None:
            told.append(found)
    return told


@pytest.mark.parametrize("batch", [1, 2, 10, 100])
def test_a_manifold_that_stands_still_tells_the_ambient_after_three_seconds(batch: int) -> None:
    """However the readings are batched; nothing before 2.4 s, then the level within 1 Pa."""
    assert followed(noisy(count=480), batch, VentedLevel()) == []
    told = followed(noisy(count=800), batch, VentedLevel())
    assert told
    assert told == pytest.approx([LEVEL_PA] * len(told), abs=1.5)


def test_a_manifold_that_still_fills_tells_nothing_until_it_has() -> None:
    """A reservoir that vents with a time constant of 8 s from 20 kPa below.

    What is told is never further from ambient than what it still gains in the same time.
    """
    time_s = np.arange(0.0, 90.0, 1.0 / RATE_HZ)
    rising = LEVEL_PA - 20_000.0 * np.exp(-time_s / 8.0)
    told = followed(rising, 2, VentedLevel())
    assert told[0] > LEVEL_PA - 150.0
    assert told[-1] == pytest.approx(LEVEL_PA, abs=2.0)


def test_a_gap_begins_anew() -> None:
    """Levels from before readings stopped for a while do not count with those after."""
    level = VentedLevel()
    followed(noisy(LEVEL_PA - 5000.0, 800), 2, level)
    assert followed(noisy(count=400), 2, level, from_s=60.0) == []
    told = followed(noisy(count=800), 2, level, from_s=62.0)
    assert told == pytest.approx([LEVEL_PA] * len(told), abs=1.5)
