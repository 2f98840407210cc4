"""Measure how much of the information in a curve the estimate uses, and what simpler readings lose.

First table: scatter of the leak over repetitions of the noise, against the Cramer-Rao bound of the
model that made the curve, its law known and all its parameters unknown. Second: errors on the same
curves of the estimate, of a two-point reading and of a plain exponential decay.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from rig.analysis.leak import analyse_hold
from tests.benchmarks.common import (
    STD_CC_MIN,
    conditions_of,
    curve_of,
    in_parallel,
    limit_flow_cc_min,
    limit_of,
    options,
    quantile,
    table,
)
from tests.support.curve_maker import TRUE_KINDS, Made, Scenario, draw, make, true_pressure
from tests.support.leaks import R_AIR, RHO_0, SEA_LEVEL_PA
from tests.support.settlings import Settling

Array = NDArray[np.float64]

VOLUMES_CC = (30.0, 100.0, 400.0)
LAWS = ("orifice", "laminar")
READINGS = ("estimate", "two points", "plain decay")


@dataclass(frozen=True)
class Scatter:
    """A scenario whose noise is repeated."""

    seed: int
    index: int
    kind: str
    law: str
    volume_cc: float
    repeats: int


@dataclass(frozen=True)
class ScatterRow:
    """Bound, scatter about the mean, mean error and stated u [standard cm3/min].

    `own` is the scatter of what the model that made the curve says by itself: its efficiency is
    that of the fit. `scatter` is that of the whole estimate, which does not know the model.

    Of the stated u only what noise, law and settling add: the volume and the like are exact here.
    """

    task: Scatter
    bound: float
    own: float
    scatter: float
    bias: float
    stated: float


def known(scenario: Scenario) -> Scenario:
    """Return the scenario with volume, ambient, temperature and span exactly as stated."""
    stated = scenario.stated
    return replace(
        scenario,
        true_volume_m3=stated.volume_m3,
        true_ambient_pa=stated.ambient_pa,
        true_gas_temperature_k=stated.gas_temperature_k,
        sensor=replace(scenario.sensor, span_error=0.0),
    )


def bound_cc_min(scenario: Scenario) -> float:
    """Compute the Cramer-Rao bound of the leak's standard deviation [standard cm3/min].

    Unknown: start pressure, flow of the leak, every parameter of every settling, and an orifice's
    critical ratio within its prior (uniform from 0.2 to 0.53, as that much information). Known: the
    law and the noise (white, with the converter's step as step/sqrt(12)). Finite differences.
    """
    sensor = scenario.sensor
    noise = math.hypot(sensor.noise_pa, sensor.step_pa / math.sqrt(12.0))

    def course(changes: Scenario) -> Array:
        return true_pressure(changes).pressure_pa

    def slope(change: Callable[[float], Scenario], size: float) -> Array:
        return (course(change(size)) - course(change(-size))) / (2.0 * size)

    leak = scenario.leak
    flow = leak.standard_flow(scenario.gauge.from_vacuum_pa) * STD_CC_MIN

    def stronger(by: float) -> Scenario:
        return replace(scenario, leak=replace(leak, strength=leak.strength * (1.0 + by)))

    def deeper(by: float) -> Scenario:
        return replace(scenario, start_vacuum_pa=scenario.start_vacuum_pa + by)

    def blunter(by: float) -> Scenario:
        other = replace(leak, critical_ratio=leak.critical_ratio + by)
        same_flow = flow / (other.standard_flow(scenario.gauge.from_vacuum_pa) * STD_CC_MIN)
        return replace(scenario, leak=replace(other, strength=leak.strength * same_flow))

    columns = [slope(stronger, 1e-3) / flow, slope(deeper, 1.0)]
    for at, settling in enumerate(scenario.settlings):
        for name in (entry.name for entry in fields(settling)):
            value = float(getattr(settling, name))
            if value == 0.0:
                continue

            def other(by: float, at: int = at, name: str = name) -> Scenario:
                return replace(scenario, settlings=_scaled(scenario.settlings, at, name, by))

            columns.append(slope(other, 1e-3))
    if leak.law == "orifice":
        columns.append(slope(blunter, 1e-3))
    jacobian = np.stack(columns, axis=1) / noise
    information = jacobian.T @ jacobian
    if leak.law == "orifice":
        information[-1, -1] += 12.0 / (0.53 - 0.2) ** 2
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale))
    return float(math.sqrt(inverse[0, 0]) / scale[0])


def _scaled(settlings: tuple[Settling, ...], at: int, name: str, by: float) -> tuple[Settling, ...]:
    """Return the settlings with one parameter of one of them larger by a relative `by`."""
    changed = replace(settlings[at], **{name: getattr(settlings[at], name) * (1.0 + by)})
    return (*settlings[:at], changed, *settlings[at + 1 :])


def scatter(task: Scatter) -> ScatterRow:
    """Estimate one scenario's leak under repeated noise."""
    drawn = draw(
        task.seed,
        task.index,
        kind=task.kind,
        law=task.law,
        multiple=1.5,
        volume_cc=task.volume_cc,
        noise_pa=15.0,
    )
    scenario = known(drawn)
    scenario = replace(scenario, sensor=replace(scenario.sensor, rate_hz=50.0, step_pa=4.0))
    values, own, stated, truth = [], [], [], 0.0
    for noise in range(task.repeats):
        made = make(scenario, noise)
        truth = made.truth.leak_std_cc_min
        result = analyse_hold(curve_of(made), conditions_of(made), limit_of(scenario.gauge))
        if result.leak is not None:
            leak = result.leak.scaled(STD_CC_MIN)
            values.append(leak.value)
            own += [
                candidate.leak_m3_s * STD_CC_MIN
                for candidate in result.candidates
                if (candidate.law, candidate.settling) == (task.law, task.kind)
            ]
            parts = [leak.sources.get(name, 0.0) for name in ("random", "settling", "law")]
            stated.append(math.hypot(*parts))
    return ScatterRow(
        task,
        bound_cc_min(scenario),
        float(np.std(own, ddof=1)) if len(own) > len(values) // 2 else math.nan,
        float(np.std(values, ddof=1)) if len(values) > 1 else math.nan,
        float(np.mean(values)) - truth if values else math.nan,
        quantile(stated, 0.5),
    )


def two_points(made: Made) -> float:
    """Read the flow [standard cm3/min] off two readings, at the start and after the limit's time.

    In this run's volume, as someone would who knows it.
    """
    first = made.t_s <= 0.25
    last = np.abs(made.t_s - made.scenario.gauge.within_s) <= 0.25
    rise = float(np.mean(made.pressure_pa[last]) - np.mean(made.pressure_pa[first]))
    return _flow(made, rise / made.scenario.gauge.within_s)


def plain_decay(made: Made) -> float:
    """Fit one exponential decay of the vacuum over the hold; flow at the limit's vacuum.

    Straight line through the logarithm of the vacuum, weighted by the vacuum squared.
    """
    vacuum = np.maximum(made.stated.ambient_pa - made.pressure_pa, 50.0)
    slope = float(np.polyfit(made.t_s, np.log(vacuum), 1, w=vacuum)[0])
    return _flow(made, -slope * made.scenario.gauge.from_vacuum_pa)


def _flow(made: Made, slope_pa_s: float) -> float:
    """Compute the flow [standard cm3/min] at sea level from a slope here, as for an orifice."""
    stated = made.stated
    flow = slope_pa_s * stated.volume_m3 / (RHO_0 * R_AIR * stated.gas_temperature_k)
    return flow * STD_CC_MIN * SEA_LEVEL_PA / stated.ambient_pa


@dataclass(frozen=True)
class Compared:
    """A curve on which the readings are compared."""

    seed: int
    index: int
    family: str


@dataclass(frozen=True)
class ComparedRow:
    """Errors of each reading over the limit's flow, with the classes of the curve."""

    family: str
    labels: dict[str, str]
    errors: dict[str, float]


def compare(task: Compared) -> ComparedRow:
    """Read one curve in three ways."""
    scenario = draw(task.seed, task.index, task.family)
    made = make(scenario)
    result = analyse_hold(curve_of(made), conditions_of(made), limit_of(scenario.gauge))
    estimate = math.nan if result.leak is None else result.leak.value * STD_CC_MIN
    values = (estimate, two_points(made), plain_decay(made))
    limit = limit_flow_cc_min(scenario.gauge)
    errors = [(value - made.truth.leak_std_cc_min) / limit for value in values]
    return ComparedRow(task.family, dict(made.labels), dict(zip(READINGS, errors, strict=True)))


def scatter_table(rows: Sequence[ScatterRow]) -> str:
    """Format scatter against bound."""
    heads = (
        *("settling", "law", "cm3", "bound", "own model", "its efficiency"),
        *("scatter", "scatter / bound", "mean error", "stated u"),
    )
    lines = []
    for row in rows:
        task = row.task
        lines.append(
            (
                *(task.kind, task.law, f"{task.volume_cc:g}"),
                f"{row.bound:.4f}",
                f"{row.own:.4f}",
                f"{(row.bound / row.own) ** 2:.2f}",
                f"{row.scatter:.4f}",
                f"{row.scatter / row.bound:.2f}",
                f"{row.bias:+.4f}",
                f"{row.stated:.4f}",
            )
        )
    ratios = [row.scatter / row.bound for row in rows if math.isfinite(row.scatter)]
    rms = [math.hypot(row.scatter, row.bias) / row.bound for row in rows]
    text = table("Scatter over noise against the Cramer-Rao bound, cm3/min", heads, lines)
    own = [(row.bound / row.own) ** 2 for row in rows if math.isfinite(row.own)]
    return (
        f"{text}\nMedian efficiency of the model that made the curve {quantile(own, 0.5):.2f}. "
        f"Median scatter over bound of the whole estimate {quantile(ratios, 0.5):.2f}; with the "
        f"mean error added in squares {quantile(rms, 0.5):.2f}.\n"
    )


def compared_table(rows: Sequence[ComparedRow]) -> str:
    """Format the errors of the readings, over all and by settling."""
    heads = (
        *("family", "settling", "curves"),
        *(f"{name}: rms" for name in READINGS),
        *(f"{name}: median" for name in READINGS),
        "rms, two points / estimate",
        "rms, decay / estimate",
    )
    lines = []
    for family in sorted({row.family for row in rows}, reverse=True):
        of_family = [row for row in rows if row.family == family]
        kinds = sorted({row.labels["kind"] for row in of_family})
        for kind in ("all", *kinds):
            chosen = [row for row in of_family if kind in ("all", row.labels["kind"])]
            errors = np.array([[row.errors[name] for name in READINGS] for row in chosen])
            errors = errors[np.all(np.isfinite(errors), axis=1)]
            if not len(errors):
                continue
            rms = np.sqrt(np.mean(errors**2, axis=0))
            median = np.median(np.abs(errors), axis=0)
            cells = [f"{value:.3f}" for value in (*rms, *median)]
            ratios = [f"{rms[1] / rms[0]:.1f}", f"{rms[2] / rms[0]:.1f}"]
            lines.append((family, kind, str(len(errors)), *cells, *ratios))
    return table("Errors on the same curves, as multiples of the limit", heads, lines)


def main() -> None:
    """Run the benchmark from the command line."""
    parser = options(__doc__ or "", 300)
    parser.add_argument("--repeats", type=int, default=40, help="noises for each scenario")
    args = parser.parse_args()
    scenarios = [
        Scatter(args.seed, 7, kind, law, volume, args.repeats)
        for kind in TRUE_KINDS
        for law in LAWS
        for volume in VOLUMES_CC
    ]
    if args.repeats > 1:
        rows = in_parallel(scatter, scenarios, args.jobs, "scatter")
        print(scatter_table(rows), flush=True)
    curves = [
        Compared(args.seed, index, family)
        for family in ("true", "false")
        for index in range(args.count)
    ]
    if curves:
        print(compared_table(in_parallel(compare, curves, args.jobs, "readings")), flush=True)


if __name__ == "__main__":
    main()
