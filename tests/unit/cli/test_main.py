"""Tests of the command `rig` itself: help, version, and how errors reach the person."""

import resource
import subprocess
import sys
from pathlib import Path

import click
import pytest

from rig import __version__
from rig.cli.analyse import EXIT_STATUS, analyse
from rig.cli.main import INTERRUPTED, rig, run
from rig.records import Outcome

ROOT = Path(__file__).parents[3]


def test_help_and_version_answer_at_once_without_numpy() -> None:
    """`rig --help` takes less than 0.3 s and loads no numbers."""
    code = (
        "import sys; from rig.cli.main import run; run(sys.argv[1:]);"
        "print('numpy' in sys.modules, file=sys.stderr)"
    )
    spent = []
    for arguments in (["--help"], ["--version"], ["analyse", "--help"]):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        assert done.stdout
        assert done.stderr == "False\n"
    assert min(spent) < 0.3


def test_version_names_the_command_and_its_version(capsys: pytest.CaptureFixture[str]) -> None:
    """One line that can be read by eye and by script."""
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"rig {__version__}\n"


def test_a_bare_command_shows_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever types `rig` and nothing else wants to know what there is."""
    assert run([]) == 0
    bare = capsys.readouterr().out
    assert run(["--help"]) == 0
    assert bare == capsys.readouterr().out
    assert "analyse" in bare


@pytest.mark.parametrize("arguments", [["--help"], ["parts", "--help"]])
def test_the_list_of_verbs_says_each_in_one_whole_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    """On the narrowest usual terminal, of 80 columns, no verb's sentence is cut off."""
    monkeypatch.setenv("COLUMNS", "80")
    assert run(arguments) == 0
    verbs = capsys.readouterr().out.partition("Commands:\n")[2].splitlines()
    assert verbs
    for line in verbs:
        assert line.endswith(".")
        assert not line.endswith("...")


def test_an_unknown_verb_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit status 2, one line, and where to look."""
    assert run(["analyze"]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert "analyze" in err
    assert "rig --help" in err


def test_a_missing_curve_is_a_usage_error(capsys: pytest.CaptureFixture[str]) -> None:
    """The sentence names what is missing."""
    assert run(["analyse"]) == 2
    assert "CURVE.csv" in capsys.readouterr().err


def test_an_interruption_is_no_outcome(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C ends the command with what shells use for it, never with a verdict's status."""

    def interrupted(*_: object, **__: object) -> None:
        raise click.Abort

    monkeypatch.setattr(rig, "main", interrupted)
    assert run(["analyse", "curve.csv"]) == INTERRUPTED


def test_every_outcome_has_its_exit_status() -> None:
    """0 pass or measured, 1 fail, 6 invalid, 7 undecided or not tested."""
    assert {outcome: EXIT_STATUS[outcome] for outcome in Outcome} == {
        Outcome.PASS: 0,
        Outcome.MEASURED: 0,
        Outcome.FAIL: 1,
        Outcome.INVALID: 6,
        Outcome.UNDECIDED: 7,
        Outcome.NOT_TESTED: 7,
    }


def test_every_option_has_its_help() -> None:
    """No option of any verb is left unexplained."""
    for command in (rig, analyse):
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, parameter.name
