"""Tests of the scripts that set a clone up and test it, in a world of stand-ins for what they call.

Only the tools linked into one folder can be found, and the stand-ins write down how they are
called. The same scripts run for real whenever the suite runs.
"""

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.contract.tree import ROOT

PYTHON = """
case "$*" in
    --version) echo "Python ${FAKE_VERSION:-3.11.2}" ;;
    *version_info*) [ -z "${FAKE_VERSION:-}" ] ;;
    *maxsize*) [ -z "${FAKE_32_BIT:-}" ] ;;
    *ensurepip*) [ -z "${FAKE_NO_VENV:-}" ] || [ -e "$WORLD/installed" ] ;;
    *hashlib*) cat pyproject.toml ;;
    "-m venv --clear "*)
        echo "$*" >>"$WORLD/calls"
        mkdir -p "$4/bin"
        rm -f "$4"/installed*
        ln -sf "$WORLD/bin/python3" "$4/bin/python"
        ;;
    *) echo "$*" >>"$WORLD/calls"; [ -z "${FAKE_NO_NETWORK:-}" ] ;;
esac
"""
APT = 'echo "apt-get $*" >>"$WORLD/calls"; case "$*" in *install*) : >"$WORLD/installed" ;; esac'
SUDO = 'echo "sudo $*" >>"$WORLD/calls"; exec "$@"'
NOBODY = "echo 1000"
NO_ROOT = "echo 0"
VENV, PIP = "-m venv --clear .venv", "-m pip install --quiet --disable-pip-version-check --editable"
APT_CALLS = ["apt-get -qq update", "apt-get -qq install --yes python3-venv"]


class World:
    """A clone with the scripts, a PATH of stand-ins, and the calls that they noted."""

    def __init__(self, folder: Path) -> None:
        self.clone = folder / "a clone"
        self.bin = folder / "bin"
        self.calls_file = folder / "calls"
        self.environment = {"PATH": str(self.bin), "HOME": str(folder), "WORLD": str(folder)}
        self.bin.mkdir()
        for name in ("rig/install", "tests/run", "pyproject.toml"):
            (self.clone / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(ROOT / name, self.clone / name)
        for tool in ("bash", "cat", "dirname", "env", "ln", "mkdir", "mktemp", "rm"):
            (self.bin / tool).symlink_to(shutil.which(tool) or tool)

    def stand_in(self, name: str, body: str) -> None:
        """Put a stand-in at `name`, in the folder of tools or, with a slash, in the clone."""
        path = self.clone / name if "/" in name else self.bin / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"#!{self.bin / 'bash'}\n{body}\n")
        path.chmod(0o755)

    def run(self, *command: str, **environment: str) -> subprocess.CompletedProcess[str]:
        """Run a script of the clone from another folder, without input."""
        script, *arguments = command
        return subprocess.run(
            [self.clone / script, *arguments],
            env=self.environment | environment,
            cwd=self.bin,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )

    def calls(self) -> list[str]:
        """Return the calls noted since the last time."""
        noted = self.calls_file.read_text().splitlines() if self.calls_file.exists() else []
        self.calls_file.unlink(missing_ok=True)
        return noted


@pytest.fixture(name="world")
def _world(tmp_path: Path) -> World:
    world = World(tmp_path)
    world.stand_in("python3", PYTHON)
    world.stand_in("apt-get", APT)
    world.stand_in("id", NO_ROOT)
    return world


def test_a_first_set_up_installs_and_a_second_does_nothing(world: World) -> None:
    """The program is installed from these files once; running again costs no more than a look."""
    assert world.run("rig/install").returncode == 0
    assert world.calls() == [VENV, f"{PIP} ."]
    assert world.run("rig/install").returncode == 0
    assert world.calls() == []


def test_the_tests_set_up_holds_the_program_too(world: World) -> None:
    """What the tests need is added where it is missing, and never taken away again."""
    assert world.run("rig/install").returncode == 0
    world.calls()
    assert world.run("rig/install", "test").returncode == 0
    assert world.calls() == [VENV, f"{PIP} .[test]"]
    assert world.run("rig/install").returncode == 0
    assert world.run("rig/install", "test").returncode == 0
    assert world.calls() == []


@pytest.mark.parametrize("what", ["project", "place"])
def test_a_changed_project_or_a_moved_clone_is_set_up_anew(world: World, what: str) -> None:
    """New bounds are followed; a virtual environment cannot be moved, so it is made again."""
    world.stand_in("python3", PYTHON.replace("cat pyproject.toml", "pwd; cat pyproject.toml"))
    assert world.run("rig/install").returncode == 0
    world.calls()
    if what == "project":
        with (world.clone / "pyproject.toml").open("a") as file:
            file.write("# changed\n")
    else:
        world.clone = world.clone.rename(world.clone.with_name("moved"))
    assert world.run("rig/install").returncode == 0
    assert world.calls() == [VENV, f"{PIP} ."]


def test_an_installation_that_failed_is_tried_again(world: World) -> None:
    """Without a network it says so and leaves nothing that looks finished."""
    failed = world.run("rig/install", FAKE_NO_NETWORK="yes")
    assert failed.returncode != 0
    assert "network" in failed.stderr
    world.calls()
    assert world.run("rig/install").returncode == 0
    assert world.calls() == [VENV, f"{PIP} ."]


def test_a_missing_debian_package_is_installed_by_root(world: World) -> None:
    """Debian keeps the venv module in a package of its own: root gets it, without sudo."""
    assert world.run("rig/install", FAKE_NO_VENV="yes").returncode == 0
    assert world.calls() == [*APT_CALLS, VENV, f"{PIP} ."]


