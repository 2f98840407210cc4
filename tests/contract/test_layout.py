"""Tests of the layout: what stands where, and what can be started."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.contract.tree import ROOT, project_files, texts

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "rig",
    "firmware_notes",
    "dashboards",
    "tests",
    "hardware",
}
NEEDED = ("README.md", "DEVELOPERS.md", "pyproject.toml", ".gitignore", "rig/LICENSE")
SCRIPTS = ("rig/install", "tests/run", ".ci/run")


def test_nothing_but_the_agreed_stands_at_the_top() -> None:
    """The top level holds the agreed files and folders, and names that begin with a dot."""
    tops = {name.split("/")[0] for name in project_files()}
    assert {top for top in tops if not top.startswith(".")} <= TOP_LEVEL


@pytest.mark.parametrize("name", [*NEEDED, *SCRIPTS])
def test_what_everyone_looks_for_is_there(name: str) -> None:
    """Documents, licence and scripts belong to the project, not to one person's folder."""
    assert name in project_files()


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_can_be_started(name: str) -> None:
    """Each script has its run bit, names its shell, parses, and stops at the first failure."""
    text = (ROOT / name).read_text(encoding="utf-8")
    assert os.access(ROOT / name, os.X_OK)
    assert text.startswith("#!/usr/bin/env bash\n# Owns ")
    assert "\nset -euo pipefail\n" in text
    subprocess.run(["bash", "-n", ROOT / name], check=True)


def test_the_list_of_files_is_the_same_without_git(tmp_path: Path) -> None:
    """In an unpacked archive the contract looks at the same files as in a checkout."""
    for name in project_files():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, tmp_path / name)
    for ignored in (".venv/bin/x.py", ".venv-lowest/x", "rig/__pycache__/x.pyc", "x.egg-info/y"):
        (tmp_path / ignored).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / ignored).write_text("not part of the project")
    assert project_files(tmp_path) == project_files()


def _data_folders() -> list[str]:
    parts = [name.split("/") for name in project_files() if name.startswith("tests/data/")]
    assert all(len(part) > 3 for part in parts), "data lies in a folder of its topic"
    return sorted({part[2] for part in parts})


@pytest.mark.parametrize("topic", _data_folders())
def test_data_names_its_source_and_licence(topic: str) -> None:
    """Every folder of test data says where its numbers come from and what may be done with them."""
    readme = texts("README.md", under=f"tests/data/{topic}/")
    assert list(readme) == [f"tests/data/{topic}/README.md"]
    text = readme[f"tests/data/{topic}/README.md"]
    assert re.search(r"licence|public domain|\(facts\)", text, re.IGNORECASE)
    assert re.search(r"source|by hand|published|data set|institute", text, re.IGNORECASE)


def _test_modules() -> dict[str, str]:
    return {
        name: text
        for name, text in texts(".py", under="tests/").items()
        if Path(name).name.startswith("test_")
    }


def test_unit_tests_mirror_the_modules() -> None:
    """A unit test lies where its module lies, so that it is found from the module's name."""
    folders = {str(Path(name).parent) for name in texts(".py", under="rig/")}
    folders |= {"rig/support"}
    lying = {str(Path(name).parent) for name in _test_modules() if name.startswith("tests/unit/")}
    assert {folder.replace("tests/unit", "rig") for folder in lying} <= folders
