"""Own that one program at a time does a thing in a folder; never keep anybody from reading."""

import fcntl
import os
from pathlib import Path

from rig.errors import StoreError


class Lock:
    """A lock on `doing` something in a folder.

    The system drops it when the program that holds it ends, in whichever way.
    """

    def __init__(self, folder: Path, doing: str) -> None:
        self._file = folder / f"{doing.replace(' ', '-')}.lock"
        self._doing = doing
        self._descriptor: int | None = None

    def take(self) -> None:
        """Take the lock, or go on holding it.

        Raises StoreError when another program holds it.
        """
        if self._descriptor is not None:
            return
        descriptor = -1
        try:
            descriptor = os.open(self._file, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if descriptor >= 0:
                os.close(descriptor)
            if isinstance(error, BlockingIOError):
                raise StoreError(
                    f"another rig program is {self._doing} in {self._file.parent}: end it, or wait."
                ) from error
            raise StoreError(f"{self._file}: {error.strerror}.") from error
        self._descriptor = descriptor

    def __enter__(self) -> "Lock":
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.drop()

    def drop(self) -> None:
        """Drop the lock, if it is held."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def making_runs(folder: Path) -> Lock:
    """Make the lock of the program that makes runs in a folder; it has the bench to itself."""
    return Lock(folder, "making runs")
