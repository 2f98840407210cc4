"""Check the thermistor's divider against published volts, and its faults and uncertainties."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.sensing.divider import Divider, Side, read_thermistor
from rig.sensing.rt_table import RTTable
from rig.sensing.thermistor import ThermistorCurve

DATA = Path(__file__).parents[2] / "data" / "sensors"
CURVE = ThermistorCurve(
    (0.001129241, 0.0002341077, 0.0, 8.775468e-08), range_ohm=(1000.0, 100_000.0)
)
DIVIDER = Divider(10_000.0, 3.3, fixed_rel_u=0.001, reference_rel_u=0.0005)


def test_published_volts_of_a_divider() -> None:
    """1 kohm at 5 V: the published volts of three sensors, printed to 1 mV, within half of that."""
    with (DATA / "divider_1k_5v.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    ohm = [float(row["R_ohm"]) for row in rows]
    published_v = [float(row["V_published"]) for row in rows]
    computed_v = [float(row["V_computed_5V_1k"]) for row in rows]
    found_v = Divider(1000.0, 5.0).volts(ohm)
    assert len(rows) == 60
    np.testing.assert_allclose(found_v, published_v, atol=0.5e-3, rtol=1e-12)
    np.testing.assert_allclose(found_v, computed_v, atol=0.5e-4, rtol=1e-12)


@given(
    side=st.sampled_from(list(Side)),
    fixed_ohm=st.floats(100.0, 1e5),
    ratio=st.floats(0.005, 200.0),
)
@settings(max_examples=60, derandomize=True, deadline=None)
def test_volts_and_back_return_the_resistance(side: Side, fixed_ohm: float, ratio: float) -> None:
    """Either way round, ohms to volts to ohms is the same resistance."""
    divider = Divider(fixed_ohm, 5.0, side)
    ohm = ratio * fixed_ohm
    assert float(divider.ohm(divider.volts(ohm))) == pytest.approx(ohm, rel=1e-9)


def test_the_two_sides_share_the_reference_voltage() -> None:
    """Swapping thermistor and fixed resistor gives the rest of the reference voltage."""
    ohm = np.array([100.0, 2500.0, 45_313.0])
    grounded = Divider(1000.0, 5.0, Side.TO_GROUND).volts(ohm)
    upper = Divider(1000.0, 5.0, Side.TO_REFERENCE).volts(ohm)
    np.testing.assert_allclose(grounded + upper, 5.0)
    np.testing.assert_allclose(upper, 5.0 * 1000.0 / (1000.0 + ohm))


@pytest.mark.parametrize(
    ("side", "volts", "code"),
    [
        (Side.TO_GROUND, 3.3, "thermistor_open"),
        (Side.TO_GROUND, 3.295, "thermistor_open"),
        (Side.TO_GROUND, 3.5, "thermistor_open"),
        (Side.TO_GROUND, 0.0, "thermistor_shorted"),
        (Side.TO_GROUND, -0.01, "thermistor_shorted"),
        (Side.TO_REFERENCE, 3.3, "thermistor_shorted"),
        (Side.TO_REFERENCE, 0.005, "thermistor_open"),
        (Side.TO_REFERENCE, 0.0, "thermistor_open"),
        (Side.TO_GROUND, math.nan, "thermistor_no_reading"),
        (Side.TO_GROUND, math.inf, "thermistor_no_reading"),
    ],
)
def test_open_and_shorted_are_told_apart(side: Side, volts: float, code: str) -> None:
    """Each way round, a broken wire and a short are named, with channel and volts, and no value."""
    divider = Divider(10_000.0, 3.3, side)
    reading = read_thermistor(divider, CURVE, volts, 0.001, "bath")
    (finding,) = reading.findings
    assert finding.code == code
    assert reading.ohm is None
    assert reading.temperature is None
    assert finding.figures["channel"] == "bath"
    assert finding.figures["volts"] == volts or math.isnan(volts)
    assert finding.figures["reference_v"] == 3.3
    assert np.isnan(divider.ohm(volts)) or not math.isfinite(volts)


@pytest.mark.parametrize("side", list(Side))
def test_cold_and_hot_sensors_are_no_fault(side: Side) -> None:
    """-40 and 150 degC of the tables behind 1 kohm are readings, not a broken wire or a short."""
    divider = Divider(1000.0, 5.0, side)
    for ohm in (65_500.0, 45_313.0, 55.0, 41.9, 21.0):
        assert divider.fault(float(divider.volts(ohm))) is None


@pytest.mark.parametrize("side", list(Side))
def test_uncertainty_is_what_moving_each_input_does(side: Side) -> None:
    """Each source of u must be the change of temperature when that input moves by its u."""
    divider = Divider(10_000.0, 3.3, side, fixed_rel_u=0.001, reference_rel_u=0.0005)
    curve = ThermistorCurve(CURVE.coefficients, tolerance_half_width_k=0.2)
    volts, volts_u = float(divider.volts(2500.0)), 0.002
    found = read_thermistor(divider, curve, volts, volts_u, "bath").temperature
    assert found is not None

    def degc(share: float, *, moved_v: float = 0.0, fixed: float = 0.0, ref: float = 0.0) -> float:
        changed = Divider(10_000.0 * (1 + fixed * share), 3.3 * (1 + ref * share), side)
        return float(curve.temperature_degc(changed.ohm(volts + moved_v * share)))

    moves = {
        "voltage": {"moved_v": volts_u},
        "fixed_resistor": {"fixed": 0.001},
        "reference": {"ref": 0.0005},
    }
    expected = {
        source: abs(degc(0.01, **move) - degc(-0.01, **move)) / 0.02
        for source, move in moves.items()
    }
    expected["curve"] = 0.2 / math.sqrt(3.0)
    assert dict(found.sources) == pytest.approx(expected, rel=1e-5)
    assert found.u == pytest.approx(math.sqrt(sum(u * u for u in expected.values())), rel=1e-5)
    assert found.value == pytest.approx(float(curve.temperature_degc(2500.0)), abs=1e-9)


def test_a_reading_has_no_findings_where_all_is_well() -> None:
    """25 degC behind 10 kohm: half the reference voltage, one temperature, nothing to say."""
    reading = read_thermistor(DIVIDER, CURVE, 1.65, 0.001, "bath")
    assert reading.findings == ()
    assert reading.ohm == pytest.approx(10_000.0)
    assert reading.temperature is not None
    assert reading.temperature.value == pytest.approx(25.0, abs=1e-3)


def test_beyond_the_points_of_a_curve_the_temperature_is_marked() -> None:
    """A curve answers beyond its points, and the reading says that it is extrapolated."""
    volts = float(DIVIDER.volts(900.0))
    reading = read_thermistor(DIVIDER, CURVE, volts, 0.001, "bath")
    (finding,) = reading.findings
    assert finding.code == "thermistor_extrapolated"
    assert finding.figures["channel"] == "bath"
    assert reading.temperature is not None
    assert finding.figures["temperature_degc"] == reading.temperature.value


def test_beyond_a_table_there_is_no_temperature() -> None:
    """Outside its rows a table gives none, and the reading names the resistance that it met."""
    table = RTTable((0.0, 25.0, 50.0, 100.0), (32_651.0, 10_000.0, 3602.0, 679.0))
    reading = read_thermistor(DIVIDER, table, float(DIVIDER.volts(600.0)), 0.001, "bath")
    (finding,) = reading.findings
    assert finding.code == "thermistor_outside_curve"
    assert finding.figures["ohm"] == pytest.approx(600.0)
    assert reading.temperature is None
    assert reading.ohm == pytest.approx(600.0)
    inside = read_thermistor(DIVIDER, table, 1.65, 0.001, "bath")
    assert inside.findings == ()
    assert inside.temperature is not None
    assert inside.temperature.value == pytest.approx(25.0, abs=1e-6)


@pytest.mark.parametrize(
    ("fixed_ohm", "reference_v", "end_share"),
    [(0.0, 5.0, 0.004), (1000.0, -5.0, 0.004), (math.nan, 5.0, 0.004), (1000.0, 5.0, 0.5)],
)
def test_impossible_dividers_are_refused(
    fixed_ohm: float, reference_v: float, end_share: float
) -> None:
    """A divider needs two positive values and ends that leave a middle."""
    with pytest.raises(InputError, match="thermistor divider"):
        Divider(fixed_ohm, reference_v, end_share=end_share)
