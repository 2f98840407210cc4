"""Own the writing of a file that a command makes: whole or not at all, and never over its input."""

import contextlib
import os
from pathlib import Path

from rig.errors import InputError, UsageError


def refuse_target(target: Path, source: Path, suffix: str) -> None:
    """Refuse a `target` that must not or cannot be written, before any work is done.

    Raises UsageError for a name that does not end in `suffix` and for the file that is read,
    InputError for a folder, a device, or a place where no file can be made.
    """
    if target.suffix.lower() != suffix:
        raise UsageError(f"{target} would be written as {suffix}; give it a name ending so.")
    try:
        if target.exists() and source.exists() and target.samefile(source):
            raise UsageError(f"{target} is the file that is read; give another name.")
        if target.exists() and not target.is_file():
            raise InputError(f"{target} is not a plain file; give another name.")
        if not target.parent.is_dir():
            raise InputError(f"{target} cannot be written: there is no folder {target.parent}.")
    except OSError as error:
        raise _unwritable(target, error) from None


def write_whole(target: Path, text: str) -> None:
    """Write `text` as UTF-8, so that `target` holds either all of it or what it held before.

    Raises InputError where the file cannot be written.
    """
    final = Path(os.path.realpath(target))
    part = final.with_name(f".{final.name}.{os.getpid()}.part")
    try:
        with part.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        part.replace(final)
    except OSError as error:
        raise _unwritable(target, error) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _unwritable(target: Path, error: OSError) -> InputError:
    return InputError(
        f"{target} cannot be written: {error.strerror or error}. Choose another place or name."
    )
