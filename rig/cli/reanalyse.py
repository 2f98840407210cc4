"""Own the command `rig reanalyse`: its options, its output, its exit status; never judge itself.

What judges loads when a run is judged, so that help and wrong options answer at once.
"""

from pathlib import Path

import click

from rig.cli.analyse import EXIT_STATUS
from rig.cli.console import say
from rig.cli.places import Place, place_options
from rig.cli.verb import json_option, option, verb
from rig.errors import StoreError, UsageError
from rig.records import Purpose


@verb("reanalyse")
@click.argument("run", metavar="RUN", type=click.IntRange(min=1))
@option("--limits", text="limits", metavar="SHEET.toml", type=click.Path(path_type=Path))
@option("--purpose", text="limits_purpose", type=click.Choice([str(each) for each in Purpose]))
@option("--details", text="show_details", is_flag=True)
@place_options
@json_option
def reanalyse(
    run: int,
    limits: Path | None,
    purpose: str | None,
    data: Path | None,
    bench: Path | None,
    *,
    details: bool,
    as_json: bool,
) -> int:
    """Judge a run again; return the exit status of what comes out now."""
    from rig.cli import judged_anew, plain

    if purpose is not None and limits is None:
        raise UsageError("--purpose goes with --limits: without them the run's own holds.")
    sheet = None if limits is None else judged_anew.read_sheet(limits)
    with Place(data, bench).opened() as store:
        kept = store.load(run)
        anew = judged_anew.judge(
            kept, store.load, sheet, None if purpose is None else Purpose(purpose)
        )
    if as_json:
        say(plain.dumped(judged_anew.as_json(anew)))
    else:
        say(judged_anew.as_text(anew, details=details))
    return StoreError.exit_status if anew.differences else EXIT_STATUS[anew.now.outcome]
