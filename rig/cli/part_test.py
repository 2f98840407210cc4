"""Own the command `rig test`: one test of one part in the terminal; never judge it.

Bench and analysis load when a test begins, so that help and wrong options answer at once.
"""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig import words
from rig.cli.analyse import EXIT_STATUS
from rig.cli.at_bench import BenchChoice, bench_at, bench_options
from rig.cli.console import say
from rig.cli.verb import json_option, option, verb
from rig.records import Outcome, Purpose

if TYPE_CHECKING:
    from rig.store.store import Store


@verb("test")
@click.argument("tag", metavar="TAG")
@option("--purpose", text="test_purpose", type=click.Choice([str(each) for each in Purpose]))
@option("--test", "tests", text="test", multiple=True, metavar="NAME")
@option("--limits", text="limits", metavar="SHEET.toml", type=click.Path(path_type=Path))
@option("--confirm", "confirmed", text="confirm", multiple=True, metavar="CODE")
@option("--note", text="note", default="", metavar="TEXT")
@option("--dry-run", text="dry_run", is_flag=True)
@json_option
@bench_options
def part_test(
    *,
    tag: str,
    purpose: str | None,
    tests: tuple[str, ...],
    limits: Path | None,
    confirmed: tuple[str, ...],
    note: str,
    dry_run: bool,
    as_json: bool,
    choice: BenchChoice,
) -> int:
    """Test a part at a bench, and return the exit status of what came of it."""
    from rig.cli import judged_anew
    from rig.cli.run_live import LiveRun, step_line
    from rig.cli.simulated_part import at_hand, confirmed_by_simulation, taken_in
    from rig.web.desk import TestRequest

    sheet = None if limits is None else judged_anew.read_sheet(limits)
    asked = TestRequest(
        tag, purpose, tests, None if sheet is None else sheet.limits.limits, confirmed, note
    )
    if choice.is_simulated:
        choice = at_hand(choice, tag)
    with bench_at(choice) as built:
        if choice.is_simulated:
            taken_in(built.loop.store, tag)
            asked = confirmed_by_simulation(asked, built.loop.store)
        if dry_run:
            say(words.LIVE["dry_run"])
            for number, step in enumerate(built.desk.dry_run(asked), 1):
                say(step_line(number, step))
            return 0
        live = LiveRun(built, quiet=as_json)
        live.wait_until_ready()
        if not (as_json or choice.is_simulated):
            say(words.LIVE["no_post_stop"])
        run = live.make(lambda: built.desk.start_test(asked))
        return report(built.loop.store, run, as_json=as_json)


def report(store: "Store", run: int, *, as_json: bool) -> int:
    """Tell what came of a run that just ended, and return its exit status."""
    from rig.cli import plain, run_report

    kept = store.load(run)
    tag = run_report.tag_now(store, kept)
    if as_json:
        say(plain.dumped(run_report.as_json(kept, tag)))
    else:
        say(run_report.as_text(kept, tag, details=False))
    return EXIT_STATUS[Outcome.INVALID if kept.result is None else kept.result.outcome]
