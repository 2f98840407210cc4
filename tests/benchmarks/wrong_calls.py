"""Measure wrong verdicts near the limit and under disturbances, and how soon a verdict comes.

Every hold is judged as it would be at the bench, with looks while it runs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from rig.analysis.leak import analyse_hold
from rig.analysis.looks import decide_early
from rig.records import Outcome
from tests.benchmarks.common import (
    conditions_of,
    curve_of,
    in_parallel,
    limit_of,
    options,
    percent,
    percent_2se,
    quantile,
    table,
)
from tests.support.curve_maker import draw, make
from tests.support.disturbances import KINDS

NEAR = (0.90, 0.98, 1.00, 1.02, 1.10)
FAR = (0.0, 0.3, 2.0, 5.0)
DISTURBED = (0.3, 3.0)
HOLD_S = 60.0


@dataclass(frozen=True)
class Task:
    """One hold to judge, with looks while it runs or only when it is over."""

    seed: int
    index: int
    family: str
    multiple: float
    disturbance: str | None = None
    whole: bool = False


@dataclass(frozen=True)
class Row:
    """One verdict, with the time into the hold at which it fell (the hold's end otherwise)."""

    task: Task
    labels: dict[str, str]
    outcome: Outcome
    after_s: float
    codes: tuple[str, ...]


def judge(task: Task) -> Row:
    """Make one hold and judge it."""
    scenario = draw(
        task.seed,
        task.index,
        task.family,
        multiple=task.multiple,
        disturbance=task.disturbance,
        hold_s=HOLD_S,
    )
    made = make(scenario)
    judged = analyse_hold if task.whole else decide_early
    result = judged(curve_of(made), conditions_of(made), limit_of(scenario.gauge))
    after = HOLD_S if result.decided_at_s is None else result.decided_at_s
    codes = tuple(reason.code for reason in result.reasons)
    return Row(task, dict(made.labels), result.outcome, after, codes)


def outcome_cells(rows: Sequence[Row]) -> tuple[str, ...]:
    """Format the share of each outcome with twice its standard error."""
    kinds = (Outcome.PASS, Outcome.FAIL, Outcome.UNDECIDED, Outcome.INVALID)
    counts = [sum(row.outcome is kind for row in rows) for kind in kinds]
    return (str(len(rows)), *(percent_2se(count, len(rows)) for count in counts))


def wrong(row: Row) -> bool:
    """Tell whether the verdict is the opposite of the truth (the limit itself conforms)."""
    bad = row.task.multiple > 1.0
    return row.outcome is (Outcome.PASS if bad else Outcome.FAIL)


def near_limit(rows: Sequence[Row]) -> str:
    """Format the verdicts near the limit, over all and by class."""
    heads = ("leak / limit", "curves", "pass", "fail", "undecided", "spoiled", "wrong")
    parts = []
    for family in ("both", "true", "false"):
        lines = []
        for multiple in sorted({row.task.multiple for row in rows}):
            chosen = [
                row
                for row in rows
                if row.task.multiple == multiple and family in ("both", row.task.family)
            ]
            if chosen:
                mistakes = percent_2se(sum(map(wrong, chosen)), len(chosen))
                lines.append((f"{multiple:.2f}", *outcome_cells(chosen), mistakes))
        parts.append(table(f"Verdicts near the limit, families: {family}", heads, lines))
    for split in ("kind", "volume", "noise", "law"):
        lines = []
        for value in sorted({row.labels[split] for row in rows}):
            chosen = [row for row in rows if row.labels[split] == value]
            passed = [row for row in chosen if row.task.multiple > 1.0]
            failed = [row for row in chosen if row.task.multiple <= 1.0]
            lines.append(
                (
                    value,
                    str(len(chosen)),
                    percent_2se(sum(map(wrong, passed)), len(passed)),
                    percent_2se(sum(map(wrong, failed)), len(failed)),
                )
            )
        heads = (split, "curves", "wrong pass of those above", "wrong fail of those at or below")
        parts.append(table(f"Wrong verdicts near the limit by {split}", heads, lines))
    return "\n".join(parts)


def times(rows: Sequence[Row]) -> str:
    """Format the time to the verdict as a share of the fixed hold, undecided counted as all."""
    parts = []
    for split in (None, "volume", "family"):
        lines = []
        for multiple in FAR:
            at = [row for row in rows if row.task.multiple == multiple]
            for value in sorted({_class_of(row, split) for row in at}):
                chosen = [row for row in at if _class_of(row, split) == value]
                shares = [row.after_s / HOLD_S for row in chosen]
                undecided = sum(row.outcome is Outcome.UNDECIDED for row in chosen)
                lines.append(
                    (
                        f"{multiple:g}",
                        value,
                        str(len(chosen)),
                        percent(quantile(shares, 0.5)),
                        percent(quantile(shares, 0.9)),
                        percent(undecided / len(chosen)),
                        percent_2se(sum(map(wrong, chosen)), len(chosen)),
                    )
                )
        heads = ("leak / limit", split or "class", "curves", "median", "90 %", "undecided", "wrong")
        title = f"Time to the verdict as a share of {HOLD_S:g} s" + (
            f", by {split}" if split else ""
        )
        parts.append(table(title, heads, lines))
    return "\n".join(parts)


def _class_of(row: Row, split: str | None) -> str:
    if split is None:
        return "all"
    return row.task.family if split == "family" else row.labels[split]


def disturbed(rows: Sequence[Row]) -> str:
    """Format the verdicts under each disturbance, at a leak well below and well above the limit."""
    heads = ("disturbance", "leak / limit", "curves", "pass", "fail", "undecided", "spoiled")
    heads += ("wrong", "commonest reason")
    parts = []
    for whole, title in ((False, "with looks"), (True, "judged when over")):
        lines = []
        for kind in KINDS:
            for multiple in DISTURBED:
                chosen = [
                    row
                    for row in rows
                    if (row.task.disturbance, row.task.multiple, row.task.whole)
                    == (kind, multiple, whole)
                ]
                mistakes = percent_2se(sum(map(wrong, chosen)), len(chosen))
                spoilt = [row for row in chosen if row.outcome is Outcome.INVALID]
                codes = [code for row in spoilt for code in row.codes]
                common = max(set(codes), key=codes.count) if codes else "-"
                lines.append((kind, f"{multiple:g}", *outcome_cells(chosen), mistakes, common))
        parts.append(table(f"Verdicts under disturbances, {title}", heads, lines))
    return "\n".join(parts)


def culprits(rows: Sequence[Row]) -> str:
    """List curves judged wrongly though their leak is not within 5 % of the limit."""
    lines = []
    for row in rows:
        task = row.task
        if wrong(row) and abs(task.multiple - 1.0) > 0.05:
            cells = (task.index, task.family, f"{task.multiple:g}", task.disturbance or "-")
            when = "over" if task.whole else f"{row.after_s:g} s"
            volume = row.labels["volume"]
            lines.append((*map(str, cells), when, row.labels["kind"], row.labels["law"], volume))
    heads = ("index", "family", "leak / limit", "disturbance", "judged at", "kind", "law", "volume")
    return table(
        f"Wrong verdicts off the limit ({len(lines)}, at most 40 shown)", heads, lines[:40]
    )


def main() -> None:
    """Run the benchmark from the command line."""
    parser = options(__doc__ or "", 2_000)
    parser.add_argument("--family", choices=("true", "false", "both"), default="both")
    parser.add_argument("--times", type=int, default=400, help="curves of each leak when timing")
    parser.add_argument("--disturbed", type=int, default=100, help="curves of each disturbance")
    args = parser.parse_args()
    families = ("true", "false") if args.family == "both" else (args.family,)

    def tasks(
        multiple: float, count: int, disturbance: str | None = None, *, whole: bool = False
    ) -> list[Task]:
        # Each leak has its own curves, or one unlucky curve would count five times.
        first = round(1e6 * multiple) * 10 + (KINDS.index(disturbance) + 1 if disturbance else 0)
        return [
            Task(args.seed, first + i, families[i % len(families)], multiple, disturbance, whole)
            for i in range(count)
        ]

    near = [task for multiple in NEAR for task in tasks(multiple, args.count)]
    far = [task for multiple in FAR for task in tasks(multiple, args.times)]
    spoilt = [
        task
        for kind in KINDS
        for multiple in DISTURBED
        for whole in (False, True)
        for task in tasks(multiple, args.disturbed, kind, whole=whole)
    ]
    rows: list[Row] = []
    for asked, label, report in (
        (near, "near the limit", near_limit),
        (far, "time to verdict", times),
        (spoilt, "disturbed", disturbed),
    ):
        if asked:
            judged = in_parallel(judge, asked, args.jobs, label)
            print(report(judged), flush=True)
            rows += judged
    print(culprits(rows))


if __name__ == "__main__":
    main()