def test_a_missing_debian_package_is_installed_with_sudo(world: World) -> None:
    """Anyone else gets it through sudo, and only the package."""
    world.stand_in("id", NOBODY)
    world.stand_in("sudo", SUDO)
    assert world.run("rig/install", FAKE_NO_VENV="yes").returncode == 0
    as_root = "sudo env DEBIAN_FRONTEND=noninteractive"
    noted = [line for call in APT_CALLS for line in (f"{as_root} {call}", call)]
    assert world.calls() == [*noted, VENV, f"{PIP} ."]


def test_without_python_it_is_installed_too(world: World) -> None:
    """A bare system has no python3: the package brings it."""
    made_by_apt = APT + f'; ln -sf "$WORLD/python3" {world.bin / "python3"}'
    shutil.move(world.bin / "python3", world.bin.parent / "python3")
    world.stand_in("apt-get", made_by_apt)
    assert world.run("rig/install").returncode == 0
    assert world.calls() == [*APT_CALLS, VENV, f"{PIP} ."]


REFUSALS: dict[str, tuple[dict[str, str], Callable[[World], object], str]] = {
    "old": ({"FAKE_VERSION": "3.9.2"}, lambda _: None, "Python 3.9.2 is too old, 3.11 or newer"),
    "narrow": ({"FAKE_32_BIT": "yes"}, lambda _: None, "64-bit Raspberry Pi OS is needed"),
    "absent": ({"PYTHON": "python3.99"}, lambda _: None, "there is no python3.99 here"),
    "no sudo": ({"FAKE_NO_VENV": "yes"}, lambda w: w.stand_in("id", NOBODY), "as root"),
    "no apt": (
        {"FAKE_NO_VENV": "yes"},
        lambda w: (w.bin / "apt-get").unlink(),
        "install its venv module",
    ),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_what_cannot_work_is_said_before_anything_is_made(world: World, case: str) -> None:
    """One sentence says what is wrong and what to do; no half-made environment is left."""
    environment, prepare, said = REFUSALS[case]
    prepare(world)
    refused = world.run("rig/install", **environment)
    assert refused.returncode == 1
    assert said in refused.stderr
    assert refused.stderr.startswith("rig/install: ")
    assert not (world.clone / ".venv").exists()
    assert world.calls() == []


TOOL = """
call="{name}$(printf ' [%s]' "$@")"
echo "$call" >>"$WORLD/calls"
[ "$call" != "{failing}" ] || exit 3
"""
CHECKS = [
    ".venv/bin/ruff [check] [.]",
    ".venv/bin/ruff [format] [--check] [.]",
    ".venv/bin/mypy []",
    ".venv/bin/python [-m] [pytest] [-k] [two words]",
]


def _with_tools(world: World, failing: str = "no call") -> None:
    """Put stand-ins for the tools, which note their calls; the call `failing` fails."""
    world.stand_in("rig/install", 'echo "install $* VENV=${VENV:-}" >>"$WORLD/calls"')
    for venv in (".venv", ".venv-lowest"):
        for tool in ("ruff", "mypy", "python"):
            name = f"{venv}/bin/{tool}"
            world.stand_in(name, TOOL.format(name=name, failing=failing))


def test_a_test_run_goes_through_all_checks_and_hands_options_on(world: World) -> None:
    """Set-up, style, form, types, tests, in this order; pytest's closing line comes last."""
    _with_tools(world)
    assert world.run("tests/run", "-k", "two words").returncode == 0
    assert world.calls() == ["install test VENV=", *CHECKS]


@pytest.mark.parametrize("check", CHECKS)
def test_a_failed_check_fails_the_run(world: World, check: str) -> None:
    """The exit status of whatever failed is that of the run, and nothing runs after it."""
    _with_tools(world, failing=check)
    assert world.run("tests/run", "-k", "two words").returncode == 3
    assert world.calls()[-1] == check


def test_the_lowest_versions_get_an_environment_of_their_own(world: World) -> None:
    """`--lowest` pins by a constraints file, runs the tests alone, and leaves .venv as it was."""
    _with_tools(world)
    world.stand_in("python3", 'echo "numpy==2.0"')
    world.stand_in(
        "rig/install",
        'echo "install $* VENV=$VENV" >>"$WORLD/calls"; cat "$PIP_CONSTRAINT" >>"$WORLD/calls"',
    )
    assert world.run("tests/run", "--lowest", "-x").returncode == 0
    assert world.calls() == [
        "install test VENV=.venv-lowest",
        "numpy==2.0",
        ".venv-lowest/bin/python [-m] [pytest] [-x]",
    ]


BODIES = {
    "pass": ("def test_it():\n    pass\n", 0),
    "fail": ("def test_it():\n    assert False\n", 1),
    "skip": ("from pytest import skip\n\ndef test_it():\n    skip('no')\n", 1),
    "skipped module": ("from pytest import importorskip\nimportorskip('no_such_module')\n", 1),
    "expected to fail": (
        "from pytest import mark\n\n@mark.xfail\ndef test_it():\n    assert False\n",
        1,
    ),
    "passed though not expected": (
        "from pytest import mark\n\n@mark.xfail\ndef test_it():\n    pass\n",
        1,
    ),
}


@pytest.mark.parametrize("case", BODIES)
def test_a_skipped_test_fails_the_suite(tmp_path: Path, case: str) -> None:
    """A test that did not run has not passed: the suite names it and exits with a failure."""
    body, status = BODIES[case]
    (tmp_path / "test_one.py").write_text(body)
    (tmp_path / "test_other.py").write_text("def test_other():\n    pass\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "tests.conftest", "-c", os.devnull, tmp_path],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == status
    assert ("the suite does not pass" in done.stdout) == (case not in {"pass", "fail"})
