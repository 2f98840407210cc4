"""Tests of every bench file of the project: without power, all of part and rig is open to air."""

import re
import tomllib
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from rig.config import parse_bench
from rig.errors import BenchError
from rig.outputs.interlocks import RULES
from rig.outputs.valves import Outputs
from tests.contract.tree import texts

EXAMPLE = "hardware/bench.toml"
PAGE = texts("README.md", under="hardware/")["hardware/README.md"]
AT_REST = {"pump": "shut", "vent": "open", "part": "open", "port_b": "open"}
"""What lets air in when the power is gone: nothing draws, and nothing is shut off from the air."""


def _bench_files() -> dict[str, str]:
    """Find the bench files by what they hold, and that of the simulated bench."""
    found = {
        name: text
        for name, text in texts(".toml").items()
        if re.search(r"^\[valves[.\]]", text, re.MULTILINE)
    }
    if find_spec("rig.sim.bench") is not None:
        simulated = import_module("rig.sim.bench").simulated_bench_text
        found["simulated"] = simulated("/dev/pts/0", Path("/srv/stillgauge"))
    return found


BENCH_FILES = _bench_files()
EVERY_FILE = pytest.mark.parametrize("name", BENCH_FILES)


def _tables(name: str) -> dict[str, Any]:
    return tomllib.loads(BENCH_FILES[name])


def test_the_example_is_among_the_bench_files() -> None:
    """A bench file is known by its valves; the example at least is one."""
    assert EXAMPLE in BENCH_FILES


@EVERY_FILE
def test_unpowered_is_open(name: str) -> None:
    """Without power the pump is shut off and every other valve open; pump and vent are there.

    Read from the file itself, whatever the program makes of it.
    """
    valves = _tables(name)["valves"]
    assert {"pump", "vent"} <= set(valves)
    assert {valve: table["at_rest"] for valve, table in valves.items()} == {
        valve: AT_REST[valve] for valve in valves
    }


@EVERY_FILE
def test_no_polarity_is_left_to_a_default(name: str) -> None:
    """Every output says which level energises it, the stop contact is one that a break opens."""
    tables = _tables(name)
    outputs = [*tables["valves"].values(), *tables.get("outputs", {}).values()]
    assert all(isinstance(output["active_high"], bool) for output in outputs)
    assert tables["pins"]["factory"] in {"lgpio", "mock"}
    if "stop" in tables.get("inputs", {}):
        assert tables["inputs"]["stop"]["pressed"] == "open"


@EVERY_FILE
def test_every_output_of_a_bench_file_is_claimed_at_rest(name: str) -> None:
    """The program takes the file, and every valve and output in it begins at rest."""
    bench = parse_bench(BENCH_FILES[name], name)
    outputs = Outputs(bench, MockFactory())
    assert set(outputs.names) == {*bench.valves, *bench.outputs}
    assert not any(outputs.energised().values())
    assert {valve: outputs.position(valve) for valve in bench.valves} == {
        valve: AT_REST[valve] for valve in bench.valves
    }
    outputs.close()


@pytest.mark.parametrize("valve", AT_REST)
def test_a_bench_that_locks_something_in_is_refused(valve: str) -> None:
    """Each valve of the example, turned round at rest, makes the program refuse the file."""
    right = f'[valves.{valve}]\npin = "{_tables(EXAMPLE)["valves"][valve]["pin"]}"\nat_rest = '
    other = "open" if AT_REST[valve] == "shut" else "shut"
    turned = BENCH_FILES[EXAMPLE].replace(f'{right}"{AT_REST[valve]}"', f'{right}"{other}"')
    assert turned != BENCH_FILES[EXAMPLE]
    with pytest.raises(BenchError, match=rf"valves\.{valve}\.at_rest: with this valve {other}"):
        parse_bench(turned, EXAMPLE)


def _rows(heading: str) -> list[list[str]]:
    found = re.search(rf"^\| {heading} \|.*\n\|[-|]+\|\n((?:\|.*\n)+)", PAGE, re.MULTILINE)
    assert found is not None, f"no table headed {heading!r}"
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in found[1].splitlines()]


def test_the_page_lists_the_interlocks() -> None:
    """The table on the page says what is refused and why, rule by rule, as the program does."""
    assert _rows("refused") == [[rule.refuses, rule.because] for rule in RULES]


def test_the_page_says_how_each_valve_rests() -> None:
    """The valves on the page are those of the example, with their positions without power."""
    said = {row[1].strip("`"): row[2] for row in _rows("valve")}
    assert said == {f"[valves.{valve}]": position for valve, position in AT_REST.items()}


@pytest.mark.parametrize("caution", ["fingers", "vapour", "scald", "crushed", "asbestos", "manual"])
def test_cautions_stand_before_the_plumbing(caution: str) -> None:
    """What can hurt is said before anybody is told what to connect."""
    assert caution in PAGE.split("## Plumbing")[0]
