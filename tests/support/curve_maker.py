"""Own the making of leak-down curves with known truth; never import the program under test.

`draw` picks a scenario, deterministic in (seed, index, family); `make` integrates its physics and
records it through a sensor. Truth lies around the stated volume, ambient, gas temperature and span
by their stated uncertainties, so that a fair estimator's errors match what it claims.
"""

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tests.support import disturbances as fault
from tests.support.disturbances import Disturbance, Record, Track
from tests.support.draws import (
    FALSE_KINDS,
    TRUE_KINDS,
    Draw,
    draw_disturbance,
    draw_false,
    draw_true,
    log_uniform,
)
from tests.support.gas_states import Course, GasState, hermite, integrate, step_grid
from tests.support.leaks import INHG_PA, SEA_LEVEL_PA, STD_CC_MIN, Gauge, Leak, leak_with_drop
from tests.support.sensors import Sensor
from tests.support.settlings import ElasticResponse, Settling, Warming

__all__ = [
    "FALSE_KINDS",
    "TRUE_KINDS",
    "Made",
    "Scenario",
    "Stated",
    "Truth",
    "draw",
    "isa_pressure_pa",
    "make",
]

Array = NDArray[np.float64]

MULTIPLES = (0.0, 0.1, 0.3, 0.6, 0.9, 1.1, 1.5, 2.0, 3.0, 5.0)
"""Leak sizes drawn when none is asked for, as multiples of the limit's drop."""


@dataclass(frozen=True)
class Stated:
    """What the head of the file says, with standard uncertainties; `span_u` is relative."""

    ambient_pa: float = SEA_LEVEL_PA
    gas_temperature_k: float = 293.15
    volume_m3: float = 45e-6
    volume_u_m3: float = 0.45e-6
    ambient_u_pa: float = 200.0
    gas_temperature_u_k: float = 1.0
    span_u: float = 0.01


@dataclass(frozen=True)
class Truth:
    """The leak as it is: flow [standard cm3/min] at the gauge's vacuum, drop [Pa] on the gauge.

    Both at sea level and 20 degC. `multiple` is the drop over the limit's, `settling_pa` the true
    rise over the hold that no leak caused.
    """

    leak_std_cc_min: float
    drop_pa: float
    multiple: float
    settling_pa: float


@dataclass(frozen=True)
class Scenario:
    """Everything that fixes a curve; `true_*` are the values behind the stated ones."""

    stated: Stated = field(default_factory=Stated)
    true_volume_m3: float = 45e-6
    true_ambient_pa: float = SEA_LEVEL_PA
    true_gas_temperature_k: float = 293.15
    start_vacuum_pa: float = 15.0 * INHG_PA
    leak: Leak = field(default_factory=lambda: Leak("none", 0.0))
    settlings: tuple[Settling, ...] = ()
    gas: GasState | None = None
    warming: Warming = field(default_factory=Warming)
    sensor: Sensor = field(default_factory=Sensor)
    hold_s: float = 60.0
    disturbances: tuple[Disturbance, ...] = ()
    gauge: Gauge = field(default_factory=Gauge)
    family: str = "true"
    kind: str = "none"
    seed: int = 0
    index: int = 0


@dataclass(frozen=True)
class Made:
    """A recorded curve, what its head states and what is true of it.

    `t_s` and `pressure_pa` hold one entry a sample; `ambient_pa` is the barometer's channel where
    one was recorded; the hold lies between `hold_start_s` and `hold_end_s` of the file's time.
    `spoiled` is as in `disturbances`.
    """

    t_s: Array
    pressure_pa: Array
    ambient_pa: Array | None
    stated: Stated
    truth: Truth
    scenario: Scenario
    hold_start_s: float
    hold_end_s: float
    spoiled: bool | None
    labels: Mapping[str, str] = field(default_factory=dict)

    def header(self) -> dict[str, float]:
        """Return the head of a curve file: key to value, in the units its keys name."""
        return {
            "ambient_kpa": self.stated.ambient_pa / 1e3,
            "gas_temperature_c": self.stated.gas_temperature_k - 273.15,
            "volume_cc": self.stated.volume_m3 * 1e6,
            "volume_u_cc": self.stated.volume_u_m3 * 1e6,
        }

    def csv_text(self) -> str:
        """Return the curve as a file: commented head, then t_s,pressure_kpa."""
        head = "".join(f"# {key}: {value:.6g}\n" for key, value in self.header().items())
        rows = zip(self.t_s.tolist(), (self.pressure_pa / 1e3).tolist(), strict=True)
        body = "".join(f"{t:.3f},{p:.4f}\n" for t, p in rows)
        return f"{head}t_s,pressure_kpa\n{body}"


def isa_pressure_pa(altitude_m: float) -> float:
    """Compute the pressure [Pa] of the standard atmosphere (ISO 2533), up to 11 km."""
    return SEA_LEVEL_PA * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.25588


