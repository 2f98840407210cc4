"""Own how a verb of the command line is declared, with its help; never what it does."""

from collections.abc import Callable
from typing import Any

import click

from rig import words

Declared = Callable[..., Any]
_SETTINGS = {"max_content_width": 100}


def verb(path: str) -> Callable[[Declared], click.Command]:
    """Make a function the verb with this path, such as "parts add"."""

    def declare(function: Declared) -> click.Command:
        made = click.command(
            path.rpartition(" ")[2], help=words.COMMAND_HELP[path], context_settings=_SETTINGS
        )
        return made(_helped(function))

    return declare


def verbs(path: str) -> Callable[[Declared], click.Group]:
    """Make a function that of a verb with verbs below it; it is called without one, too."""

    def declare(function: Declared) -> click.Group:
        made = click.group(
            path,
            help=words.COMMAND_HELP[path],
            context_settings=_SETTINGS,
            invoke_without_command=True,
        )
        return made(_helped(function))

    return declare


def option(*names: str, text: str, **settings: Any) -> Callable[[Declared], Declared]:
    """Make an option whose help stands under `text` in the list of words."""
    return click.option(*names, help=words.OPTION_HELP[text], **settings)


json_option = option("--json", "as_json", text="json", is_flag=True)


def _helped(function: Declared) -> Declared:
    return click.help_option("--help", help=words.OPTION_HELP["help"])(function)
