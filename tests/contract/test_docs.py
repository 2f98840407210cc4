"""Tests of the documents against the program: what they show, name and promise is there."""

import re
import shlex
from collections.abc import Iterator

import click
import pytest

from rig import errors
from rig.cli.analyse import EXIT_STATUS
from rig.cli.curve_rows import COLUMNS
from rig.cli.main import INTERRUPTED, rig
from rig.cli.settings import CONDITIONS
from tests.contract.examples import PROGRAM, Example, commands, examples, fences
from tests.contract.tree import ROOT, project_files, texts

README = texts("README.md")["README.md"]
DEVELOPERS = texts("DEVELOPERS.md")["DEVELOPERS.md"]
DOCUMENTS = texts(".md")
TEST_LINE = "tests/run"
OF_OTHER_PROGRAMS = {
    *("--lowest", "--durations", "--help", "--count", "--jobs", "--seed"),
    *("--times", "--disturbed", "--family", "--repeats", "--seconds"),
}
"""Options in documents that belong to the tests, the benchmarks and pytest."""
EXAMPLES = examples(README)


def _options(command: click.Command) -> set[str]:
    parameters = command.get_params(click.Context(command, info_name=command.name))
    return {name for each in parameters for name in each.opts if name.startswith("--")}


OPTIONS = {name for command in (rig, *rig.commands.values()) for name in _options(command)}


def _table(text: str, heading: str) -> list[list[str]]:
    """Return the cells of the table whose first heading is `heading`, row by row."""
    found = re.search(rf"^\| {heading} \|.*\n\|[-|]+\|\n((?:\|.*\n)+)", text, re.MULTILINE)
    assert found is not None, f"no table headed {heading!r}"
    rows = found[1].splitlines()
    return [[cell.strip().strip("`") for cell in row.strip("|").split("|")] for row in rows]


def test_the_first_paragraph_says_the_job() -> None:
    """README opens with one paragraph: what it is for, and for whom; then come the cautions."""
    title, opening, *_ = README.split("\n## ")[0].split("\n\n", 1)
    assert title == "# stillgauge"
    assert "\n\n" not in opening.strip()
    assert opening.startswith("stillgauge tells whether a vacuum-operated car part is any good")
    assert " for whoever keeps cars on the road " in " ".join(opening.split())
    assert README.split("\n## ")[1].startswith("Before you pull a vacuum\n")


@pytest.mark.parametrize(
    "caution",
    ["crushed", "fingers", "vapour", "asbestos", "scald", "Brakes", "manual", "local rules"],
)
def test_cautions_stand_before_the_first_command(caution: str) -> None:
    """What can hurt is said before anybody is told what to type."""
    assert caution in README.split("```")[0]


def test_readme_gives_one_line_for_the_job_and_one_for_the_tests() -> None:
    """Two lines are to be pasted: one tests a part at a simulated bench, one tests everything."""
    job, test = commands(README)
    assert job.startswith(f"rig/install && {PROGRAM} test ")
    assert "--simulated" in job
    assert test == TEST_LINE


def test_ci_runs_the_line_that_readme_gives() -> None:
    """What a change must pass is what everyone is told to run."""
    lines = (ROOT / ".ci/run").read_text(encoding="utf-8").splitlines()
    code = [line for line in lines if line and not line.startswith("#")]
    assert code == ["set -euo pipefail", 'cd "$(dirname "${BASH_SOURCE[0]}")/.."', TEST_LINE]


_NUMBER = re.compile(r"\d+(?:\.(\d+))?")


def _same(shown: str, printed: str) -> bool:
    """Compare texts word by word; a number may be off by one in its last place.

    Another processor or numpy rounds some last digits the other way.
    """
    words = [" ".join(_NUMBER.sub("#", text).split()) for text in (shown, printed)]
    if words[0] != words[1]:
        return False
    pairs = zip(_NUMBER.finditer(shown), _NUMBER.finditer(printed), strict=True)
    return all(
        abs(float(one[0]) - float(other[0])) <= 1.01 * 10.0 ** -len(one[1] or "")
        for one, other in pairs
    )


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: example.arguments[1])
def test_an_example_prints_what_is_shown(example: Example) -> None:
    """Every output in README is what its command prints: python -m tests.contract.examples."""
    assert _same(example.output, example.printed())


def test_the_comparison_sees_a_difference() -> None:
    """Another word or a figure that is off by two in its last place is no rounding."""
    assert _same("drops 0.503 inHg\n", "drops\n0.504 inHg")
    assert not _same("drops 0.503 inHg", "drops 0.505 inHg")
    assert not _same("pass 1", "fail 1")


