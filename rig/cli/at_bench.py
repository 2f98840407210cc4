"""Own the options by which a command finds its bench, and its life; never run a test at it."""

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import click

from rig.cli.verb import Declared, option
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.daemon.build import Built

DEFAULT_BENCH = Path("/etc/stillgauge/bench.toml")
_OWN_PLANT = "rig.sim.plant:BenchPlant"

bench_file_option = option(
    "--bench",
    "file",
    text="bench",
    metavar="BENCH.toml",
    type=click.Path(path_type=Path),
    envvar="RIG_BENCH",
)


@dataclass(frozen=True)
class BenchChoice:
    """Which bench is meant: the one of a file, or a simulated one around a plant."""

    file: Path | None
    simulated: bool
    plant: str | None
    part: str | None
    fast: bool
    seed: int
    data: Path | None

    @property
    def is_simulated(self) -> bool:
        """Whether no real valve moves."""
        return self.simulated or self.plant is not None


def bench_options(command: Declared) -> Declared:
    """Give a command the options that say which bench it works at, as one `choice`."""

    @wraps(command)
    def chosen(**given: Any) -> Any:
        names = ("file", "simulated", "plant", "part", "fast", "seed", "data")
        choice = BenchChoice(**{name: given.pop(name) for name in names})
        _refuse_contradiction(choice)
        return command(choice=choice, **given)

    made: Declared = chosen
    for declare in reversed(
        (
            bench_file_option,
            option("--simulated", text="simulated", is_flag=True),
            option("--plant", text="plant", metavar="MODULE:CLASS"),
            option("--part", text="part", metavar="NAME"),
            option("--fast", text="fast", is_flag=True),
            option("--seed", text="seed", type=int, default=1),
            option(
                "--data",
                text="bench_data",
                metavar="FOLDER",
                type=click.Path(path_type=Path),
            ),
        )
    ):
        made = declare(made)
    return made


def _refuse_contradiction(choice: BenchChoice) -> None:
    for name, given in (("--part", choice.part), ("--fast", choice.fast), ("--data", choice.data)):
        if given and not choice.is_simulated:
            raise UsageError(
                f"{name} is for a simulated bench: add --simulated, or leave it out. A real bench"
                " has all that in its file."
            )
    if choice.file is not None and choice.is_simulated:
        raise UsageError(
            "--bench names a real bench, --simulated and --plant one without valves: choose."
        )


@contextmanager
def bench_at(choice: BenchChoice) -> Iterator["Built"]:
    """Put the chosen bench together for as long as the context lasts.

    Raises BenchError, LinkError or StoreError where it cannot be.
    """
    from rig.daemon.build import real_bench, simulated_bench
    from rig.daemon.operator import Operator
    from rig.sim.plant import load_plant

    if not choice.is_simulated:
        with real_bench(choice.file or DEFAULT_BENCH) as built:
            yield built
        return
    plant = load_plant(choice.plant or _OWN_PLANT)
    if choice.part is not None:
        plant.connect({"shelf": choice.part})
    with ExitStack() as parts:
        folder = choice.data
        if folder is None:
            folder = Path(parts.enter_context(TemporaryDirectory()))
        built = parts.enter_context(
            simulated_bench(plant, folder.expanduser().resolve(), fast=choice.fast)
        )
        if built.pins is not None:
            Operator(built.loop, plant, built.pins, choice.seed)
        yield built
