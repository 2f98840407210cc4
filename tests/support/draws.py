"""Own what is a normal size for everything that is drawn at random; never import rig.

Sizes follow bench experience: most settlings 0.1 to 0.6 inHg, at most 1.5, less in large volumes;
gas warms in about half a second in 20 cm3 and six in a litre; rubber in 1 to 8 s.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from tests.support.disturbances import Disturbance
from tests.support.gas_states import Evaporation, GasAndWall
from tests.support.leaks import INHG_PA
from tests.support.sensors import Sensor
from tests.support.settlings import (
    CutOffCreep,
    ElasticResponse,
    Exponential,
    KelvinVoigt,
    LogCreep,
    PowerCreep,
    SaturatingAndrade,
    Settling,
    StickingRod,
    StretchedExponential,
    Warming,
)

Rng = np.random.Generator
Changes = dict[str, object]
"""Fields of a scenario that a kind sets."""


@dataclass(frozen=True)
class Draw:
    """What a kind needs to know: volume [cm3], gas temperature [K], start vacuum [Pa], sensor."""

    volume_cc: float
    temperature_k: float
    start_vacuum_pa: float
    sensor: Sensor


@dataclass(frozen=True)
class Disturbed:
    """A drawn disturbance, with what it changes elsewhere in the scenario."""

    disturbances: tuple[Disturbance, ...]
    settlings: tuple[Settling, ...] = ()
    start_vacuum_pa: float | None = None


def log_uniform(rng: Rng, low: float, high: float) -> float:
    """Draw from a distribution uniform in the logarithm."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def gas_tau_s(volume_cc: float) -> float:
    """Compute the time constant [s] of gas warming: 0.5 s at 20 cm3, 6 s at a litre."""
    return 0.5 * (volume_cc / 20.0) ** 0.635


def _size_pa(scene: Draw, rng: Rng) -> float:
    """Draw a settling's size: median 0.25 inHg, 80 % of them 0.1 to 0.6, less in a large volume."""
    size = min(0.25 * math.exp(0.7 * float(rng.standard_normal())), 1.5)
    return size * INHG_PA * min(1.0, math.sqrt(100.0 / scene.volume_cc))


def _gas(scene: Draw, rng: Rng) -> Exponential:
    return Exponential(
        _size_pa(scene, rng), gas_tau_s(scene.volume_cc) * log_uniform(rng, 0.8, 1.25)
    )


def _rubber(scene: Draw, rng: Rng) -> Exponential:
    return Exponential(_size_pa(scene, rng), log_uniform(rng, 1.0, 8.0))


def _log_creep(scene: Draw, rng: Rng) -> LogCreep:
    return LogCreep(_size_pa(scene, rng), log_uniform(rng, 0.05, 2.0))


def _power_creep(scene: Draw, rng: Rng) -> PowerCreep:
    return PowerCreep(_size_pa(scene, rng), float(rng.uniform(0.05, 0.35)))


def _plateau(scene: Draw, rng: Rng) -> Exponential:
    size = float(rng.uniform(0.1, 0.69)) * INHG_PA * min(1.0, math.sqrt(100.0 / scene.volume_cc))
    return Exponential(size, log_uniform(rng, 5.0, 25.0))


def _one_exponential(scene: Draw, rng: Rng) -> Exponential:
    return (_gas if rng.random() < 0.5 else _rubber)(scene, rng)


def _two_exponentials(scene: Draw, rng: Rng) -> tuple[Settling, ...]:
    gas = _gas(scene, rng)
    slower = gas.tau_s * log_uniform(rng, 2.5, 8.0)
    return gas, Exponential(_size_pa(scene, rng), min(slower, 20.0))


def _mixed(scene: Draw, rng: Rng) -> tuple[Settling, ...]:
    creep = (_log_creep, _power_creep, _plateau)[int(rng.integers(3))]
    return _gas(scene, rng), creep(scene, rng)


_TRUE: dict[str, Callable[[Draw, Rng], tuple[Settling, ...]]] = {
    "none": lambda _scene, _rng: (),
    "exponential": lambda scene, rng: (_one_exponential(scene, rng),),
    "two_exponentials": _two_exponentials,
    "log_creep": lambda scene, rng: (_log_creep(scene, rng),),
    "power_creep": lambda scene, rng: (_power_creep(scene, rng),),
    "plateau": lambda scene, rng: (_plateau(scene, rng),),
    "mixed": _mixed,
}
TRUE_KINDS = tuple(_TRUE)


def draw_true(kind: str, scene: Draw, rng: Rng) -> Changes:
    """Draw the settling of a model-true kind. Raises KeyError for an unknown kind."""
    return {"settlings": _TRUE[kind](scene, rng)}


def _any_true(scene: Draw, rng: Rng) -> tuple[Settling, ...]:
    return _TRUE[str(rng.choice(TRUE_KINDS))](scene, rng)


