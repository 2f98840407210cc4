"""Own how a file is replaced so that power may fail at any moment; never know what is in it."""

import os
from pathlib import Path

_UNFINISHED = ".new"


def replace_file(file: Path, content: bytes) -> None:
    """Replace a file, or make it: whatever happens, it holds the old content or the new one.

    Raises OSError when it cannot be written; the old content then stands.
    """
    unfinished = file.with_name(file.name + _UNFINISHED)
    with unfinished.open("wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    put_in_place(unfinished, file)


def put_in_place(finished: Path, file: Path) -> None:
    """Give a file that is safely on the disk its name, in one step, and see that the name lasts."""
    finished.replace(file)
    sync_folder(file.parent)


def sync_file(file: Path) -> None:
    """Wait until a file's content is on the disk."""
    descriptor = os.open(file, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
