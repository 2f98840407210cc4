"""Own the command `rig`: its verbs, and how an error reaches the person; never do a verb's work."""

import json
import sys
from collections.abc import Sequence

import click

from rig import __version__, words
from rig.cli.amend import move, void
from rig.cli.analyse import analyse
from rig.cli.check_config import check_config
from rig.cli.console import say
from rig.cli.families import families
from rig.cli.history import history
from rig.cli.part_test import part_test
from rig.cli.parts import parts
from rig.cli.reanalyse import reanalyse
from rig.cli.record_files import backup, restore
from rig.cli.rig_test import self_test
from rig.cli.serve import safe, serve
from rig.cli.show import show
from rig.cli.words_list import words_list
from rig.errors import RigError, UsageError

INTERRUPTED = 130
"""What a shell reports of a program that was interrupted from the keyboard."""


@click.group("rig", help=words.PROGRAM_HELP, context_settings={"max_content_width": 100})
@click.version_option(__version__, message="rig %(version)s", help=words.OPTION_HELP["version"])
@click.help_option("--help", help=words.OPTION_HELP["help"])
def rig() -> None:
    """Group the verbs."""


for _verb in (
    part_test,
    self_test,
    serve,
    safe,
    analyse,
    parts,
    history,
    show,
    void,
    move,
    reanalyse,
    backup,
    restore,
    families,
    check_config,
    words_list,
):
    rig.add_command(_verb)


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit status; see `rig.errors` for their meanings.

    An error becomes one sentence on the standard error. Where `--json` stands among the arguments
    it becomes a JSON object with "error" and "exit_status" on the standard output as well.
    """
    try:
        status = rig.main(list(arguments) or ["--help"], prog_name="rig", standalone_mode=False)
    except click.UsageError as error:
        hint = "" if error.ctx is None else f" See `{error.ctx.command_path} --help`."
        return _report(error.format_message() + hint, UsageError.exit_status, arguments)
    except click.Abort:
        return INTERRUPTED
    except RigError as error:
        return _report(str(error), error.exit_status, arguments)
    return int(status or 0)


def _report(sentence: str, status: int, arguments: Sequence[str]) -> int:
    line = " ".join(sentence.split())
    print(f"rig: {line}", file=sys.stderr)  # noqa: T201 - errors go to their own stream
    if "--json" in arguments:
        say(json.dumps({"error": line, "exit_status": status}))
    return status


def main() -> None:
    """Run the command line of this process."""
    sys.exit(run(sys.argv[1:]))
