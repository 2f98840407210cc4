"""Check that sensors and converters turn values into counts as the bench file says."""

from pathlib import Path

import pytest

from rig.config import Bench, parse_bench
from rig.errors import BenchError
from rig.sim.bench import simulated_bench_text
from rig.sim.board_inputs import BoardInputs
from rig.sim.transfer import Input, inputs_of

VALUES = {
    "p_a": 57_500.0,
    "p_b": 101_325.0,
    "t_gas": 298.15,
    "t_bath": 323.15,
    "supply": 12.0,
    "travel": 12.5e-3,
}
TEXT = simulated_bench_text("board", Path("/bench"))


def _bench(text: str = TEXT) -> Bench:
    return parse_bench(text, "bench.toml")


def _inputs(text: str = TEXT, **values: float) -> dict[str, Input]:
    return {each.channel: each for each in inputs_of(_bench(text), {**VALUES, **values})}


def test_pressure_and_travel_lie_on_the_lines_of_the_bench_file() -> None:
    """0.5 V at 0 and 4.5 V at 115 kPa (25 mm): half of either is 2.5 V; 16 bits of 6.144 V."""
    inputs = _inputs()
    for name in ("p_a", "travel"):
        assert inputs[name].volts(VALUES) == pytest.approx(2.5)
        assert inputs[name].count(2.5) == round(2.5 / 6.144 * 32768)
        assert inputs[name].spec.signed


def test_a_thermistor_gives_the_volts_of_its_curve_and_divider() -> None:
    """Three-term curve of 10 kohm: about 10 kohm at 25 degC halves 3.3 V, to the curve's 0.3 %."""
    inputs = _inputs()
    assert inputs["t_gas"].volts(VALUES) == pytest.approx(1.65, rel=0.003)
    assert inputs["t_gas"].spec.bits == 14
    hot = inputs["t_bath"].volts(VALUES)
    assert hot == pytest.approx(3.3 * 3603.0 / 13_603.0, rel=0.01)


def test_a_voltage_goes_through_its_divider() -> None:
    """12 V behind a divider by six are 2 V at the converter."""
    supply = _inputs()["supply"]
    assert supply.volts(VALUES) == 12.0
    assert supply.count(12.0) == round(2.0 / 6.144 * 32768)


def test_a_converter_stops_at_its_ends() -> None:
    """Beyond full scale it gives its last code, below nothing its first."""
    inputs = _inputs()
    assert inputs["p_a"].count(7.0) == 32767
    assert inputs["p_a"].count(-7.0) == -32768
    assert inputs["t_gas"].count(3.3) == 16383
    assert inputs["t_gas"].count(-0.1) == 0


def test_a_thermistor_beyond_its_table_gives_its_last_volts() -> None:
    """Very cold nearly the whole of the reference, very hot nearly nothing, never beyond."""
    inputs = _inputs()
    cold, hot = (inputs["t_gas"].volts({"t_gas": kelvin}) for kelvin in (100.0, 900.0))
    assert 3.2 < cold < 3.3
    assert 0.0 < hot < 0.1


def test_a_ratiometric_sensor_follows_its_supply() -> None:
    """At 4.9 V in place of 5.0 V its volts are 2 % less."""
    text = TEXT.replace('input = "p0"', 'input = "p0"\nratiometric = "5.0 V"')
    one = _inputs(text)["p_a"]
    assert one.volts({**VALUES, "sensor_supply": 4.9}) == pytest.approx(2.5 * 0.98)
    assert one.volts(VALUES) == pytest.approx(2.5)


def test_a_five_volt_divider_gets_the_wider_converter() -> None:
    """A reference that the board's own converter cannot take is read by the other one."""
    text = TEXT.replace('reference = "3.3 V"', 'reference = "5.0 V"')
    assert _inputs(text)["t_gas"].spec.full_scale_v == pytest.approx(6.144)


@pytest.mark.parametrize("side", ["to_ground", "to_reference"])
def test_open_and_shorted_thermistors_are_at_the_ends(side: str) -> None:
    """To ground: open is the whole reference, shorted nothing; to the reference the other way."""
    one = _inputs(TEXT.replace("to_ground", side))["t_bath"]
    assert one.ends_v == ((3.3, 0.0) if side == "to_ground" else (0.0, 3.3))


def test_a_channel_that_the_plant_does_not_know_is_refused() -> None:
    """The error names it, and what the plant gives."""
    values = {name: value for name, value in VALUES.items() if name != "travel"}
    with pytest.raises(BenchError, match="no value for travel, only for p_a"):
        inputs_of(_bench(), values)


def test_a_value_that_is_no_number_is_refused() -> None:
    """A plant that gives NaN is told so at the start."""
    with pytest.raises(BenchError, match="no finite value for t_gas"):
        _inputs(t_gas=float("nan"))


def _counts(inputs: BoardInputs, **values: float) -> dict[str, int]:
    names = list(_bench().channels)
    return dict(zip(names, inputs.counts({**VALUES, **values}), strict=True))


def test_a_frozen_channel_repeats_its_count_and_no_other_does() -> None:
    """Until it is mended."""
    inputs = BoardInputs(_bench(), VALUES)
    before = _counts(inputs)
    inputs.freeze("p_a", VALUES)
    after = _counts(inputs, p_a=20e3, p_b=20e3)
    assert after["p_a"] == before["p_a"]
    assert after["p_b"] != before["p_b"]
    inputs.mend("p_a")
    assert _counts(inputs, p_a=20e3)["p_a"] != before["p_a"]


def test_a_spike_lasts_as_many_frames_as_it_should() -> None:
    """Two frames away, then back, also over a held channel."""
    inputs = BoardInputs(_bench(), VALUES)
    usual = _counts(inputs)["p_a"]
    inputs.spike("p_a", 4.4, 2)
    seen = [_counts(inputs)["p_a"] for _ in range(4)]
    away = round(4.4 / 6.144 * 32768)
    assert seen == [away, away, usual, usual]


def test_a_held_channel_stays_at_its_volts() -> None:
    """Whatever the plant does."""
    inputs = BoardInputs(_bench(), VALUES)
    inputs.hold("supply", 9.0)
    assert _counts(inputs, supply=12.6)["supply"] == round(1.5 / 6.144 * 32768)


def test_faults_of_unknown_channels_are_refused() -> None:
    """The error lists the channels; only a thermistor can be open or shorted."""
    inputs = BoardInputs(_bench(), VALUES)
    with pytest.raises(BenchError, match="no channel 'p_c'; it has p_a, p_b"):
        inputs.hold("p_c", 1.0)
    with pytest.raises(BenchError, match="'p_a' is no thermistor"):
        inputs.ends_v("p_a")
