"""Own what every benchmark shares: options, workers, conversion of made curves, tables."""

import argparse
import functools
import math
import multiprocessing
import os
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

import numpy as np

from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve
from tests.support.curve_maker import Made
from tests.support.leaks import Gauge, leak_with_drop

STD_CC_MIN = 6e7
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")

Task = TypeVar("Task")
Result = TypeVar("Result")


def options(description: str, count: int) -> argparse.ArgumentParser:
    """Return a parser with the options that all benchmarks have."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--count", type=int, default=count, help="curves of each kind asked for")
    parser.add_argument("--jobs", type=int, default=2, help="worker processes")
    parser.add_argument("--seed", type=int, default=20_240, help="seed of all drawing")
    return parser


def in_parallel(
    work: Callable[[Task], Result], tasks: Sequence[Task], jobs: int, label: str
) -> list[Result]:
    """Run `work` on each task in `jobs` processes of one thread; results in the tasks' order."""
    for name in _ONE_THREAD:
        os.environ[name] = "1"
    results, every = [], max(1, len(tasks) // 20)
    attempt = functools.partial(_attempt, work)
    # Fresh processes: a numpy loaded before the environment was set would keep its threads.
    with multiprocessing.get_context("spawn").Pool(jobs) as pool:
        for done, result in enumerate(pool.imap(attempt, tasks, chunksize=4), start=1):
            results.append(result)
            if done % every == 0 or done == len(tasks):
                print(f"{label}: {done} of {len(tasks)}", file=sys.stderr, flush=True)
    return results


def _attempt(work: Callable[[Task], Result], task: Task) -> Result:
    """Run one task; an error of the analysis names the curve that caused it."""
    try:
        return work(task)
    except (ArithmeticError, LookupError, ValueError) as error:
        raise RuntimeError(f"{task}: {error}") from error


def curve_of(made: Made) -> HoldCurve:
    """Return the made record as the program takes it."""
    return HoldCurve(made.t_s, made.pressure_pa, None, made.ambient_pa)


def conditions_of(made: Made) -> HoldConditions:
    """Return what the head of the made curve states."""
    stated = made.stated
    return HoldConditions(
        ambient_pa=stated.ambient_pa,
        gas_temperature_k=stated.gas_temperature_k,
        volume_m3=stated.volume_m3,
        volume_u_m3=stated.volume_u_m3,
        ambient_u_pa=stated.ambient_u_pa,
        gas_temperature_u_k=stated.gas_temperature_u_k,
        span_u=stated.span_u,
    )


def limit_of(gauge: Gauge) -> DropLimit:
    """Return the hand-gauge test as a limit."""
    return DropLimit(
        gauge.from_vacuum_pa, gauge.within_s, gauge.volume_m3, max_drop_pa=gauge.max_drop_pa
    )


def limit_flow_cc_min(gauge: Gauge) -> float:
    """Compute the flow [standard cm3/min] of a choked leak that just meets the limit."""
    leak = leak_with_drop("orifice", gauge.max_drop_pa, 0.53, gauge)
    return leak.standard_flow(gauge.from_vacuum_pa) * STD_CC_MIN


def table(title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Format a markdown table under its title."""
    lines = [f"### {title}", "", "| " + " | ".join(heads) + " |"]
    lines.append("|" + "---|" * len(heads))
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join([*lines, ""])


def percent(share: float, digits: int = 1) -> str:
    """Format a share."""
    return "-" if math.isnan(share) else f"{100.0 * share:.{digits}f} %"


def percent_2se(hits: int, of: int) -> str:
    """Format a share of counts with twice its standard error (binomial; 3/n where it is none)."""
    if of == 0:
        return "-"
    share = hits / of
    wide = 2.0 * math.sqrt(share * (1.0 - share) / of) if 0 < hits < of else min(3.0 / of, 1.0)
    return f"{100.0 * share:.2f} ± {100.0 * wide:.2f} %"


def quantile(values: Sequence[float], at: float) -> float:
    """Return a quantile of a list, NaN of an empty one."""
    return float(np.quantile(values, at)) if len(values) else math.nan