def _stretched(scene: Draw, rng: Rng) -> Changes:
    shape = StretchedExponential(
        _size_pa(scene, rng), log_uniform(rng, 1.0, 8.0), float(rng.uniform(0.45, 0.85))
    )
    return {"settlings": (shape,)}


def _kelvin_voigt(scene: Draw, rng: Rng) -> Changes:
    count = int(rng.integers(3, 6))
    shares = rng.dirichlet(np.full(count, 2.0)) * _size_pa(scene, rng)
    taus = np.geomspace(0.3, 30.0, count) * np.exp(0.3 * rng.standard_normal(count))
    return {"settlings": (KelvinVoigt(tuple(shares.tolist()), tuple(taus.tolist())),)}


def _cut_off(scene: Draw, rng: Rng) -> Changes:
    first, last = log_uniform(rng, 0.03, 0.5), log_uniform(rng, 10.0, 100.0)
    return {"settlings": (CutOffCreep(_size_pa(scene, rng), first, last),)}


def _andrade(scene: Draw, rng: Rng) -> Changes:
    return {"settlings": (SaturatingAndrade(_size_pa(scene, rng), log_uniform(rng, 1.0, 30.0)),)}


def _late_power(scene: Draw, rng: Rng) -> Changes:
    shape = PowerCreep(
        _size_pa(scene, rng), float(rng.uniform(0.05, 0.35)), log_uniform(rng, 0.2, 3.0)
    )
    return {"settlings": (shape,)}


def _vapour(scene: Draw, rng: Rng) -> Changes:
    wet = Evaporation(
        room_k=scene.temperature_k,
        tau_s=log_uniform(rng, 1.5, 8.0),
        cooling_k_pa=log_uniform(rng, 1e-3, 5e-3),
        wall_tau_s=log_uniform(rng, 4.0, 20.0),
        dry_above_pa=float(rng.uniform(600.0, 3_500.0))
        * min(1.0, math.sqrt(100.0 / scene.volume_cc)),
    )
    return {"gas": wet, "settlings": (_gas(scene, rng),)}


def _two_state_gas(scene: Draw, rng: Rng) -> Changes:
    cooled = 3.0 * log_uniform(rng, 0.5, 3.0)
    gas = GasAndWall(
        room_k=scene.temperature_k,
        gas_k=-cooled,
        wall_k=-cooled * float(rng.uniform(0.0, 0.04)),
        gas_tau_s=gas_tau_s(scene.volume_cc) * log_uniform(rng, 0.8, 1.25),
        wall_tau_s=log_uniform(rng, 20.0, 200.0),
        wall_ratio=log_uniform(rng, 0.003, 0.03),
        convection=float(rng.uniform(0.0, 0.8)),
    )
    return {"gas": gas}


def _valve_coil(scene: Draw, rng: Rng) -> Changes:
    warming = Warming(
        coil_k=float(rng.uniform(1.0, 3.0)),
        coil_tau_s=log_uniform(rng, 60.0, 300.0),
        coil_share=min(0.8, float(rng.uniform(20.0, 30.0)) / scene.volume_cc),
    )
    return {"settlings": _any_true(scene, rng), "warming": warming}


def _room_drift(scene: Draw, rng: Rng) -> Changes:
    room = 0.1 / 60.0 * float(rng.standard_normal())
    return {"settlings": _any_true(scene, rng), "warming": Warming(room_k_s=room)}


def _sensor_drift(scene: Draw, rng: Rng) -> Changes:
    drift, bow = 4.0 / 60.0 * float(rng.standard_normal()), 2.0 * float(rng.standard_normal())
    sensor = replace(scene.sensor, drift_pa_s=drift, bow_pa=bow)
    return {"settlings": _any_true(scene, rng), "sensor": sensor}


def _ambient_drift(scene: Draw, rng: Rng) -> Changes:
    wave = ElasticResponse(
        share=float(rng.uniform(0.05, 0.4)),
        size_pa=log_uniform(rng, 5.0, 40.0),
        period_s=log_uniform(rng, 20.0, 240.0),
        phase=float(rng.uniform(0.0, 2.0 * math.pi)),
    )
    return {"settlings": (*_any_true(scene, rng), wave)}


def _sticking_rod(scene: Draw, rng: Rng) -> Changes:
    count = int(rng.integers(5, 25))
    times = np.sort(np.exp(rng.uniform(math.log(0.3), math.log(60.0), count)))
    steps = rng.dirichlet(np.full(count, 1.5)) * _size_pa(scene, rng)
    slips = StickingRod(tuple(times.tolist()), tuple(steps.tolist()), log_uniform(rng, 0.02, 0.3))
    return {"settlings": (_gas(scene, rng), slips)}


