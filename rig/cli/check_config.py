"""Own the command `rig check-config`: which kind of file it is, what is wrong; never connect it."""

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import click

from rig import words
from rig.cli.console import say
from rig.cli.verb import json_option, option, verb
from rig.errors import InputError, UsageError

_OWN_KEYS: Mapping[str, frozenset[str]] = {
    "bench": frozenset(
        ("name", "data", "link", "pins", "valves", "outputs", "inputs", "channels", "safety")
    ),
    "family": frozenset(
        ("title", "does", "fuel_vapour", "cautions", "ports", "variants", "tests", "questions")
    ),
    "sheet": frozenset(("part_number", "make", "limits")),
}
"""What stands at the head of each kind of file, and in no other."""
Rows = list[tuple[str, str]]


@verb("check-config")
@click.argument("file", metavar="[FILE]", required=False, type=click.Path(path_type=Path))
@option("--keys", text="keys", is_flag=True)
@json_option
def check_config(file: Path | None, *, keys: bool, as_json: bool) -> int:
    """Read a file and say what is wrong with it, or what it says."""
    from rig.cli import plain

    if keys is (file is not None):
        raise UsageError("give the FILE to be read, or --keys, and not both.")
    if file is None:
        return _list_keys(as_json=as_json)
    from rig.cli.text_file import read_text_file

    name, text = click.format_filename(file), read_text_file(file)
    kind = _kind_of(text, name)
    try:
        title, rows = _READ[kind](text, name)
        faults: tuple[str, ...] = ()
    except InputError as error:
        title, rows, faults = "", [], error.errors
    if as_json:
        sound = not faults
        say(plain.dumped({"file": name, "kind": kind, "sound": sound, "errors": list(faults)}))
    else:
        say("\n".join(_lines(name, kind, title, rows, faults)))
    return InputError.exit_status if faults else 0


def _lines(name: str, kind: str, title: str, rows: Rows, faults: tuple[str, ...]) -> Iterator[str]:
    from rig.cli import layout

    said = words.FILE_LINES["one_fault" if len(faults) == 1 else "faults" if faults else "sound"]
    head = said.format(file=name, kind=words.FILE_KINDS[kind], count=len(faults), name=title)
    yield from layout.paragraphs([head])
    for fault in faults:
        yield ""
        yield from layout.paragraphs([fault])
    if rows:
        yield ""
        yield from layout.labelled(rows)


def _kind_of(text: str, name: str) -> str:
    """Tell which kind of file it is by what stands at its head.

    Raises InputError where it is no TOML, or none of the three.
    """
    from rig.toml_text import TomlText

    keys = TomlText(text, name, InputError).root.content
    found = {kind: len(own & keys.keys()) for kind, own in _OWN_KEYS.items()}
    kind = max(found, key=lambda each: found[each])
    if not found[kind]:
        raise InputError(
            f"{name} is none of ours: a bench file has [valves] and [channels], a family file"
            " [ports] and [variants], a spec sheet part_number and [limits]."
        )
    return kind


def _list_keys(*, as_json: bool) -> int:
    from rig.cli import layout, plain
    from rig.config import KEYS

    if as_json:
        say(plain.dumped({"keys": dict(KEYS)}))
    else:
        say("\n".join(layout.labelled(KEYS.items())))
    return 0


def _bench(text: str, name: str) -> tuple[str, Rows]:
    from rig.cli.file_summary import bench_rows
    from rig.config import parse_bench

    bench = parse_bench(text, name)
    return bench.name, bench_rows(bench)


def _family(text: str, name: str) -> tuple[str, Rows]:
    from rig.cli.file_summary import family_rows
    from rig.parts.family_file import read_family

    family = read_family(text, name)
    return family.title, family_rows(family)


def _sheet(text: str, name: str) -> tuple[str, Rows]:
    from rig.cli.file_summary import sheet_rows
    from rig.parts.spec_sheet import parse_spec_sheet

    sheet = parse_spec_sheet(text, name)
    return sheet.part_number, sheet_rows(sheet)


_READ: Mapping[str, Callable[[str, str], tuple[str, Rows]]] = {
    "bench": _bench,
    "family": _family,
    "sheet": _sheet,
}
