"""Own the command `rig words`, which prints every text of the program; never hold one."""

import ast
import importlib
import inspect
import json
import pkgutil
from collections.abc import Iterator, Mapping
from types import ModuleType

import rig.words
from rig.cli.console import say
from rig.cli.layout import WIDTH, wrapped
from rig.cli.verb import json_option, verb

_INDENT = "  "
Group = tuple[str, dict[str, str]]


@verb("words")
@json_option
def words_list(*, as_json: bool) -> int:
    """Print all texts, group by group."""
    groups = list(every_text())
    if as_json:
        say(json.dumps(dict(groups), indent=2))
        return 0
    say("\n".join(line for group in groups for line in _lines(group)))
    return 0


def every_text() -> Iterator[Group]:
    """List the texts that stand in `rig.words`: each group by its name, each text by its own.

    A text that stands in two groups under one name is listed once.
    """
    listed: set[tuple[str, str]] = set()
    for found in pkgutil.iter_modules(rig.words.__path__):
        module = importlib.import_module(f"rig.words.{found.name}")
        for name in _held_by(module):
            texts = _texts(name, getattr(module, name))
            new = {key: text for key, text in texts.items() if (key, text) not in listed}
            listed |= new.items()
            if new:
                yield f"{found.name}: {_spelt(name)}", new


def _held_by(module: ModuleType) -> Iterator[str]:
    """List the public constants that a module itself holds, in the order of its text."""
    for node in ast.parse(inspect.getsource(module)).body:
        if isinstance(node, ast.Assign):
            targets = node.targets
        elif isinstance(node, ast.AnnAssign):
            targets = [node.target]
        else:
            continue
        for target in targets:
            if isinstance(target, ast.Name) and not target.id.startswith("_"):
                yield target.id


def _spelt(name: str) -> str:
    return name.lower().replace("_", " ")


def _texts(name: str, held: object) -> dict[str, str]:
    if isinstance(held, str):
        return {_spelt(name): held}
    if isinstance(held, tuple):
        return {_spelt(name): " ".join(map(str, held))}
    if isinstance(held, Mapping):
        return {str(key): text for key, text in held.items() if isinstance(text, str)}
    return {}


def _lines(group: Group) -> Iterator[str]:
    title, texts = group
    yield title
    for key, text in texts.items():
        told = wrapped(f"{key}: {' '.join(text.split())}", WIDTH - len(_INDENT), _INDENT)
        yield from (_INDENT + line for line in told)
    yield ""
