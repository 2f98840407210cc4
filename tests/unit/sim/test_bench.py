"""Check that the simulated bench's file is one that the program reads."""

from pathlib import Path

import pytest

from rig.config import PressureSettings, parse_bench
from rig.sim.bench import simulated_bench_text
from rig.sim.plant import BenchPlant
from rig.sim.plant_settings import PlantSettings


def test_it_is_a_whole_bench() -> None:
    """All valves, outputs and buttons that there are, and what was asked for."""
    bench = parse_bench(simulated_bench_text("/run/board", Path("/data/rig")), "bench.toml")
    assert set(bench.valves) == {"pump", "vent", "part", "port_b"}
    assert set(bench.outputs) == {"coil", "electric_pump", "lamp", "buzzer"}
    assert set(bench.inputs) == {"mark", "stop"}
    assert (bench.link.port, bench.link.rate_hz, bench.link.lease_s) == ("/run/board", 200, 0.5)
    assert bench.data == Path("/data/rig")
    assert bench.pins.factory == "mock"
    assert bench.pins.journal == Path("/data/rig/pins.log")


def test_rate_and_journal_can_be_chosen() -> None:
    """Another rate, another journal, or none."""
    text = simulated_bench_text("p", Path("/d"), journal="levels.txt", rate_hz=50)
    bench = parse_bench(text, "bench.toml")
    assert bench.link.rate_hz == 50
    assert bench.pins.journal == Path("/d/levels.txt")
    text = simulated_bench_text("p", Path("/d"), journal=None)
    assert parse_bench(text, "bench.toml").pins.journal is None


@pytest.mark.parametrize("name", ['a "quoted" name', "back\\slash", "Prüfstand 1"])
def test_any_name_of_a_folder_or_port_survives(name: str) -> None:
    """Quotes, backslashes and umlauts arrive as they are."""
    bench = parse_bench(simulated_bench_text(name, Path("/data") / name), "bench.toml")
    assert bench.link.port == name
    assert bench.data == Path("/data") / name


def test_it_states_the_uncertainties_that_the_plant_draws_from() -> None:
    """What the file says of zero and span is what the default plant's sensors have."""
    bench = parse_bench(simulated_bench_text("p", Path("/d")), "bench.toml")
    made = PlantSettings()
    for name in ("p_a", "p_b"):
        settings = bench.channels[name]
        assert isinstance(settings, PressureSettings)
        assert settings.zero_u_pa == pytest.approx(made.zero_u_pa)
        assert settings.span_u == pytest.approx(made.span_u)


def test_the_plant_gives_a_value_for_each_of_its_channels() -> None:
    """No channel of the file is left without one."""
    bench = parse_bench(simulated_bench_text("p", Path("/d")), "bench.toml")
    assert set(bench.channels) <= set(BenchPlant().advance({}, 0.0))