ANALYSED = [example for example in EXAMPLES if example.arguments[0] == "analyse"]


def test_the_first_analysis_is_the_telling_one() -> None:
    """The first curve shows whole what a dial would have called bad, and that passes."""
    first = ANALYSED[0]
    assert not first.is_cut
    assert first.output.startswith("pass\n")
    assert "dial and stopwatch on this run would have read" in first.output
    assert "said fail" in first.output


def test_examples_show_every_kind_of_outcome() -> None:
    """Pass, fail, too close to call, spoiled and measured are all seen once."""
    seen = [example.output.split("\n")[0] for example in ANALYSED]
    assert seen == ["pass", "fail", "too close to call", "test spoiled", "measured"]


def _mentions(text: str) -> Iterator[str]:
    """List the commands of ours that a document mentions in running text."""
    for span in re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL)):
        if span.startswith(("rig ", PROGRAM)):
            yield span


@pytest.mark.parametrize("name", DOCUMENTS)
def test_commands_in_documents_can_be_given(name: str) -> None:
    """A command that is mentioned exists, and its options are its own."""
    for mention in _mentions(DOCUMENTS[name]):
        verb, *arguments = shlex.split(mention)[1:] or ["--help"]
        if verb.startswith("--"):
            assert verb in _options(rig)
        else:
            assert verb in rig.commands
            given = {each.split("=")[0] for each in arguments if each.startswith("--")}
            assert given <= _options(rig.commands[verb])


def test_every_verb_is_documented() -> None:
    """README names each command."""
    assert [verb for verb in rig.commands if f"`rig {verb}`" not in README] == []


def test_every_option_is_documented() -> None:
    """README or DEVELOPERS names each option of each command."""
    named = set(re.findall(r"--[a-z][a-z-]*", README + DEVELOPERS))
    assert OPTIONS - named == set()


@pytest.mark.parametrize("name", DOCUMENTS)
def test_no_option_is_documented_that_is_not_there(name: str) -> None:
    """An option that a document names belongs to the program, its tests or their tools."""
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", DOCUMENTS[name]))
    assert named - OPTIONS - OF_OTHER_PROGRAMS == set()


def _error_classes(base: type[errors.RigError]) -> Iterator[type[errors.RigError]]:
    yield base
    for derived in base.__subclasses__():
        yield from _error_classes(derived)


def test_every_exit_status_is_documented() -> None:
    """The table in README holds just the exit statuses that there are."""
    possible = {INTERRUPTED, *EXIT_STATUS.values()}
    possible |= {each.exit_status for each in _error_classes(errors.RigError)}
    assert {int(row[0]) for row in _table(README, "exit status")} == possible


def test_every_line_of_a_curve_file_is_documented() -> None:
    """The table in README holds just the conditions that are read, with option and unit."""
    rows = {(row[0], row[1], row[2]) for row in _table(README, "line")}
    options = {each.key: each for each in CONDITIONS}
    assert rows == {(key, each.option, each.unit) for key, each in options.items()}


def test_every_column_of_a_curve_file_is_documented() -> None:
    """The table in README holds just the columns that are read."""
    assert [row[0] for row in _table(README, "column")] == list(COLUMNS)


def test_the_example_of_a_curve_file_is_one() -> None:
    """The lines shown begin one of the example curves, as they stand."""
    (shown,) = [body for kind, body in fences(README) if kind == "text" and "t_s," in body]
    curve = ROOT / "tests/data/curves/settles_and_leaks_a_little.csv"
    assert curve.read_text(encoding="utf-8").startswith(shown)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name: str) -> None:
    """A link inside the project leads to a file of the project."""
    folder = (ROOT / name).parent
    links = re.findall(r"\]\(([^)#]+)[^)]*\)", DOCUMENTS[name])
    inside = [link for link in links if "://" not in link]
    missing = [
        link
        for link in inside
        if (folder / link).resolve().relative_to(ROOT).as_posix() not in project_files()
    ]
    assert missing == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_files_that_documents_name_are_there(name: str) -> None:
    """A path in the two documents is that of a file or folder of the project."""
    spans = re.findall(r"`([a-z][\w./-]*/[\w.-]*|\w+\.(?:py|toml))`", DOCUMENTS[name])
    known = set(project_files())
    known |= {"/".join(file.split("/")[:depth]) for file in known for depth in range(1, 5)}
    missing = [
        span
        for span in spans
        if not any(
            path == span.rstrip("/") or path.endswith("/" + span.rstrip("/")) for path in known
        )
    ]
    assert missing == []
