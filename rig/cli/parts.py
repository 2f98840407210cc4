"""Own the command `rig parts` and the verbs below it; never keep a part itself."""

from pathlib import Path

import click

from rig import words
from rig.cli.console import say
from rig.cli.places import Place, place_options
from rig.cli.verb import Declared, json_option, option, verb, verbs
from rig.parts.intake import LookOver, PartCondition
from rig.records import Purpose

_STANDING_FOR = [str(each) for each in Purpose if each.confidence is not None]


def standing_options(command: Declared) -> Declared:
    """Give a command the options that say what a part is to stand for, and how long."""
    command = option(
        "--max-age", text="max_age", metavar="DAYS", type=click.IntRange(min=1), default=None
    )(command)
    return option("--purpose", text="standing_for", type=click.Choice(_STANDING_FOR))(command)


@verbs("parts")
@standing_options
@place_options
@json_option
@click.pass_context
def parts(
    context: click.Context,
    data: Path | None,
    bench: Path | None,
    purpose: str | None,
    max_age: int | None,
    *,
    as_json: bool,
) -> int:
    """List the parts, unless a verb below is meant."""
    if context.invoked_subcommand is not None:
        return 0
    from rig.cli import parts_list, plain, standings

    wanted = parts_list.Wanted(
        Purpose(purpose or Purpose.BEFORE_FITTING), max_age or standings.MAX_AGE_DAYS
    )
    with Place(data, bench).opened() as store:
        listed = parts_list.listed(store, wanted)
    say(plain.dumped(parts_list.as_json(listed, wanted)) if as_json else parts_list.as_text(listed))
    return 0


@verb("parts add")
@click.argument("tag", metavar="TAG")
@option("--family", text="family", metavar="NAME", required=True)
@option("--variant", text="variant", metavar="NAME")
@option(
    "--condition",
    text="condition",
    type=click.Choice([str(each) for each in PartCondition]),
    required=True,
)
@option("--number-read", text="number_read", metavar="TEXT")
@option("--number-unreadable", text="number_unreadable", metavar="WHY")
@option("--number-claimed", text="number_claimed", metavar="TEXT")
@option("--number-unclaimed", text="number_unclaimed", metavar="WHY")
@option("--make", text="make", metavar="TEXT", default="")
@option("--date-code", text="date_code", metavar="TEXT", default="")
@option("--source", text="part_source", metavar="TEXT", default="")
@option("--notes", text="notes", metavar="TEXT", default="")
@option("--saw", text="saw", type=click.Choice([str(each) for each in LookOver]), multiple=True)
@place_options
@json_option
def add(
    tag: str,
    data: Path | None,
    bench: Path | None,
    *,
    as_json: bool,
    condition: str,
    saw: tuple[str, ...],
    **texts: str | None,
) -> int:
    """Take a part in."""
    from rig.cli import plain, taking_in

    intake = taking_in.intake_of(tag, condition, saw, texts)
    with Place(data, bench).opened(begin=True) as store:
        store.add_part(intake)
        part = store.part(tag)
    say(plain.dumped(plain.part(part)) if as_json else taking_in.as_text(intake))
    return 0


@verb("parts rename")
@click.argument("old", metavar="OLD")
@click.argument("new", metavar="NEW")
@option("--reason", text="reason", metavar="TEXT", required=True)
@place_options
@json_option
def rename(
    old: str, new: str, reason: str, data: Path | None, bench: Path | None, *, as_json: bool
) -> int:
    """Give a part another tag."""
    from rig.cli.taking_in import refuse_rig_tag

    refuse_rig_tag(old)
    refuse_rig_tag(new)
    with Place(data, bench).opened() as store:
        store.rename(old, new, reason)
    done = words.DONE["renamed"].format(old=old, new=new)
    return _done(Place(data, bench), new, done, as_json=as_json)


@verb("parts retire")
@click.argument("tag", metavar="TAG")
@option("--reason", text="reason", metavar="TEXT", required=True)
@place_options
@json_option
def retire(tag: str, reason: str, data: Path | None, bench: Path | None, *, as_json: bool) -> int:
    """Mark a part as no longer in use."""
    with Place(data, bench).opened() as store:
        store.retire(tag, reason)
        tag = store.part(tag).tag
    return _done(Place(data, bench), tag, words.DONE["retired"].format(tag=tag), as_json=as_json)


@verb("parts rebuilt")
@click.argument("tag", metavar="TAG")
@option("--note", text="rebuild_note", metavar="TEXT", required=True)
@place_options
@json_option
def rebuilt(tag: str, note: str, data: Path | None, bench: Path | None, *, as_json: bool) -> int:
    """Note that a part was rebuilt."""
    with Place(data, bench).opened() as store:
        store.rebuilt(tag, note)
        tag = store.part(tag).tag
    return _done(Place(data, bench), tag, words.DONE["rebuilt"].format(tag=tag), as_json=as_json)


def _done(place: Place, tag: str, sentence: str, *, as_json: bool) -> int:
    """Say that it is done; to a program, the part as it is on record now."""
    if not as_json:
        say(sentence)
        return 0
    from rig.cli import plain

    with place.opened() as store:
        part, changes = store.part(tag), store.history(tag)
    say(plain.dumped({**plain.part(part), "changes": [plain.change(each) for each in changes]}))
    return 0


for _below in (add, rename, retire, rebuilt):
    parts.add_command(_below)
