"""Own where the record lies that a command works on; never what is done with it.

The folder is that of --data, else that of the bench file of --bench, else that of the environment
variable RIG_DATA, else ~/stillgauge.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.cli.verb import Declared, option
from rig.errors import StoreError

if TYPE_CHECKING:
    from rig.clock import Clock
    from rig.store.store import Store

_VARIABLE = "RIG_DATA"
_HOME = Path("~/stillgauge")


@dataclass(frozen=True)
class Place:
    """Where the record is, as the options say; None where they do not."""

    data: Path | None
    bench: Path | None

    @property
    def folder(self) -> Path:
        """Get the folder of the record.

        Raises BenchError where it is that of a bench file with faults.
        """
        if self.data is not None:
            return self.data.expanduser()
        if self.bench is not None:
            from rig.config import load_bench

            return load_bench(self.bench).data
        return Path(os.environ.get(_VARIABLE) or _HOME).expanduser()

    @property
    def record(self) -> Path:
        """Get the folder of a record that is there.

        Raises StoreError where there never was one: whoever reads must not begin one by a slip.
        """
        folder = self.folder
        if not any(folder.glob("record*")) and not (folder / "backups").exists():
            raise StoreError(
                f"there is no record in {folder} yet: `rig parts add` begins one. If it lies"
                " elsewhere, name its folder with --data."
            )
        return folder

    @contextmanager
    def opened(self, *, begin: bool = False) -> Iterator["Store"]:
        """Open the record; with `begin` one is begun where there never was one.

        Raises StoreError where it cannot be opened.
        """
        from rig.store.store import Store

        folder = self.folder if begin else self.record
        with Store.open(folder, system_clock(), threaded=False) as store:
            yield store


def system_clock() -> "Clock":
    """Get the clock of this machine."""
    from rig.clock import SystemClock

    return SystemClock()


def place_options(command: Declared) -> Declared:
    """Give a command the options of a `Place`, `data` and `bench`."""
    for name, text, metavar in (
        ("--bench", "record_bench", "BENCH.toml"),
        ("--data", "record_data", "FOLDER"),
    ):
        command = option(
            name, text=text, metavar=metavar, type=click.Path(path_type=Path), callback=_inherited
        )(command)
    return command


def _inherited(
    context: click.Context, parameter: click.Parameter, value: Path | None
) -> Path | None:
    """Take an option that stands before the verb below for one that stands behind it."""
    above = {} if context.parent is None else context.parent.params
    return value or above.get(parameter.name or "")