def _creeping_rod(scene: Draw, rng: Rng) -> Changes:
    size = float(rng.uniform(0.03, 0.2)) * INHG_PA * min(1.0, math.sqrt(100.0 / scene.volume_cc))
    slow = StretchedExponential(size, log_uniform(rng, 8.0, 25.0), float(rng.uniform(0.8, 1.3)))
    return {"settlings": (_gas(scene, rng), slow)}


def _pink_noise(scene: Draw, rng: Rng) -> Changes:
    pink = scene.sensor.noise_pa * log_uniform(rng, 0.2, 1.0)
    sensor = replace(scene.sensor, pink_pa=pink)
    return {"settlings": _any_true(scene, rng), "sensor": sensor}


def _sensor_lag(scene: Draw, rng: Rng) -> Changes:
    lag = log_uniform(rng, 0.02, 0.5)
    behind = lag * float(rng.uniform(0.5, 6.0)) * INHG_PA
    sensor = replace(scene.sensor, lag_s=lag, behind_pa=min(behind, 1.0 * INHG_PA))
    return {"settlings": _any_true(scene, rng), "sensor": sensor}


def _ripple(scene: Draw, rng: Rng) -> Changes:
    mains = float(rng.choice([50.0, 60.0])) + float(rng.uniform(-0.05, 0.05))
    sensor = replace(scene.sensor, ripple_pa=log_uniform(rng, 2.0, 20.0), ripple_hz=mains)
    return {"settlings": _any_true(scene, rng), "sensor": sensor}


_FALSE: dict[str, Callable[[Draw, Rng], Changes]] = {
    "stretched_exponential": _stretched,
    "kelvin_voigt": _kelvin_voigt,
    "cut_off_creep": _cut_off,
    "saturating_andrade": _andrade,
    "late_power_creep": _late_power,
    "cooling_vapour": _vapour,
    "gas_and_wall": _two_state_gas,
    "valve_coil": _valve_coil,
    "room_drift": _room_drift,
    "ambient_drift": _ambient_drift,
    "sticking_rod": _sticking_rod,
    "creeping_rod": _creeping_rod,
    "sensor_drift": _sensor_drift,
    "pink_noise": _pink_noise,
    "sensor_lag": _sensor_lag,
    "mains_ripple": _ripple,
}
FALSE_KINDS = tuple(_FALSE)


def draw_false(kind: str, scene: Draw, rng: Rng) -> Changes:
    """Draw what a model-false kind sets. Raises KeyError for an unknown kind."""
    return _FALSE[kind](scene, rng)


def draw_disturbance(kind: str, hold_s: float, rng: Rng) -> Disturbed:
    """Draw a disturbance of a kind of `disturbances.KINDS`. Raises ValueError for another."""
    at = float(rng.uniform(0.08, 0.9)) * hold_s
    if kind == "hose_off":
        return Disturbed((Disturbance(kind, at, log_uniform(rng, 0.05, 1.0)),))
    if kind == "frozen":
        return Disturbed((Disturbance(kind, at),))
    if kind == "frames_lost":
        gap_s = log_uniform(rng, 0.5, 10.0)
        spoils = None if gap_s > 2.0 else False
        return Disturbed((Disturbance(kind, at, gap_s, spoils=spoils),))
    if kind == "clipped":
        return Disturbed((Disturbance(kind, size=log_uniform(rng, 300.0, 5_000.0)),))
    if kind == "target_not_reached":
        start = float(rng.uniform(3.0, 13.0)) * INHG_PA
        return Disturbed((Disturbance(kind),), start_vacuum_pa=start)
    if kind == "partial_jump":
        size = log_uniform(rng, 0.2, 3.0) * INHG_PA
        jump = StickingRod((at,), (size,), log_uniform(rng, 0.02, 0.2))
        return Disturbed((Disturbance(kind, at, size=size, spoils=None),), (jump,))
    if kind == "wild_samples":
        return Disturbed((Disturbance(kind, size=log_uniform(rng, 5e-4, 0.02), spoils=False),))
    if kind == "ambient_moved":
        size = log_uniform(rng, 600.0, 2_500.0) * float(rng.choice([-1.0, 1.0]))
        return Disturbed((Disturbance(kind, at, log_uniform(rng, 1.0, 20.0), size),))
    pull = Disturbance(
        "pull_down", 0.0, float(rng.uniform(2.0, 12.0)), float(rng.integers(3, 15)), spoils=False
    )
    vent = Disturbance("vented_after", 0.0, log_uniform(rng, 0.3, 3.0), spoils=False)
    late = Disturbance("start_delayed", float(rng.uniform(1.0, 8.0)), spoils=False)
    extents = {
        "pull_down": (pull,),
        "vented_after": (vent,),
        "pull_and_vent": (vent, pull),
        "start_delayed": (late,),
    }
    if kind not in extents:
        raise ValueError(f"no disturbance is called {kind!r}")
    return Disturbed(extents[kind])
