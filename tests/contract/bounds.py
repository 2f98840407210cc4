"""Own what pyproject.toml says of other people's packages; never install one.

Run as a script it prints pip constraints that pin every dependency to its lower bound.
"""

import re
import sys
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"
_BOUNDED = re.compile(r"([A-Za-z0-9_.-]+)>=(\d+(?:\.\d+)*),<(\d+(?:\.\d+)*)(?:; .+)?")


class Requirement(NamedTuple):
    """A package with the lowest version that is allowed and the first that no longer is."""

    name: str
    lowest: tuple[int, ...]
    beyond: tuple[int, ...]


def project() -> dict[str, Any]:
    """Read pyproject.toml."""
    return tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))


def requirement(text: str) -> Requirement:
    """Read a requirement such as `numpy>=2.0,<3`.

    A marker behind a semicolon says where it is needed. Raises ValueError for one that is not
    bounded on both sides in just this form.
    """
    parts = _BOUNDED.fullmatch(text)
    if parts is None:
        raise ValueError(f"{text!r} is not of the form name>=1.2,<3")
    lowest, beyond = (tuple(map(int, parts[i].split("."))) for i in (2, 3))
    if not lowest < beyond:
        raise ValueError(f"{text!r} allows no version at all")
    return Requirement(parts[1], lowest, beyond)


def lowest_python(table: dict[str, Any]) -> tuple[int, int]:
    """Read the lowest Python that the project allows: major and minor version."""
    parts = re.fullmatch(r">=(\d+)\.(\d+)", table["project"]["requires-python"])
    if parts is None:
        raise ValueError("requires-python is not of the form >=3.11")
    return int(parts[1]), int(parts[2])


def constraints(table: dict[str, Any]) -> list[str]:
    """List pip constraints that pin each dependency, the tests' own too, to its lower bound."""
    texts = [*table["project"]["dependencies"], *table["project"]["optional-dependencies"]["test"]]
    lowest = map(requirement, texts)
    return [f"{each.name}=={'.'.join(map(str, each.lowest))}" for each in lowest]


if __name__ == "__main__":
    tables = project()
    needed = lowest_python(tables)
    if sys.version_info[:2] != needed:
        wanted = ".".join(map(str, needed))
        running = ".".join(map(str, sys.version_info[:2]))
        sys.exit(
            f"the lowest versions go with Python {wanted}, and this is {running}: "
            f"PYTHON=python{wanted} tests/run --lowest"
        )
    print("\n".join(constraints(tables)))
