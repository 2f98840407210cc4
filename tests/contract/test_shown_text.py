"""Tests of where the text that a person reads comes from, and of what no text may say."""

import ast
import re

import click
import pytest

from rig import words
from rig.cli.main import rig
from tests.contract.tree import texts

MODULES = texts(".py", under="rig/")
PRINTERS = {"rig/cli/console.py", "rig/cli/main.py"}
"""What may print: the terminal's owner, and the errors' way to their own stream."""
SHOWING_CALLS = {"say", "print", "click.echo", "click.secho", "click.prompt", "click.confirm"}
SHOWN_ARGUMENTS = {"help", "short_help", "epilog", "prompt", "message"}
NO_SENTENCES = {"rig %(version)s", "rig: "}
"""The command's own name before its version and before an error."""


def _literals(node: ast.AST) -> list[str]:
    return [
        each.value
        for each in ast.walk(node)
        if isinstance(each, ast.Constant) and isinstance(each.value, str)
    ]


def _said_in_place(text: str) -> list[str]:
    """List the literals of a module that go straight to a person: printed, or as help."""
    said: list[str] = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call):
            if ast.unparse(node.func) in SHOWING_CALLS:
                said += [each for argument in node.args for each in _literals(argument)]
            for keyword in node.keywords:
                value = keyword.value
                if keyword.arg in SHOWN_ARGUMENTS and isinstance(
                    value, ast.Constant | ast.JoinedStr
                ):
                    said += _literals(value)
    return [
        each for each in said if re.search(r"[A-Za-z]{3}.* ", each) and each not in NO_SENTENCES
    ]


@pytest.mark.parametrize("file", [file for file in MODULES if not file.startswith("rig/words/")])
def test_what_is_shown_is_not_written_where_it_is_shown(file: str) -> None:
    """A sentence for a person stands in `rig.words`, so that all can be read as one list."""
    assert _said_in_place(MODULES[file]) == []


@pytest.mark.parametrize("file", MODULES)
def test_one_module_prints(file: str) -> None:
    """Everything for the terminal goes through its one owner, which sees that it arrives."""
    calls = {
        ast.unparse(node.func)
        for node in ast.walk(ast.parse(MODULES[file]))
        if isinstance(node, ast.Call)
    }
    prints = {"print", "click.echo", "click.secho", "sys.stdout.write", "sys.stderr.write"} & calls
    assert not prints or file in PRINTERS


def _commands() -> list[click.Command]:
    below = [
        each
        for command in rig.commands.values()
        if isinstance(command, click.Group)
        for each in command.commands.values()
    ]
    return [rig, *rig.commands.values(), *below]


@pytest.mark.parametrize("command", _commands(), ids=lambda command: str(command.name))
def test_help_comes_from_the_list_of_words(command: click.Command) -> None:
    """Each verb and each option has its help, and it is a text of `rig.words`."""
    options = [each for each in command.params if isinstance(each, click.Option)]
    assert {each.help for each in options} <= set(words.OPTION_HELP.values())
    assert command.help in {words.PROGRAM_HELP, words.ANALYSE_HELP, *words.COMMAND_HELP.values()}
    assert options


def test_no_help_is_left_over() -> None:
    """A text in the list of words that no option shows is dead."""
    shown = {each.help for each in _all_options() if isinstance(each, click.Option)}
    assert set(words.OPTION_HELP.values()) <= shown


def _all_options() -> list[click.Parameter]:
    return [
        each
        for command in _commands()
        for each in command.get_params(click.Context(command, info_name=command.name))
    ]


EVERYTHING = texts()
PROMISES = re.compile(r"\b(legal(ly)?|compliant|complies|compliance|roadworth\w+)\b", re.IGNORECASE)
UNFINISHED = re.compile(r"\b(TOD[O]|FIXM[E]|XX[X])\b")
ELSEWHERE = re.compile(
    r"/wor[k]/|/tm[p]/lab|\.\./share[d]\b|\bsub-?agen[t]s?\b|\blanguage mode[l]s?\b"
    r"|\bpyp[i]\.org|pythonhoste[d]\.org|piwheel[s]\.org|npmj[s]\.|\bdeb\.debia[n]\.org",
    re.IGNORECASE,
)
"""Each pattern is written so that it does not find itself here."""


@pytest.mark.parametrize("file", [file for file in EVERYTHING if not file.startswith("tests/")])
def test_no_text_promises_what_a_bench_cannot(file: str) -> None:
    """The program and its documents never say that a part or a car meets the law."""
    assert [found.group() for found in PROMISES.finditer(EVERYTHING[file])] == []


@pytest.mark.parametrize("file", EVERYTHING)
def test_no_text_is_unfinished_or_speaks_of_one_machine(file: str) -> None:
    """No marks of unfinished work; no paths, package servers or workplaces of whoever wrote it."""
    assert [found.group() for found in UNFINISHED.finditer(EVERYTHING[file])] == []
    assert [found.group() for found in ELSEWHERE.finditer(EVERYTHING[file])] == []
