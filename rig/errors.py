"""Own the failures that the program reports in one clear sentence; never hold behaviour.

Every error says what happened, where, and what to do. Its class decides the exit status, which is
the same for every command: 0 pass or measured, 1 fail, 2 usage, 3 bad configuration or input,
4 link, 5 store, 6 invalid, 7 undecided.
"""

from typing import ClassVar


class RigError(Exception):
    """Any failure that the program foresaw and can explain to the person at the bench."""

    exit_status: ClassVar[int] = 3


class UsageError(RigError):
    """The command line asks for something that does not fit together."""

    exit_status = 2


class InputError(RigError):
    """A file or value given to the program cannot be used as it stands.

    `errors` holds a sentence for everything that was found wrong with it; most often that is one.
    """

    def __init__(self, *errors: str) -> None:
        super().__init__("\n".join(errors))
        self.errors = errors


class LimitError(InputError):
    """A limit cannot be true, contradicts itself, or is printed in a unit that does not fit it."""


class BenchError(InputError):
    """The bench as its file describes it cannot do what is asked, or must not."""


class LinkError(RigError):
    """The board cannot be reached, or speaks something that this program does not understand."""

    exit_status = 4


class LinkLost(LinkError):  # noqa: N818 - the event has this name everywhere
    """The serial link to the board is gone, whatever the library called it."""


class StoreError(RigError):
    """The record of parts and runs cannot be read or written."""

    exit_status = 5
