"""Tests of what the package asks of other people's packages, and of what it brings along."""

import importlib
import importlib.metadata
import sys

import pytest

from tests.contract.bounds import constraints, lowest_python, project, requirement
from tests.contract.tree import ROOT, texts

TABLE = project()
AT_RUN_TIME: list[str] = TABLE["project"]["dependencies"]
FOR_TESTS: list[str] = TABLE["project"]["optional-dependencies"]["test"]
TO_BUILD: list[str] = TABLE["build-system"]["requires"]


@pytest.mark.parametrize("text", [*AT_RUN_TIME, *FOR_TESTS, *TO_BUILD])
def test_every_dependency_is_bounded_on_both_sides(text: str) -> None:
    """A new major version never arrives by itself, and no version is promised that is too old.

    One major is allowed at a time; of a package still at version 0, one minor.
    """
    bounds = requirement(text)
    step = bounds.beyond[:1] if bounds.lowest[0] else bounds.beyond[:2]
    this = bounds.lowest[: len(step)]
    assert text in TO_BUILD or step == (*this[:-1], this[-1] + 1)


@pytest.mark.parametrize("text", [*AT_RUN_TIME, *FOR_TESTS])
def test_what_is_installed_here_lies_within_the_bounds(text: str) -> None:
    """The tests run on versions that the project allows, not on some others."""
    bounds = requirement(text)
    installed = importlib.metadata.version(bounds.name).split(".")
    assert bounds.lowest <= tuple(int(part) for part in installed if part.isdigit()) < bounds.beyond


def test_the_lowest_versions_are_pinned_exactly() -> None:
    """`tests/run --lowest` pins each dependency of program and tests at its lower bound."""
    table = {
        "project": {
            "dependencies": ["numpy>=2.0,<3"],
            "optional-dependencies": {"test": ["ruff>=0.17,<0.18"]},
        }
    }
    assert constraints(table) == ["numpy==2.0", "ruff==0.17"]


@pytest.mark.parametrize("text", ["numpy", "numpy>=2", "numpy<3", "numpy>=3,<2", "numpy>2,<3"])
def test_a_loose_requirement_is_refused(text: str) -> None:
    """The form that is read is the only form there may be."""
    with pytest.raises(ValueError, match="numpy"):
        requirement(text)


def test_this_python_is_allowed() -> None:
    """The lowest Python stands in requires-python, and ruff and the set-up look at the same one."""
    lowest = lowest_python(TABLE)
    assert sys.version_info[:2] >= lowest
    assert TABLE["tool"]["ruff"]["target-version"] == f"py{lowest[0]}{lowest[1]}"
    assert f"sys.version_info < {lowest}" in texts("rig/install")["rig/install"]


def test_the_licence_is_the_one_that_is_named() -> None:
    """The package names the MIT licence and brings its text along."""
    text = (ROOT / "rig/LICENSE").read_text(encoding="utf-8")
    assert TABLE["project"]["license"] == "MIT"
    assert TABLE["project"]["license-files"] == ["rig/LICENSE"]
    assert text.startswith("MIT License\n")
    assert 'THE SOFTWARE IS PROVIDED "AS IS", WITHOUT WARRANTY OF ANY KIND' in text


def test_the_command_leads_to_the_program() -> None:
    """The one command that is installed names a function that is there, and the version is ours."""
    assert TABLE["project"]["scripts"] == {"rig": "rig.cli.main:main"}
    assert callable(importlib.import_module("rig.cli.main").main)
    assert TABLE["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "rig.__version__"}
