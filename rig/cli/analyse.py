"""Own the command `rig analyse`: its options, its output, its exit status; never judge anything.

The analysis loads when a curve is read, so that help and wrong options answer at once.
"""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from rig import words
from rig.cli.console import say
from rig.cli.settings import CONDITIONS, KnownConditions
from rig.records import Outcome, Purpose

EXIT_STATUS = {
    Outcome.PASS: 0,
    Outcome.MEASURED: 0,
    Outcome.FAIL: 1,
    Outcome.INVALID: 6,
    Outcome.UNDECIDED: 7,
    Outcome.NOT_TESTED: 7,
}
"""What a command that ends in an outcome returns to the shell."""

_LIMIT_OPTIONS = {
    "--from": ("from_vacuum", "from", "15inHg"),
    "--max-drop": ("max_drop", "max_drop", "1inHg"),
    "--within": ("within", "within", "20s"),
    "--reference-volume": ("reference_volume", "reference_volume", "45cc"),
    "--source": ("source", "source", "TEXT"),
}
_Command = Callable[..., int]


def _limit_options(command: _Command) -> _Command:
    for option, (name, help_key, example) in reversed(_LIMIT_OPTIONS.items()):
        text = words.OPTION_HELP[help_key]
        command = click.option(option, name, metavar=example, help=text)(command)
    return command


def _condition_options(command: _Command) -> _Command:
    for condition in reversed(CONDITIONS):
        help_key = condition.option.removeprefix("--").replace("-", "_")
        command = click.option(
            condition.option,
            condition.field,
            metavar=condition.example,
            help=words.OPTION_HELP[help_key],
        )(command)
    return command


@click.command(
    "analyse",
    help=words.ANALYSE_HELP,
    short_help=words.ANALYSE_SHORT_HELP,
    context_settings={"max_content_width": 100},
)
@click.help_option("--help", help=words.OPTION_HELP["help"])
@click.argument("curve", metavar="CURVE.csv", type=click.Path(path_type=Path))
@_limit_options
@click.option(
    "--purpose",
    type=click.Choice([str(purpose) for purpose in Purpose]),
    help=words.OPTION_HELP["purpose"],
)
@_condition_options
@click.option(
    "--blank-off",
    metavar="CAPPED.csv",
    type=click.Path(path_type=Path),
    help=words.OPTION_HELP["blank_off"],
)
@click.option("--json", "as_json", is_flag=True, help=words.OPTION_HELP["json"])
@click.option(
    "--plot", metavar="FILE.svg", type=click.Path(path_type=Path), help=words.OPTION_HELP["plot"]
)
@click.option("--details", is_flag=True, help=words.OPTION_HELP["details"])
def analyse(
    curve: Path,
    purpose: str | None,
    blank_off: Path | None,
    plot: Path | None,
    *,
    as_json: bool,
    details: bool,
    from_vacuum: str | None,
    max_drop: str | None,
    within: str | None,
    reference_volume: str | None,
    source: str | None,
    **condition_texts: str | None,
) -> int:
    """Read the curve, judge it, report it; return the exit status."""
    from rig.cli import analyse_curve, output_file, report

    options = _known_conditions(condition_texts)
    limit = analyse_curve.LimitTexts(from_vacuum, max_drop, within, reference_volume, source)
    if plot is not None:
        for source_file in (curve, *([] if blank_off is None else [blank_off])):
            output_file.refuse_target(plot, source_file, ".svg")
    analysed = analyse_curve.analyse_curve(
        curve,
        click.format_filename(curve),
        options,
        limit,
        None if purpose is None else Purpose(purpose),
        blank_off=None
        if blank_off is None
        else analyse_curve.BlankOff(blank_off, click.format_filename(blank_off)),
    )
    if plot is not None:
        from rig.cli.plot import plot_svg

        output_file.write_whole(plot, plot_svg(analysed))
    if as_json:
        say(json.dumps(report.as_json(analysed), indent=2, allow_nan=False))
    else:
        say(report.as_text(analysed, details=details))
    return EXIT_STATUS[analysed.result.outcome]


def _known_conditions(texts: dict[str, str | None]) -> KnownConditions:
    """Read the options that give conditions.

    Raises InputError, naming the option, for a text that is no such quantity or not believable.
    """
    known: dict[str, Any] = {}
    for condition in CONDITIONS:
        text = texts[condition.field]
        if text is not None:
            known[condition.field] = condition.read(text, condition.option)
    return KnownConditions(**known)
