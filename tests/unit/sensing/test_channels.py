"""Tests of the way from a board's counts to readings in SI, against volts worked out by hand."""

import csv
import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.config import parse_bench
from rig.readings import ChannelSpec, Readings, Samples
from rig.records import Finding
from rig.sensing.channels import ChannelReader
from tests.support.bench_files import FULL, INPUTS, changed, only_channels

DATA = Path(__file__).parents[2] / "data" / "sensors"
RATE_HZ = 200.0
STEP_V = 5.0 / 4096


def code(volts: float) -> int:
    """Return what a converter of 12 bits for 5 V makes of volts."""
    return min(round(volts / STEP_V), 4095)


def samples_of(counts: np.ndarray, first: int = 0) -> Samples:
    """Make frames of counts (n, inputs), 5 ms apart, read 2 ms after the newest."""
    sequence = np.arange(first, first + len(counts))
    mcu_us = sequence * 5000
    newest_s = float(mcu_us[-1]) * 1e-6 if len(counts) else 0.0
    return Samples(sequence, mcu_us, counts.astype(np.int64), 100.0 + newest_s + 0.002)


def reader_of(text: str, *inputs: str, bits: int = 12, full_scale_v: float = 5.0) -> ChannelReader:
    """Make a reader for a bench and a board with these inputs."""
    table = [ChannelSpec(name, bits, full_scale_v) for name in inputs]
    return ChannelReader(parse_bench(text, "bench.toml"), table)


def pressures_of(counts: Sequence[int] | np.ndarray) -> Readings:
    """Read the counts of a plain pressure sensor at once."""
    reader = reader_of(only_channels("p_b").replace("p_b", "p_a"), "p1")
    return reader.read(samples_of(np.array(counts)[:, None]))


def test_counts_become_pascals_kelvin_volts_and_metres() -> None:
    """Every kind of channel by its own formula, on the converter's steps, in any order."""
    reader = reader_of(FULL, *reversed(INPUTS))
    volts = {"p0": 2.9, "p1": 3.7, "p2": 2.5, "t0": 2.5, "t1": 1.6, "v0": 2.1, "v1": 2.5}
    volts |= {"x0": 1.3, "s0": 4.0}
    codes = [code(volts[name]) for name in reversed(INPUTS)]
    readings = reader.read(samples_of(np.array([codes, codes])))
    value = {name: values.tolist() for name, values in readings.values.items()}
    exact = {name: code(each) * STEP_V for name, each in volts.items()}
    beta_ohm = 4700.0 * (5.0 / exact["t1"] - 1.0)
    expected = {
        "p_a": (exact["p0"] - 0.5) / 4.0 * 115_000.0,
        "p_b": (exact["p1"] - 0.5) / 4.0 * 115_000.0,
        "barometer": 20_000.0 + (exact["p2"] - 0.5) / 4.0 * 95_000.0,
        "t_bath": 1.0 / (1.0 / 298.15 + math.log(beta_ohm / 10_000.0) / 3950.0),
        "supply": 6.0 * exact["v0"],
        "sensor_supply": 2.0 * exact["v1"],
        "travel": (exact["x0"] - 0.5) / 4.0 * 0.025,
        "signal": exact["s0"],
    }
    assert set(value) == {*expected, "t_gas"} == set(reader.names)
    for name, each in expected.items():
        assert value[name] == pytest.approx([each, each], rel=1e-9), name
    assert value["t_gas"] == pytest.approx([298.15, 298.15], abs=0.02)
    assert readings.flags == ()
    assert readings.time_mono_s == pytest.approx([100.002, 100.007])


def _transfers() -> list[dict[str, str]]:
    with (DATA / "absolute_sensor_transfer.csv").open(encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["kind"] == "two-point"]


