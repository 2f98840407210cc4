"""Own what goes to the terminal; never decide what is said."""

import os
import sys

from rig.errors import RigError


def say(text: str) -> None:
    """Print `text` and see that it arrived.

    A reader that has gone away, as after `| head`, is no error. Raises RigError where the output
    cannot be written, as on a full disk.
    """
    try:
        print(text.rstrip("\n"), flush=True)  # noqa: T201 - the one place that prints
    except BrokenPipeError:
        _discard_the_rest()
    except OSError as error:
        _discard_the_rest()
        raise RigError(f"the output cannot be written: {error.strerror or error}.") from None


def show_line(text: str) -> None:
    """Write `text` over the line that stands there, on a terminal that somebody watches."""
    sys.stdout.write(f"\r\x1b[K{text}")
    sys.stdout.flush()


def _discard_the_rest() -> None:
    """Point the standard output at nothing, so that the interpreter's last flush succeeds."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, sys.stdout.fileno())
    os.close(nothing)
