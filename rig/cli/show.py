"""Own the command `rig show`: its options and its output; never judge a run.

What reads the record loads when a run is shown, so that help and wrong options answer at once.
"""

from pathlib import Path

import click

from rig.cli.console import say
from rig.cli.places import Place, place_options
from rig.cli.verb import json_option, option, verb


@verb("show")
@click.argument("run", metavar="RUN", type=click.IntRange(min=1))
@option("--plot", text="show_plot", metavar="FILE.svg", type=click.Path(path_type=Path))
@option("--details", text="show_details", is_flag=True)
@place_options
@json_option
def show(
    run: int,
    plot: Path | None,
    data: Path | None,
    bench: Path | None,
    *,
    details: bool,
    as_json: bool,
) -> int:
    """Show one run."""
    from rig.cli import kept_hold, output_file, plain, run_report

    place = Place(data, bench)
    if plot is not None:
        output_file.refuse_target(plot, place.record / "record.db", ".svg")
    with place.opened() as store:
        kept = store.load(run)
        tag_now = run_report.tag_now(store, kept)
        hold = None if plot is None else kept_hold.last_hold(kept, store.load)
    if plot is not None and hold is not None:
        from rig.cli.plot import plot_svg

        output_file.write_whole(plot, plot_svg(hold))
    if as_json:
        say(plain.dumped(run_report.as_json(kept, tag_now)))
    else:
        say(run_report.as_text(kept, tag_now, details=details))
    return 0
