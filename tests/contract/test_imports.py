"""Tests of the arrows between the parts of the program, read from its imports."""

import ast
import sys

import pytest

from tests.contract.tree import texts

SMALL = {
    "clock",
    "config",
    "config_channels",
    "errors",
    "figures",
    "records",
    "runs",
    "toml_text",
    "units",
    "words",
    "arrays",
    "readings",
}
PURE = {"small", "analysis", "sensing", "parts"}
MAY_IMPORT = {
    "small": {"small"},
    "analysis": {"small", "analysis"},
    "sensing": {"small", "analysis", "sensing"},
    "parts": {"small", "analysis", "sensing", "parts"},
    "link": {"small", "link"},
    "procedure": PURE | {"procedure"},
    "outputs": PURE | {"outputs"},
    "store": PURE | {"procedure", "store"},
    "engine": PURE | {"procedure", "outputs", "store", "engine"},
    "sim": PURE | {"link", "sim"},
    "web": PURE | {"procedure", "outputs", "store", "engine", "web"},
    "daemon": PURE | {"link", "procedure", "outputs", "store", "engine", "web", "sim", "daemon"},
}
MAY_IMPORT["cli"] = MAY_IMPORT["daemon"] | {"cli"}
"""Which parts of the program each part may import."""
PACKAGES = {
    "cli": {"numpy", "click"},
    "link": {"numpy", "serial"},
    "outputs": {"numpy", "gpiozero"},
    "sim": {"numpy", "gpiozero"},
    "web": {"numpy", "flask", "waitress"},
    "daemon": {"numpy", "waitress"},
}
"""Other people's packages that a part may import; any other part, numpy alone."""
REACHES_OUT = {"cli", "link", "outputs", "store", "sim", "web", "daemon"}
"""The parts that may use files, threads, sockets and the terminal; all others are pure."""
ALSO_REACH_OUT = {
    "rig/clock.py": {"time"},
    "rig/config.py": {"pathlib"},
}
"""Pure modules with one door, and that door."""
OUTSIDE_WORLD = {
    "asyncio",
    "io",
    "logging",
    "multiprocessing",
    "os",
    "pathlib",
    "selectors",
    "shutil",
    "signal",
    "socket",
    "sqlite3",
    "subprocess",
    "tempfile",
    "threading",
    "time",
    "urllib",
}
"""Modules of the standard library that reach out of the program."""
REACHING_CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
REACHING_NAMES = {"sys.argv", "sys.stdin", "sys.stdout", "sys.stderr", "sys.exit"}

MODULES = texts(".py", under="rig/")


def _part(dotted: str) -> str:
    """Name the part of the program that a dotted module name belongs to."""
    names = dotted.split(".")
    if len(names) == 1 or names[1] in SMALL:
        return "small"
    return names[1]


def _dotted(file: str) -> str:
    return file.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def _imported(text: str) -> list[str]:
    """List the dotted names that a module imports, wherever in it the import stands."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written out from the root"
            source = node.module or ""
            # `from rig import words` and `from rig.cli import report` import modules, too.
            found += [f"{source}.{alias.name}" if source else alias.name for alias in node.names]
    return found


def _wrong(file: str, text: str) -> list[str]:
    """Say what a module imports that its part may not."""
    part = _part(_dotted(file))
    wrong = []
    for name in _imported(text):
        top = name.split(".")[0]
        if top == "rig":
            # `from rig import __version__` and the like name no part.
            is_part = name.count(".") and not name.startswith("rig.__")
            if is_part and _part(name) not in MAY_IMPORT[part]:
                wrong.append(f"{name}: the arrow points the wrong way")
        elif top in sys.stdlib_module_names:
            is_pure = part not in REACHES_OUT and top not in ALSO_REACH_OUT.get(file, set())
            if is_pure and top in OUTSIDE_WORLD:
                wrong.append(f"{name}: a pure part of the program reaches nowhere")
        elif top not in PACKAGES.get(part, {"numpy"}):
            wrong.append(f"{name}: not among the decided packages")
    return wrong


@pytest.mark.parametrize("file", MODULES)
def test_imports_point_one_way(file: str) -> None:
    """Small and pure modules <- outputs, store <- engine <- web <- daemon, command line."""
    assert _part(_dotted(file)) in MAY_IMPORT, "a new part needs its row in MAY_IMPORT"
    assert _wrong(file, MODULES[file]) == []


PURE_FILES = [
    file
    for file in MODULES
    if _part(_dotted(file)) not in REACHES_OUT and file not in ALSO_REACH_OUT
]


@pytest.mark.parametrize("file", PURE_FILES)
def test_a_pure_module_reads_and_prints_nothing(file: str) -> None:
    """Arrays and records in, records out: no files, no terminal."""
    nodes = list(ast.walk(ast.parse(MODULES[file])))
    calls = {ast.unparse(node.func) for node in nodes if isinstance(node, ast.Call)}
    names = {ast.unparse(node) for node in nodes if isinstance(node, ast.Attribute)}
    assert not REACHING_CALLS & calls
    assert not REACHING_NAMES & names


def test_no_import_runs_in_a_circle() -> None:
    """Any module can be read from what it imports alone, without ever coming back to itself."""
    known = set(map(_dotted, MODULES))
    arrows = {
        _dotted(file): {
            module
            for name in _imported(text)
            # Of `from rig.words import bench` the module is meant, not the package around it.
            for module in (name if name in known else name.rpartition(".")[0],)
            if module in known and module != "rig"
        }
        for file, text in MODULES.items()
    }
    while free := {module for module, needs in arrows.items() if not needs}:
        arrows = {module: needs - free for module, needs in arrows.items() if module not in free}
    assert arrows == {}
