"""Own the commands `rig backup` and `rig restore`; never copy a record themselves."""

from pathlib import Path

import click

from rig import words
from rig.cli.console import say
from rig.cli.places import Place, place_options, system_clock
from rig.cli.verb import json_option, option, verb
from rig.errors import InputError, UsageError


@verb("backup")
@option("--list", "as_list", text="list_backups", is_flag=True)
@place_options
@json_option
def backup(data: Path | None, bench: Path | None, *, as_list: bool, as_json: bool) -> int:
    """Make a backup, or list those that there are."""
    from rig.cli import plain
    from rig.store import backup as copies

    folder = Place(data, bench).record
    files = copies.backups(folder) if as_list else [copies.backup(folder, system_clock())]
    if as_json:
        told = [{"file": str(each), "bytes": each.stat().st_size} for each in files]
        say(plain.dumped({"backups": told} if as_list else told[0]))
    elif as_list:
        say("\n".join(map(str, files)) or words.BACKUP_LINES["none"])
    else:
        say(words.BACKUP_LINES["made"].format(file=files[0], size=_size(files[0])))
    return 0


@verb("restore")
@click.argument("file", metavar="BACKUP", type=click.Path(path_type=Path))
@option("--yes", text="yes", is_flag=True)
@place_options
@json_option
def restore(file: Path, data: Path | None, bench: Path | None, *, yes: bool, as_json: bool) -> int:
    """Put a backup in the record's place, once the person agrees."""
    from rig.cli import plain
    from rig.store import backup as copies

    place = Place(data, bench)
    folder = place.folder
    chosen = _chosen(file, folder / copies.FOLDER)
    if not yes and as_json:
        raise UsageError("a program that restores must say --yes, too.")
    if not yes and not _agreed(chosen, folder):
        say(words.BACKUP_LINES["not_restored"])
        return 0
    aside = copies.restore(folder, chosen, system_clock())
    with place.opened() as store:
        parts, newest = len(store.parts()), [each.run for each in store.runs(1)]
    if as_json:
        told = {
            "restored": str(chosen),
            "set_aside": None if aside is None else str(aside),
            "parts": parts,
            "newest_run": newest[0] if newest else None,
        }
        say(plain.dumped(told))
        return 0
    run = newest[0] if newest else words.REANALYSIS["nothing"]
    said = words.BACKUP_LINES["restored"].format(folder=folder, file=chosen, parts=parts, run=run)
    kept = "" if aside is None else words.BACKUP_LINES["aside"].format(file=aside)
    say(f"{said}\n{kept}")
    return 0


def _chosen(file: Path, folder: Path) -> Path:
    """Find a backup by its path, or by its name alone among those beside the record.

    Raises InputError where there is none.
    """
    for path in (file, folder / file.name):
        if path.is_file() and (path == file or file.name == str(file)):
            return path
    raise InputError(f"there is no backup {file}: `rig backup --list` shows those that there are.")


def _agreed(chosen: Path, folder: Path) -> bool:
    question = words.BACKUP_LINES["ask"].format(file=chosen, folder=folder)
    return click.confirm(question, err=True)


def _size(file: Path) -> str:
    return f"{file.stat().st_size / 1e6:.1f} MB"
