"""Tests of the form of every module and every test, as the house rules ask for it."""

import ast
import re

import pytest

from tests.contract.tree import texts

MODULES = texts(".py", under="rig/")
ALL_TESTS = texts(".py", under="tests/")
TESTS = {name: text for name, text in ALL_TESTS.items() if "/test_" in name}
MOST_LINES = 500


@pytest.mark.parametrize("file", MODULES)
def test_a_module_opens_with_one_sentence_of_what_it_owns(file: str) -> None:
    """The first paragraph is one sentence: what the module owns, and what it must never do.

    The sentence of a package says what its modules are.
    """
    docstring = ast.get_docstring(ast.parse(MODULES[file]))
    assert docstring is not None
    first = " ".join(docstring.split("\n\n")[0].split())
    assert first.endswith(".")
    assert re.search(r"[.!?]\s+[A-Z]", first) is None, "one sentence"
    if not file.endswith("/__init__.py"):
        assert first.startswith("Own ")
        assert re.search(r"\bnever\b", first)


@pytest.mark.parametrize("file", MODULES)
def test_a_module_is_short_enough_to_be_read(file: str) -> None:
    """Beyond 500 lines a module holds two ideas: split it by idea."""
    assert MODULES[file].count("\n") <= MOST_LINES


ROOTS_OF_THREADS = {"rig/daemon/loop.py", "rig/store/writer.py"}
"""Where a thread begins: the one place that may catch everything, to trip to safe and log once."""


@pytest.mark.parametrize("file", sorted(set(MODULES) - ROOTS_OF_THREADS))
def test_nothing_catches_everything(file: str) -> None:
    """An error that nobody foresaw must be seen: no bare except, no `except Exception`."""
    caught = [
        ast.unparse(node.type) if node.type else "everything"
        for node in ast.walk(ast.parse(MODULES[file]))
        if isinstance(node, ast.ExceptHandler)
    ]
    assert not {"everything", "Exception", "BaseException"}.intersection(caught)


@pytest.mark.parametrize("file", TESTS)
def test_every_test_says_what_must_hold(file: str) -> None:
    """Each test module and each test in it has a docstring."""
    module = ast.parse(TESTS[file])
    tests = [
        node
        for node in ast.walk(module)
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test")
    ]
    assert ast.get_docstring(module)
    assert tests, "a test module without a test"
    assert [test.name for test in tests if not ast.get_docstring(test)] == []


@pytest.mark.parametrize("file", ALL_TESTS)
def test_no_test_is_skipped_or_expected_to_fail(file: str) -> None:
    """What cannot run on a fresh machine is not a test of this project."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(ALL_TESTS[file])):
        if isinstance(node, ast.Attribute):
            names.add(ast.unparse(node).removeprefix("pytest.").removeprefix("mark."))
        elif isinstance(node, ast.ImportFrom) and node.module == "pytest":
            names |= {alias.name for alias in node.names}
    assert not names & {"skip", "skipif", "xfail", "importorskip"}
