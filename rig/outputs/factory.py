"""Own the choice of the library that reaches the pins; never try a second one in silence."""

import contextlib
import os
import sys
from importlib import import_module
from pathlib import Path
from types import ModuleType

from gpiozero import Factory, GPIOZeroError

from rig.config import Bench
from rig.errors import BenchError

_BACKEND = "gpiozero.pins.lgpio"
_TRIAL = ".may-write-here"
_INSTALL = (
    "Install the program with its extra [pi], or the system's python3-lgpio and a virtual "
    "environment that sees the system's packages."
)


def make_factory(bench: Bench) -> Factory:
    """Make the pin factory that the bench file names.

    Raises BenchError where the library is missing or too old, the folder that the program was
    started in may not be written (the library keeps a pipe there), this is no Raspberry Pi, its
    pins may not be opened, or the file names the simulated pins, which only a simulated bench has.
    """
    if bench.pins.factory != "lgpio":
        raise BenchError(
            f'{_where(bench)}: "{bench.pins.factory}" belongs to the simulated bench. For the pins '
            'of this computer write factory = "lgpio".'
        )
    _try_to_write(bench)
    backend = _import_backend(bench)
    try:
        factory = backend.LGPIOFactory()
    except pin_errors() as error:
        raise BenchError(
            f"{_where(bench)}: the pins cannot be reached ({error}). It takes a Raspberry Pi, and "
            "a user who may open /dev/gpiochip*: add the user to the group gpio."
        ) from error
    factory.pin_class = _made_safe_from_the_start(backend)
    return factory


def pin_errors() -> tuple[type[Exception], ...]:
    """List the errors by which a pin fails, that of the library behind gpiozero included."""
    of_library = getattr(sys.modules.get("lgpio"), "error", None)
    known: tuple[type[Exception], ...] = (GPIOZeroError, OSError)
    return known if of_library is None else (*known, of_library)


def _try_to_write(bench: Bench) -> None:
    """Make what the library will make: a pipe in the folder that it keeps its own in."""
    folder = os.environ.get("LG_WD", ".")
    trial = Path(folder) / f"{_TRIAL}-{os.getpid()}"
    try:
        os.mkfifo(trial)
    except OSError as error:
        raise _folder_refused(bench, folder, error) from error
    trial.unlink()


def _folder_refused(bench: Bench, folder: str, error: OSError) -> BenchError:
    where = folder
    with contextlib.suppress(OSError):
        where = str(Path(folder).resolve(strict=True))
    return BenchError(
        f"{_where(bench)}: the library for the pins keeps a pipe named .lgd-nfy0 in the folder "
        f"that the program is started in, and cannot in {where} ({error.strerror or error}). "
        "Start from a folder that this user may write (a service: WorkingDirectory=), and remove "
        "a .lgd-nfy0 that another user left there."
    )


def _where(bench: Bench) -> str:
    return bench.where("pins", "factory")


def _import_backend(bench: Bench) -> ModuleType:
    try:
        return import_module(_BACKEND)
    except ModuleNotFoundError as error:
        if error.name != "lgpio":
            raise
        raise BenchError(
            f"{_where(bench)}: the library lgpio is not installed. {_INSTALL}"
        ) from error
    except AttributeError as error:
        raise BenchError(
            f"{_where(bench)}: the library lgpio that is installed is empty or too old ({error}); "
            f"0.2.2 or newer is needed. {_INSTALL}"
        ) from error
    except OSError as error:
        raise _folder_refused(bench, os.environ.get("LG_WD", "."), error) from error


def _made_safe_from_the_start(backend: ModuleType) -> type:
    """Make a pin class whose outputs begin at the level that is wanted.

    The library's own claims every line low and writes the level afterwards: a driver that
    energises on low would click on at each start.
    """
    lgpio = backend.lgpio

    class FromTheStart(backend.LGPIOPin):  # type: ignore[misc, name-defined] # untyped library
        def output_with_state(self, state: bool) -> None:
            lgpio.gpio_claim_output(self.factory._handle, self._number, int(bool(state)))

    return FromTheStart
