"""Own the reading of a small text file that a person wrote; never know what is in it."""

from pathlib import Path

from rig.errors import InputError

_LARGEST = 1_000_000
"""No file that a person writes by hand is larger, in bytes."""


def read_text_file(path: Path) -> str:
    """Read a UTF-8 text file.

    Raises InputError where it cannot be read, is far too large or is no such text.
    """
    try:
        with path.open("rb") as stream:
            content = stream.read(_LARGEST + 1)
    except OSError as error:
        raise InputError(f"{path} cannot be read: {error.strerror or error}.") from error
    if len(content) > _LARGEST:
        raise InputError(f"{path} is larger than {_LARGEST // 10**6} MB: that is no file of ours.")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        raise InputError(
            f"{path}, line {line}: the byte {content[error.start]:#04x} is not UTF-8. Save the"
            " file as UTF-8 text."
        ) from error