def draw(
    seed: int,
    index: int,
    family: str = "true",
    *,
    kind: str | None = None,
    law: str | None = None,
    multiple: float | None = None,
    volume_cc: float | None = None,
    noise_pa: float | None = None,
    disturbance: str | None = None,
    room_drift_u_k_min: float = 0.0,
    hold_s: float = 60.0,
) -> Scenario:
    """Draw one scenario, the same for the same arguments.

    `family` is "true" (shapes a fair estimator contains, `TRUE_KINDS`) or "false" (shapes it does
    not, `FALSE_KINDS`). What is given is not drawn, and does not shift what else is drawn.
    `disturbance` is one of `disturbances.KINDS`. `room_drift_u_k_min` warms every curve by a drawn
    straight line of that standard deviation.
    """
    kinds = {"true": TRUE_KINDS, "false": FALSE_KINDS}[family]
    entropy = np.random.SeedSequence(seed, spawn_key=(index, ("true", "false").index(family)))
    streams = [np.random.default_rng(child) for child in entropy.spawn(4)]
    rng = streams[0]

    picked_kind = str(rng.choice(kinds))
    picked_law = str(rng.choice(["orifice", "laminar", "permeation"], p=[0.5, 0.3, 0.2]))
    picked_multiple = float(rng.choice(MULTIPLES))
    picked_cc = log_uniform(rng, 20.0, 2_000.0)
    picked_noise = log_uniform(rng, 2.0, 60.0)
    b = float(rng.uniform(0.2, 0.53))
    stated_pa = isa_pressure_pa(3_000.0 * float(rng.uniform()) ** 2) + float(rng.normal(0.0, 600.0))
    stated = Stated(
        ambient_pa=stated_pa,
        gas_temperature_k=293.15 + float(rng.uniform(-3.0, 5.0)),
        volume_m3=(volume_cc or picked_cc) * 1e-6,
        volume_u_m3=(volume_cc or picked_cc) * 1e-6 * log_uniform(rng, 0.005, 0.03),
    )
    off = rng.standard_normal(4).tolist()
    start = float(rng.uniform(15.0, 17.0)) / 15.0 * Gauge().from_vacuum_pa
    step = float(rng.choice([2.0, 4.0, 7.93, 15.87, 31.74]))
    rate_hz = float(rng.choice([20.0, 50.0, 100.0, 200.0], p=[0.2, 0.5, 0.2, 0.1]))
    size = picked_multiple if multiple is None else multiple
    gauge = Gauge()
    scenario = Scenario(
        stated=stated,
        true_volume_m3=stated.volume_m3 + stated.volume_u_m3 * off[0],
        true_ambient_pa=stated.ambient_pa + stated.ambient_u_pa * off[1],
        true_gas_temperature_k=stated.gas_temperature_k + stated.gas_temperature_u_k * off[2],
        start_vacuum_pa=start,
        leak=leak_with_drop(law or picked_law, size * gauge.max_drop_pa, b, gauge),
        sensor=Sensor(rate_hz, noise_pa or picked_noise, step, stated.span_u * off[3]),
        warming=Warming(room_k_s=room_drift_u_k_min / 60.0 * float(rng.standard_normal())),
        hold_s=hold_s,
        gauge=gauge,
        family=family,
        kind=kind or picked_kind,
        seed=seed,
        index=index,
    )
    scene = Draw(stated.volume_m3 * 1e6, scenario.true_gas_temperature_k, start, scenario.sensor)
    drawer = draw_true if family == "true" else draw_false
    scenario = replace(scenario, **_merged(scenario, drawer(scenario.kind, scene, streams[1])))
    if disturbance is not None:
        change = draw_disturbance(disturbance, hold_s, streams[2])
        settlings = scenario.settlings + change.settlings
        scenario = replace(scenario, disturbances=change.disturbances, settlings=settlings)
        if change.start_vacuum_pa is not None:
            scenario = replace(scenario, start_vacuum_pa=change.start_vacuum_pa)
    return scenario


def _merged(scenario: Scenario, drawn: Mapping[str, object]) -> dict[str, object]:
    """Add the room's drawn drift to the warming that the kind brought along."""
    changes = dict(drawn)
    warming = changes.get("warming")
    if isinstance(warming, Warming):
        room = warming.room_k_s + scenario.warming.room_k_s
        changes["warming"] = replace(warming, room_k_s=room)
    return changes


