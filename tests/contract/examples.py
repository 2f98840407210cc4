"""Own the commands that README.md shows with what they print; never decide what is worth showing.

Run as a script it puts into README.md what the commands print now, so that a change of figures can
be read as a difference: python -m tests.contract.examples. A shown output that ends in a line of
three dots is the beginning of what is printed, as many lines as stand there.
"""

import contextlib
import io
import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rig.cli.main import run

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
PROGRAM = ".venv/bin/rig"
_CUT = "..."
_FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Example:
    """A command as it is shown, the output that stands below it, and where that stands."""

    command: str
    output: str
    start: int
    end: int

    @property
    def is_cut(self) -> bool:
        """Tell whether only the beginning of the output is shown."""
        return self.output.rstrip("\n").split("\n")[-1] == _CUT

    @property
    def arguments(self) -> list[str]:
        """Get the arguments of the program in the command."""
        line = self.command.split(" && ")[-1]
        program, *arguments = shlex.split(line)
        assert program == PROGRAM, f"{line!r} does not start {PROGRAM}"
        return arguments

    def printed(self) -> str:
        """Run the command and return what it prints, cut to what is shown."""
        text = printed(self.arguments)
        if not self.is_cut:
            return text
        kept = self.output.rstrip("\n").split("\n")[:-1]
        return "\n".join([*text.split("\n")[: len(kept)], _CUT]) + "\n"


def printed(arguments: list[str]) -> str:
    """Run one command line of the program at the root of the project; return what it prints."""
    stream = io.StringIO()
    with contextlib.chdir(ROOT), contextlib.redirect_stdout(stream):
        run(arguments)
    return stream.getvalue()


def fences(text: str) -> Iterator[tuple[str, str]]:
    """List the fenced blocks of a document: their kinds and what stands in them."""
    for block in _FENCE.finditer(text):
        yield block[1], block[2]


def commands(text: str, kind: str = "sh") -> list[str]:
    """List the command lines that a document gives to be pasted."""
    return [line for found, body in fences(text) if found == kind for line in body.splitlines()]


def examples(text: str) -> list[Example]:
    """List the examples of a document.

    A `sh` block that starts the program is followed by its output in a `text` block; a `console`
    block holds both, the command behind a dollar sign.
    """
    found = []
    waiting = ""
    for block in _FENCE.finditer(text):
        kind, body = block[1], block[2]
        if kind == "sh" and PROGRAM in body:
            waiting = body.rstrip("\n")
        elif kind == "text" and waiting:
            found.append(Example(waiting, body, block.start(2), block.end(2)))
            waiting = ""
        elif kind == "console":
            first, _, rest = body.partition("\n")
            start = block.start(2) + len(first) + 1
            found.append(Example(first.removeprefix("$ "), rest, start, block.end(2)))
    assert not waiting, "a command without what it prints"
    return found


def renewed(text: str) -> str:
    """Return a document with what its examples print now."""
    for example in reversed(examples(text)):
        text = text[: example.start] + example.printed() + text[example.end :]
    return text


if __name__ == "__main__":
    README.write_text(renewed(README.read_text(encoding="utf-8")), encoding="utf-8")