@pytest.mark.parametrize("row", _transfers(), ids=lambda row: row["sensor"])
def test_published_sensors_read_what_is_published(row: dict[str, str]) -> None:
    """Two published points make the line; its volts at 20 and 100 kPa give those pressures.

    Within half a step of a 16-bit converter and the published digits. Points below no pressure
    cannot stand in a bench file: the line is given by those between.
    """
    at_20_v, at_100_v = float(row["V_at_20kPa"]), float(row["V_at_100kPa"])
    points = [(float(row[f"V{n}"]), float(row[f"P{n}_kPa"])) for n in (1, 2)]
    points.sort(key=lambda point: point[1])
    if points[0][1] < 0.0:
        slope = (points[1][1] - points[0][1]) / (points[1][0] - points[0][0])
        points[0] = (points[1][0] - points[1][1] / slope, 0.0)
    low, high = (f'["{volts!r} V", "{kpa!r} kPa"]' for volts, kpa in points)
    text = only_channels("p_b").replace("p_b", "p_a")
    text = changed('low = ["0.5 V", "0 kPa"]', f"low = {low}", text)
    text = changed('high = ["4.5 V", "115 kPa"]', f"high = {high}", text)
    text = changed('span_u = "2 %"', 'span_u = "2 %"\nfastest = "90000 kPa/s"', text)
    reader = reader_of(text, "p1", bits=16)
    counts = np.array([[round(volts / 5.0 * 65536)] for volts in (at_20_v, at_100_v)])
    pressure_pa = reader.read(samples_of(counts)).values["p_a"]
    assert pressure_pa.tolist() == pytest.approx([20_000.0, 100_000.0], abs=16.0)


