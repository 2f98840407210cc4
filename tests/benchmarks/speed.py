"""Measure how long the analysis takes once imported, and whole commands from the shell."""

import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from rig.analysis.leak import analyse_hold
from rig.analysis.looks import decide_early
from tests.benchmarks.common import conditions_of, curve_of, limit_of, options, table
from tests.support.curve_maker import Made, draw, make

IMPORT_NUMPY = "python -c 'import numpy'"
KINDS = ("none", "exponential", "mixed")


def median_ms(action: Callable[[], object], count: int) -> float:
    """Time an action `count` times after one run that is not counted; median [ms]."""
    action()
    taken = []
    for _ in range(count):
        begun = time.perf_counter()
        action()
        taken.append(1e3 * (time.perf_counter() - begun))
    return statistics.median(taken)


def made_at_200_hz(seed: int, kind: str) -> Made:
    """Make a 60 s hold at 200 Hz of a common part."""
    scenario = draw(seed, 1, kind=kind, multiple=0.3, volume_cc=60.0, noise_pa=15.0)
    return make(replace(scenario, sensor=replace(scenario.sensor, rate_hz=200.0)))


def commands(curve_file: Path) -> dict[str, list[str]]:
    """List the processes to time: bare interpreter, its imports, and the program's commands."""
    rig = [sys.executable, "-c", "from rig.cli.main import main; main()"]
    limit = ["--from", "15inHg", "--max-drop", "1inHg", "--within", "20s"]
    limit += ["--reference-volume", "45cc"]
    return {
        "python -c pass": [sys.executable, "-c", "pass"],
        IMPORT_NUMPY: [sys.executable, "-c", "import numpy"],
        "rig --help": [*rig, "--help"],
        "rig analyse FILE, limit given": [*rig, "analyse", str(curve_file), *limit],
    }


def process(name: str, command: list[str]) -> Callable[[], object]:
    """Return an action that runs a command to its end and hides what it prints."""

    def run() -> None:
        done = subprocess.run(command, check=False, capture_output=True)
        # A verdict may have an exit status of its own, but it is printed; a failure prints none.
        if name.startswith("rig") and not done.stdout:
            raise RuntimeError(f"{name} failed: {done.stderr.decode()[-500:]}")

    return run


def main() -> None:
    """Run the benchmark from the command line."""
    args = options(__doc__ or "", 20).parse_args()
    lines = []
    for kind in KINDS:
        made = made_at_200_hz(args.seed, kind)
        curve, conditions = curve_of(made), conditions_of(made)
        limit = limit_of(made.scenario.gauge)
        whole = median_ms(lambda a=curve, b=conditions, c=limit: analyse_hold(a, b, c), args.count)
        looks = median_ms(lambda a=curve, b=conditions, c=limit: decide_early(a, b, c), args.count)
        lines.append((kind, f"{len(made.t_s):,}", f"{whole:.1f}", f"{looks:.1f}"))
    heads = ("settling", "samples", "analysis, ms", "with looks, ms")
    print(table(f"60 s at 200 Hz, once imported, median of {args.count}", heads, lines))
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "curve.csv"
        file.write_text(made_at_200_hz(args.seed, "mixed").csv_text(), encoding="utf-8")
        taken = {
            name: median_ms(process(name, command), args.count)
            for name, command in commands(file).items()
        }
    bare = taken[IMPORT_NUMPY]
    rows = [(name, f"{ms:.0f}", f"{ms / bare:.2f}") for name, ms in taken.items()]
    heads = ("process", "ms", "over import numpy")
    print(table(f"Whole processes, median of {args.count}", heads, rows))


if __name__ == "__main__":
    main()
