"""Own the list of the project's files; never change one.

In a git checkout these are the files that git knows or would add; elsewhere, as in an unpacked
archive, all that .gitignore does not name.
"""

import fnmatch
import os
import shutil
import subprocess
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]


@cache
def project_files(root: Path = ROOT) -> tuple[str, ...]:
    """List the files of the project, relative to `root`, sorted."""
    is_checkout = (root / ".git").exists() and shutil.which("git") is not None
    found = _known_to_git(root) if is_checkout else _not_ignored(root)
    return tuple(sorted(name for name in found if (root / name).is_file()))


def _known_to_git(root: Path) -> list[str]:
    listing = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    done = subprocess.run(listing, cwd=root, check=True, capture_output=True, text=True)
    return done.stdout.split("\0")[:-1]


def _not_ignored(root: Path) -> Iterator[str]:
    lines = (root / ".gitignore").read_text(encoding="utf-8").splitlines()
    folders = [line.removesuffix("/") for line in lines if line.endswith("/")]
    files = [line for line in lines if line and not line.endswith("/")]
    for folder, inner, names in os.walk(root):
        inner[:] = [name for name in inner if not _named(name, folders)]
        for name in names:
            if not _named(name, files):
                yield Path(folder, name).relative_to(root).as_posix()


def _named(name: str, patterns: list[str]) -> bool:
    return any(fnmatch.fnmatchcase(name, pattern) for pattern in patterns)


def texts(*endings: str, under: str = "") -> dict[str, str]:
    """Read the project's text files below the folder `under` whose names end in one of `endings`.

    All of them where no ending is given; a file that is not UTF-8 is no text.
    """
    found = {}
    for name in project_files():
        if name.startswith(under) and name.endswith(endings or ("",)):
            content = (ROOT / name).read_bytes()
            try:
                found[name] = content.decode("utf-8")
            except UnicodeDecodeError:
                continue
    return found
