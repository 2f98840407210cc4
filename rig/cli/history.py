"""Own the command `rig history`: its options and its output; never read the record itself."""

from pathlib import Path

import click

from rig.cli.console import say
from rig.cli.parts import standing_options
from rig.cli.places import Place, place_options
from rig.cli.verb import json_option, option, verb
from rig.records import Purpose

_NEWEST = 20


@verb("history")
@click.argument("tag", metavar="[TAG]", required=False)
@standing_options
@option("--newest", text="newest", metavar="COUNT", type=click.IntRange(min=1), default=_NEWEST)
@place_options
@json_option
def history(
    *,
    tag: str | None,
    data: Path | None,
    bench: Path | None,
    purpose: str | None,
    max_age: int | None,
    newest: int,
    as_json: bool,
) -> int:
    """Tell the story of one part, or list the newest runs."""
    from rig.cli import part_story, parts_list, plain, run_list, standings

    wanted = parts_list.Wanted(
        Purpose(purpose or Purpose.BEFORE_FITTING), max_age or standings.MAX_AGE_DAYS
    )
    with Place(data, bench).opened() as store:
        if tag is None:
            runs = store.runs(newest)
            told, text = run_list.as_json(runs), run_list.as_text(runs)
        else:
            story = part_story.story_of(store, tag, wanted)
            told, text = part_story.as_json(story), part_story.as_text(story)
    say(plain.dumped(told) if as_json else text)
    return 0
