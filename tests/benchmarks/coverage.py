"""Measure whether the stated uncertainty is fair: how often the truth lies within 1, 2, 3 u.

Curves of both families at full length and at the early stop, split by what they are made of.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.hold import HoldResult
from rig.analysis.leak import analyse_hold
from rig.analysis.looks import decide_early
from tests.benchmarks.common import (
    STD_CC_MIN,
    conditions_of,
    curve_of,
    in_parallel,
    limit_flow_cc_min,
    limit_of,
    options,
    percent,
    table,
)
from tests.support.curve_maker import draw, make

TARGETS = {"true": "60-80 / >= 92", "false": "- / >= 85"}
SPLITS = ("kind", "volume", "noise", "multiple", "law", "rate")


@dataclass(frozen=True)
class Task:
    """One curve to analyse."""

    seed: int
    index: int
    family: str
    room_drift_u_k_min: float
    at_stop: bool


@dataclass(frozen=True)
class Row:
    """One analysis: errors of leak and drop in their u, u over the limit, classes of the curve."""

    index: int
    family: str
    when: str
    labels: dict[str, str]
    error: float
    drop_error: float
    relative_u: float
    found: str


def analyse(task: Task) -> list[Row]:
    """Make one curve and analyse it whole and, where asked, with early stop."""
    scenario = draw(task.seed, task.index, task.family, room_drift_u_k_min=task.room_drift_u_k_min)
    made = make(scenario)
    curve, conditions, limit = curve_of(made), conditions_of(made), limit_of(scenario.gauge)
    results = {"whole hold": analyse_hold(curve, conditions, limit)}
    if task.at_stop:
        results["early stop"] = decide_early(curve, conditions, limit)
    limit_flow = limit_flow_cc_min(scenario.gauge)

    def row(when: str, result: HoldResult) -> Row:
        error = drop_error = relative_u = math.nan
        if result.leak is not None and result.equivalent_drop is not None:
            leak, drop = result.leak.scaled(STD_CC_MIN), result.equivalent_drop
            error = (leak.value - made.truth.leak_std_cc_min) / leak.u
            drop_error = (drop.value - made.truth.drop_pa) / drop.u
            relative_u = leak.u / limit_flow
        settled = "spoiled" if result.settling is None else result.settling.kind
        return Row(
            task.index, task.family, when, dict(made.labels), error, drop_error, relative_u, settled
        )

    return [row(when, result) for when, result in results.items()]


def summary(rows: Sequence[Row], errors: Sequence[float]) -> tuple[str, ...]:
    """Format the shares within 1, 2, 3 u, u over the limit, and the mean and spread of errors."""
    z = np.array([error for error in errors if math.isfinite(error)])
    u = np.array([row.relative_u for row in rows if math.isfinite(row.relative_u)])
    if not len(z):
        return (str(len(rows)), str(len(rows)), *["-"] * 7)
    shares = (percent(float(np.mean(np.abs(z) <= k))) for k in (1.0, 2.0, 3.0))
    return (
        str(len(rows)),
        str(len(rows) - len(z)),
        *shares,
        f"{u.mean():.3f}",
        f"{np.median(u):.3f}",
        f"{z.mean():+.2f}",
        f"{np.sqrt(np.mean(np.clip(z, -9.0, 9.0) ** 2)):.2f}",
    )


HEADS = (
    *("curves", "spoiled", "within 1 u", "2 u", "3 u", "mean u/limit", "median u/limit"),
    *("mean error/u", "rms error/u (cut at 9)"),
)


def report(rows: Sequence[Row]) -> str:
    """Format all tables."""
    cells = sorted({(row.family, row.when) for row in rows}, reverse=True)

    def of(family: str, when: str) -> list[Row]:
        return [row for row in rows if (row.family, row.when) == (family, when)]

    whole = []
    for family, when in cells:
        chosen = of(family, when)
        for name, pick in (("leak", _leak_error), ("drop", _drop_error)):
            figures = summary(chosen, [pick(row) for row in chosen])
            whole.append((f"model-{family}", when, name, *figures, TARGETS[family]))
    heads = ("family", "when", "of", *HEADS, "target 1 u / 2 u, %")
    parts = [table("Coverage", heads, whole)]
    for family, when in cells:
        chosen = of(family, when)
        for split in SPLITS:
            values = sorted({row.labels[split] for row in chosen}, key=_natural)
            lines = []
            for value in values:
                part = [row for row in chosen if row.labels[split] == value]
                lines.append((value, *summary(part, [row.error for row in part])))
            parts.append(table(f"model-{family}, {when}, by {split}", (split, *HEADS), lines))
        parts.append(_worst(f"model-{family}, {when}: the 12 furthest off", chosen))
        parts.append(_confusion(f"model-{family}, {when}: settling named", chosen))
    return "\n".join(parts)


def _worst(title: str, rows: Sequence[Row]) -> str:
    """List the curves whose leak is furthest off in its u."""
    known = [row for row in rows if math.isfinite(row.error)]
    lines = []
    for row in sorted(known, key=lambda row: -abs(row.error))[:12]:
        labels = (row.labels[name] for name in ("kind", "law", "multiple", "volume", "noise"))
        lines.append(
            (str(row.index), f"{row.error:+.1f}", f"{row.relative_u:.3f}", row.found, *labels)
        )
    heads = ("index", "error/u", "u/limit", "named", "kind", "law", "multiple", "volume", "noise")
    return table(title, heads, lines)


def _confusion(title: str, rows: Sequence[Row]) -> str:
    """Format what settling was found for each kind made, as shares of the kind."""
    found = sorted({row.found for row in rows})
    lines = []
    for kind in sorted({row.labels["kind"] for row in rows}):
        named = [row.found for row in rows if row.labels["kind"] == kind]
        lines.append((kind, *(percent(named.count(name) / len(named), 0) for name in found)))
    return table(title, ("made", *found), lines)


def _leak_error(row: Row) -> float:
    return row.error


def _drop_error(row: Row) -> float:
    return row.drop_error


def _natural(value: str) -> tuple[float, str]:
    """Sort classes by the first number in their name."""
    number = next((word for word in value.split() if _is_number(word)), None)
    below = -0.5 if value.startswith("below") else 0.0
    return (float(number) + below if number else -1.0, value)


def _is_number(word: str) -> bool:
    return word.replace(".", "", 1).isdigit()


def main() -> None:
    """Run the benchmark from the command line."""
    parser = options(__doc__ or "", 1_000)
    parser.add_argument("--whole-only", action="store_true", help="leave the early stop out")
    parser.add_argument("--family", choices=("true", "false", "both"), default="both")
    parser.add_argument(
        "--room-drift",
        type=float,
        default=0.0,
        help="standard deviation [K/min] of a drift of the gas laid over every curve",
    )
    args = parser.parse_args()
    families = ("true", "false") if args.family == "both" else (args.family,)
    tasks = [
        Task(args.seed, index, family, args.room_drift, not args.whole_only)
        for family in families
        for index in range(args.count)
    ]
    rows = [row for rows in in_parallel(analyse, tasks, args.jobs, "coverage") for row in rows]
    print(report(rows))


if __name__ == "__main__":
    main()
