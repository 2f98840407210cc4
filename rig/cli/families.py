"""Own the command `rig families`, which lists what can be tested; never plan a test."""

import click

from rig.cli.console import say
from rig.cli.verb import json_option, verb


@verb("families")
@click.argument("name", metavar="[NAME]", required=False)
@json_option
def families(name: str | None, *, as_json: bool) -> int:
    """List the families that come with the program, or one of them."""
    from rig.cli import layout, plain
    from rig.cli.family_data import as_json as told
    from rig.cli.file_summary import family_rows
    from rig.daemon.desk import family_of
    from rig.parts.families import shipped_families

    found = [family_of(each) for each in ([name] if name else shipped_families())]
    if as_json:
        say(plain.dumped({"families": [told(family) for family in found]}))
        return 0
    lines = []
    for family in found:
        rows = layout.labelled(family_rows(family))
        lines += [f"{family.title} ({family.name})", "", *rows, ""]
    say("\n".join(lines))
    return 0