def test_a_published_table_of_a_thermistor_is_read_through_its_divider() -> None:
    """A 10 kohm sensor's rows, each turned into volts by hand, come back within 0.01 K."""
    with (DATA / "thermistor_rt_tables.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["sensor_id"] == "ntc_11"]
    ohm = np.array([float(row["R_ohm"]) for row in rows])
    kelvin = np.array([float(row["T_C"]) for row in rows]) + 273.15
    reader = reader_of(only_channels("p_a", "t_gas"), "p0", "t0", bits=24, full_scale_v=5.0)
    counts = np.stack([np.full(ohm.size, 2**23), 2**24 * ohm / (ohm + 10_000.0)], axis=1)
    readings = reader.read(samples_of(np.round(counts)))
    np.testing.assert_allclose(readings.values["t_gas"], kelvin, atol=0.01, rtol=0)


@pytest.mark.parametrize(("bits", "signed"), [(10, False), (12, False), (16, True), (24, True)])
def test_any_converter_reads_the_same_volts(bits: int, signed: bool) -> None:
    """2 V of a sensor are 43.125 kPa, whatever the converter's bits, sign and ratio before it."""
    text = changed('input = "p1"', 'input = "p1"\ninput_ratio = 2.0', only_channels("p_b"))
    bench = parse_bench(text.replace("p_b", "p_a"), "bench.toml")
    reader = ChannelReader(bench, [ChannelSpec("p1", bits, 2.5, signed)])
    full = 2 ** (bits - 1) if signed else 2**bits
    counts = np.full((3, 1), round(1.0 / 2.5 * full))
    pressure_pa = reader.read(samples_of(counts)).values["p_a"]
    assert pressure_pa == pytest.approx([43_125.0] * 3, abs=0.5 * 5.0 / full * 28_750.0)


# ratiometric sensors

RATIOMETRIC = only_channels("p_a", "sensor_supply", "supply")


@pytest.mark.parametrize("supply_v", [4.6, 5.0, 5.4])
def test_a_ratiometric_sensor_is_read_by_its_supply(supply_v: float) -> None:
    """60 % of whatever supplies it is always 71.875 kPa; the supply of the coils has no part."""
    reader = reader_of(RATIOMETRIC, "p0", "v1", "v0", bits=16, full_scale_v=6.0)
    counts = np.round(np.array([[0.6 * supply_v, 0.5 * supply_v, 2.0]] * 4) / 6.0 * 65536)
    readings = reader.read(samples_of(counts))
    assert readings.values["p_a"] == pytest.approx([71_875.0] * 4, abs=5.0)
    assert readings.values["sensor_supply"] == pytest.approx([supply_v] * 4, abs=2e-4)
    assert readings.flags == ()


def test_a_ratiometric_sensor_whose_supply_is_not_measured_counts_as_at_nominal() -> None:
    """Then converter and sensor share their supply, and its volts cancel."""
    reader = reader_of(only_channels("p_a"), "p0")
    readings = reader.read(samples_of(np.full((2, 1), code(3.0))))
    assert readings.values["p_a"] == pytest.approx([71_875.0] * 2, abs=20.0)


def test_a_wrong_supply_spoils_the_sensors_that_follow_it() -> None:
    """More than a tenth off, the pressure is left out; supply and finding say why."""
    reader = reader_of(RATIOMETRIC, "p0", "v1", "v0")
    counts = np.full((20, 3), code(2.5))
    counts[10:, 1] = code(2.2)
    readings = reader.read(samples_of(counts))
    assert np.isfinite(readings.values["p_a"]).tolist() == [True] * 10 + [False] * 10
    assert np.isfinite(readings.values["sensor_supply"]).all()
    (finding,) = readings.flags
    assert finding.code == "sensor_supply_outside"
    assert finding.figures == {
        "channel": "p_a",
        "reading_v": pytest.approx(4.4, abs=2e-3),
        "nominal_v": 5.0,
    }


def test_a_dead_supply_is_no_division_by_zero() -> None:
    """No volts at all are as wrong as too few."""
    reader = reader_of(RATIOMETRIC, "p0", "v1", "v0")
    readings = reader.read(samples_of(np.tile([[code(2.5), 0, 0]], (5, 1))))
    assert np.isnan(readings.values["p_a"]).all()
    assert readings.values["sensor_supply"].tolist() == [0.0] * 5


# what is unusable

ALL_GOOD = {"p0": 2.5, "p1": 2.5, "p2": 2.5, "t0": 2.5, "t1": 2.5, "v0": 2.0, "v1": 2.5}
ALL_GOOD |= {"x0": 2.5, "s0": 2.5}


@pytest.mark.parametrize(
    ("channel", "board_input", "volts", "code_of", "figures"),
    [
        ("t_gas", "t0", 4.999, "sensor_open", {"reading_v": 4.9988, "reference_v": 5.0}),
        ("t_gas", "t0", 0.0, "sensor_shorted", {"reading_v": 0.0, "reference_v": 5.0}),
        ("t_bath", "t1", 0.0, "sensor_open", {"reading_v": 0.0, "reference_v": 5.0}),
        ("t_bath", "t1", 4.999, "sensor_shorted", {"reading_v": 4.9988, "reference_v": 5.0}),
        ("p_b", "p1", 0.0, "converter_at_end", {"reading_v": 0.0}),
        ("p_b", "p1", 4.999, "converter_at_end", {"reading_v": 4.9988}),
        ("p_b", "p1", 0.2, "out_of_range", {"reading_v": 0.2, "low_v": 0.42, "high_v": 4.9}),
        ("p_a", "p0", 0.2, "out_of_range", {"reading_v": 0.2, "low_v": 0.42, "high_v": 4.9}),
        ("p_a", "p0", 0.0, "converter_at_end", {"reading_v": 0.0}),
        ("travel", "x0", 0.0, "converter_at_end", {"reading_v": 0.0}),
        ("supply", "v0", 4.999, "converter_at_end", {"reading_v": 29.9927}),
    ],
)
def test_what_is_unusable_names_channel_reading_and_cause(
    channel: str, board_input: str, volts: float, code_of: str, figures: dict[str, float]
) -> None:
    """The value is NaN, the finding says which channel, what it reads and what that means."""
    reader = reader_of(FULL, *INPUTS)
    good = [code(ALL_GOOD[name]) for name in INPUTS]
    bad = [code(volts) if name == board_input else code(ALL_GOOD[name]) for name in INPUTS]
    readings = reader.read(samples_of(np.array([good] * 5 + [bad] * 5)))
    assert np.isnan(readings.values[channel]).tolist() == [False] * 5 + [True] * 5
    others = [values for name, values in readings.values.items() if name != channel]
    assert np.isfinite(others).all()
    (finding,) = readings.flags
    assert finding.code == code_of
    assert finding.figures.pop("channel") == channel  # type: ignore[attr-defined]
    assert finding.figures == {
        name: pytest.approx(each, abs=1e-3) for name, each in figures.items()
    }
    assert reader.faults == {channel: (code_of,)}
    assert reader.excluded == {name: 5 * (name == channel) for name in reader.names}


def test_a_supply_that_is_off_is_a_reading() -> None:
    """Before the lease is granted the supply reads no volts; nothing is wrong with that."""
    readings = reader_of(FULL, *INPUTS).read(
        samples_of(np.array([[0 if name == "v0" else code(ALL_GOOD[name]) for name in INPUTS]]))
    )
    assert readings.values["supply"].tolist() == [0.0]
    assert readings.flags == ()


def test_a_broken_wire_is_told_once_until_it_is_mended() -> None:
    """Live, in batches of two frames: one finding when it breaks, one when it is over."""
    reader = reader_of(only_channels("p_a", "t_gas"), "p0", "t0")
    flags: list[tuple[int, Finding]] = []
    for first in range(0, 1200, 2):
        open_wire = 200 <= first < 800
        counts = np.tile([[code(2.5), 4095 if open_wire else code(2.5)]], (2, 1))
        readings = reader.read(samples_of(counts, first))
        assert readings.samples.sequence.tolist() == [first, first + 1]
        assert np.isnan(readings.values["t_gas"]).all() == open_wire
        flags += [(first, each) for each in readings.flags]
    assert [(first, each.code) for first, each in flags] == [
        (200, "sensor_open"),
        (1000, "reading_usable_again"),
    ]
    assert flags[1][1].figures["count"] == 600.0
    assert reader.excluded == {"p_a": 0, "t_gas": 600}
    assert reader.faults == {}


# leaps


def hold_counts(count: int = 500) -> np.ndarray:
    """Make a hold at 50 kPa that leaks a little, with noise of two counts."""
    rng = np.random.default_rng(11)
    volts = 0.5 + (50_000.0 + 2.0 * np.arange(count)) / 28_750.0
    return np.asarray(np.round(volts / STEP_V + rng.normal(0.0, 2.0, count)).astype(int))


@pytest.mark.parametrize("bit", range(7, 12))
@pytest.mark.parametrize("place", [0, 1])
def test_a_flipped_bit_is_that_one_reading(bit: int, place: int) -> None:
    """From bit 7 on (4.5 kPa) a flip is left out and counted, live too; its neighbours stay."""
    counts = hold_counts()
    counts[200 + place] ^= 1 << bit
    reader = reader_of(only_channels("p_b").replace("p_b", "p_a"), "p1")
    parts = [reader.read(samples_of(counts[n : n + 2, None], n)) for n in range(0, 500, 2)]
    values = np.concatenate([part.values["p_a"] for part in parts])
    assert np.flatnonzero(np.isnan(values)).tolist() == [200 + place]
    assert [flag.code for part in parts for flag in part.flags] == [
        *("impossible_step", "reading_usable_again")
    ]
    assert reader.excluded == {"p_a": 1}


def test_a_small_flip_is_left_to_the_analysis() -> None:
    """Bit 6 is 2.2 kPa, less than 400 kPa/s and the noise allow between frames."""
    counts = hold_counts()
    counts[200] ^= 1 << 6
    assert np.isfinite(pressures_of(counts).values["p_a"]).all()


def test_a_hose_that_comes_off_is_read_to_its_end() -> None:
    """50 to 101 kPa in two frames: every reading stays, nothing is told."""
    volts = 0.5 + np.array([50.0] * 20 + [78.0, 99.0] + [101.3] * 20) * 1000.0 / 28_750.0
    readings = pressures_of(np.round(volts / STEP_V).astype(int))
    assert np.isfinite(readings.values["p_a"]).all()
    assert readings.flags == ()


def test_frames_wait_only_while_a_leap_is_undecided() -> None:
    """A leap in the newest frame comes out with the next; sequence and times stay unbroken."""
    reader = reader_of(only_channels("p_b").replace("p_b", "p_a"), "p1")
    low, high = code(2.0), code(4.0)
    out = []
    for first, level in enumerate([low, low, high, low, high, high, high, high, high]):
        readings = reader.read(samples_of(np.array([[level]]), first))
        out.append(readings.samples.sequence.tolist())
        assert len(readings.values["p_a"]) == len(readings.time_mono_s) == len(out[-1])
    assert out == [[0], [1], [], [2, 3], [], [], [], [4, 5, 6, 7], [8]]
    assert reader.excluded == {"p_a": 1}
    assert reader.rest() is None
    assert reader.read(samples_of(np.array([[low]]), 9)).samples.sequence.size == 0
    rest = reader.rest()
    assert rest is not None
    assert rest.samples.sequence.tolist() == [9]
    assert np.isfinite(rest.values["p_a"]).all()
    after = reader.read(samples_of(np.array([[low], [high], [low]]), 10))
    assert after.samples.sequence.tolist() == [10, 11, 12]
    assert np.isfinite(after.values["p_a"]).tolist() == [True, False, True]


def test_no_frames_give_no_readings() -> None:
    """An empty batch is no error."""
    reader = reader_of(only_channels("p_a"), "p0")
    readings = reader.read(samples_of(np.empty((0, 1))))
    assert readings.values["p_a"].size == readings.time_mono_s.size == 0


def test_frames_that_never_arrived_are_passed_on() -> None:
    """What is missing stays with the first frames that come out."""
    reader = reader_of(only_channels("p_b").replace("p_b", "p_a"), "p1")
    reader.read(samples_of(np.full((2, 1), code(2.0))))
    one = samples_of(np.array([[code(4.0)]]), 3)
    lost = Samples(one.sequence, one.mcu_us, one.counts, one.host_mono_s, missing=1)
    waiting = reader.read(lost)
    assert (waiting.samples.sequence.size, waiting.samples.missing) == (0, 0)
    both = reader.read(samples_of(np.array([[code(2.0)]]), 4))
    assert (both.samples.sequence.tolist(), both.samples.missing) == ([3, 4], 1)


_CODES = st.sampled_from([0, code(0.2), code(2.0), code(2.05), code(2.5), code(4.0), 4095])


@given(
    st.lists(st.tuples(_CODES, _CODES, _CODES), min_size=1, max_size=30),
    st.lists(st.integers(1, 29), max_size=10),
)
@settings(max_examples=150, derandomize=True, deadline=None)
def test_readings_do_not_depend_on_how_frames_are_split(
    rows: list[tuple[int, int, int]], cuts: list[int]
) -> None:
    """Every frame comes out once, in order, with the same values, flags and counts as at once."""
    counts = np.array(rows)
    text = only_channels("p_a", "sensor_supply", "t_gas")
    results = []
    for places in ([], sorted(set(cuts))):
        reader = reader_of(text, "p0", "v1", "t0")
        parts = [
            reader.read(samples_of(counts[part], int(part[0])))
            for part in np.split(np.arange(len(counts)), places)
            if part.size
        ]
        rest = reader.rest()
        parts += [] if rest is None else [rest]
        results.append((parts, reader.excluded))
    (whole, excluded), (pieces, excluded_live) = results
    for name in whole[0].values:
        np.testing.assert_array_equal(
            np.concatenate([part.values[name] for part in pieces]),
            np.concatenate([part.values[name] for part in whole]),
        )
    sequence = np.concatenate([part.samples.sequence for part in pieces])
    assert sequence.tolist() == list(range(len(counts)))
    np.testing.assert_allclose(
        np.concatenate([part.time_mono_s for part in pieces]), 100.002 + sequence * 0.005, atol=1e-9
    )
    assert [flag for part in pieces for flag in part.flags] == [
        flag for part in whole for flag in part.flags
    ]
    assert excluded_live == excluded


# how sure


def test_the_uncertainties_of_the_bench_file_are_there_for_the_hold() -> None:
    """Zero and span of a pressure, one figure of a thermistor; nothing for anything else."""
    reader = reader_of(FULL, *INPUTS)
    assert reader.pressure_u("p_a") == (300.0, 0.01)
    assert reader.pressure_u("barometer") == (100.0, 0.002)
    assert reader.temperature_u_k("t_gas") == 0.5
    for name in ("t_gas", "supply", "p_c"):
        with pytest.raises(KeyError):
            reader.pressure_u(name)
    for name in ("p_a", "travel"):
        with pytest.raises(KeyError):
            reader.temperature_u_k(name)