def true_pressure(scenario: Scenario) -> Track:
    """Integrate the true pressure of the hold at the sample times, before any disturbance."""
    s = scenario
    inflow = s.leak.inflow(s.true_gas_temperature_k, s.true_volume_m3)

    def rise(time_s: Array) -> Array:
        total = np.zeros_like(time_s)
        for settling in s.settlings:
            total += settling.rise_pa(time_s)
        return total

    def factor(time_s: Array) -> Array:
        return s.warming.factor(time_s, s.true_gas_temperature_k)

    def ambient(time_s: Array) -> Array:
        total = np.full_like(time_s, s.true_ambient_pa)
        for settling in s.settlings:
            if isinstance(settling, ElasticResponse):
                total += settling.ambient_shift_pa(time_s)
        return total

    start = s.true_ambient_pa - s.start_vacuum_pa
    fastest = inflow(0.0, s.true_ambient_pa)
    finest = 0.03 * s.true_ambient_pa / fastest if fastest > 0.0 else math.inf
    grid = step_grid(s.hold_s, max(finest, 0.002))
    dry, slopes, added = integrate(grid, start, inflow, Course(rise, factor, ambient), s.gas)
    t = np.arange(round(s.hold_s * s.sensor.rate_hz) + 1) / s.sensor.rate_hz
    pressure = (hermite(grid, dry, slopes, t) + rise(t)) * factor(t)
    if s.gas is not None:
        pressure += hermite(grid, added, np.gradient(added, grid), t)
    return Track(t, np.minimum(pressure, ambient(t)), ambient(t), 0.0, s.hold_s)


def make(scenario: Scenario, noise: int = 0) -> Made:
    """Make the curve of a scenario; `noise` picks another repetition of the sensor's noise."""
    s = scenario
    entropy = np.random.SeedSequence(s.seed, spawn_key=(s.index, 1_000 + noise))
    rng = np.random.default_rng(entropy)
    held = true_pressure(s)
    track = held
    for disturbance in s.disturbances:
        track = fault.on_truth(track, disturbance)
    reading = s.sensor.read(
        track.time_s, track.pressure_pa, s.true_ambient_pa, s.stated.ambient_pa, rng
    )
    record = Record(track.time_s, reading)
    if any(disturbance.kind == "ambient_moved" for disturbance in s.disturbances):
        shift = track.ambient_pa - s.true_ambient_pa
        record = fault.with_barometer(record, s.stated.ambient_pa + shift, rng)
    for disturbance in s.disturbances:
        at = replace(disturbance, at_s=track.hold_start_s + disturbance.at_s)
        record = fault.on_record(record, at, rng)
    flow = s.leak.standard_flow(s.gauge.from_vacuum_pa)
    drop = s.leak.drop_pa(s.gauge)
    spoils = [disturbance.spoils for disturbance in s.disturbances]
    return Made(
        t_s=record.time_s,
        pressure_pa=record.pressure_pa,
        ambient_pa=record.ambient_pa,
        stated=s.stated,
        truth=Truth(
            leak_std_cc_min=flow * STD_CC_MIN,
            drop_pa=drop,
            multiple=drop / s.gauge.max_drop_pa,
            settling_pa=_settling_pa(s, held),
        ),
        scenario=s,
        hold_start_s=track.hold_start_s,
        hold_end_s=track.hold_end_s,
        spoiled=True if True in spoils else None if None in spoils else False,
        labels=_labels(s),
    )


def _settling_pa(scenario: Scenario, held: Track) -> float:
    """Compute the rise over the hold that no leak caused: the whole less the leak's own."""
    leak_rate = scenario.leak.inflow(scenario.true_gas_temperature_k, scenario.true_volume_m3)
    nodes = np.linspace(0.0, scenario.hold_s, 241)
    pressures = np.interp(nodes, held.time_s, held.pressure_pa).tolist()
    rates = [leak_rate(p, scenario.true_ambient_pa) for p in pressures]
    leaked = float(np.trapezoid(rates, nodes))
    return float(held.pressure_pa[-1] - held.pressure_pa[0]) - leaked


def _labels(scenario: Scenario) -> dict[str, str]:
    """Name the classes by which results are split."""
    volume_cc = scenario.stated.volume_m3 * 1e6
    drop = scenario.leak.drop_pa(scenario.gauge) / scenario.gauge.max_drop_pa
    return {
        "kind": scenario.kind,
        "law": scenario.leak.law,
        "volume": _class(volume_cc, (60.0, 200.0, 600.0), "cm3"),
        "noise": _class(scenario.sensor.noise_pa, (6.0, 20.0), "Pa"),
        "multiple": f"{drop:.2f}",
        "rate": f"{scenario.sensor.rate_hz:g} Hz",
        "disturbance": "+".join(d.kind for d in scenario.disturbances) or "none",
    }


def _class(value: float, edges: tuple[float, ...], unit: str) -> str:
    if value < edges[0]:
        return f"below {edges[0]:g} {unit}"
    for low, high in itertools.pairwise(edges):
        if value < high:
            return f"{low:g} to {high:g} {unit}"
    return f"from {edges[-1]:g} {unit}"
