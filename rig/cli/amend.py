"""Own the commands `rig void` and `rig move`; never touch what a run recorded."""

from pathlib import Path

import click

from rig import words
from rig.cli.console import say
from rig.cli.places import Place, place_options
from rig.cli.verb import json_option, option, verb


@verb("void")
@click.argument("run", metavar="RUN", type=click.IntRange(min=1))
@option("--reason", text="reason", metavar="TEXT", required=True)
@place_options
@json_option
def void(run: int, reason: str, data: Path | None, bench: Path | None, *, as_json: bool) -> int:
    """Mark a run as one that counts for nothing."""
    with Place(data, bench).opened() as store:
        store.void(run, reason)
    return _done("voided", {"run": run, "voided": reason}, as_json=as_json)


@verb("move")
@click.argument("run", metavar="RUN", type=click.IntRange(min=1))
@click.argument("tag", metavar="TAG")
@option("--reason", text="reason", metavar="TEXT", required=True)
@place_options
@json_option
def move(
    run: int, tag: str, reason: str, data: Path | None, bench: Path | None, *, as_json: bool
) -> int:
    """Give a run to the part that was really tested."""
    with Place(data, bench).opened() as store:
        store.move(run, tag, reason)
        tag = store.part(tag).tag
    return _done("moved", {"run": run, "tag": tag, "reason": reason}, as_json=as_json)


def _done(what: str, told: dict[str, object], *, as_json: bool) -> int:
    if as_json:
        from rig.cli import plain

        say(plain.dumped(told))
    else:
        say(words.DONE[what].format(**told))
    return 0
