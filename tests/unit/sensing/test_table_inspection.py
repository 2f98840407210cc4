"""Check that faults of a thermistor table are noticed at their rows, and that sound ones pass."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.sensing.table_inspection import RowFinding, inspect_table
from rig.sensing.thermistor import ThermistorCurve

DATA = Path(__file__).parents[2] / "data" / "sensors"


def read_tables() -> dict[str, tuple[list[float], list[float]]]:
    """Read all tables: temperatures [degC] and resistances [ohm] by sensor."""
    tables: dict[str, tuple[list[float], list[float]]] = {}
    with (DATA / "thermistor_rt_tables.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            degc, ohm = tables.setdefault(row["sensor_id"], ([], []))
            degc.append(float(row["T_C"]))
            ohm.append(float(row["R_ohm"]))
    return tables


TABLES = read_tables()
SOUND = ["ntc_01", "ntc_02", "ntc_06", "ntc_07", "ntc_08", "ntc_10", "ntc_11", "ntc_12"]
SMOOTH = ["ntc_01", "ntc_07", "ntc_08", "ntc_10", "ntc_11", "ntc_12"]


def found(degc: list[float], ohm: list[float]) -> list[tuple[str, list[float]]]:
    """List what is noticed as (code, temperatures of its rows)."""
    return [(f.code, [degc[row] for row in f.rows]) for f in inspect_table(degc, ohm)]


def named(findings: list[RowFinding]) -> set[int]:
    """List the rows that any finding names."""
    return {row for finding in findings for row in finding.rows}


def with_row(ohm: list[float], row: int, factor: float) -> list[float]:
    """Return the resistances with one of them multiplied."""
    return [round(value * factor, 6) if i == row else value for i, value in enumerate(ohm)]


@pytest.mark.parametrize("sensor_id", SOUND)
def test_sound_tables_are_clear(sensor_id: str) -> None:
    """No fault may be claimed in a sound table, however coarsely it was printed."""
    assert inspect_table(*TABLES[sensor_id]) == []


@pytest.mark.parametrize(
    ("sensor_id", "clipped_degc"),
    [("ntc_03", [-40.0, -30.0, -20.0]), ("ntc_04", [-40.0]), ("ntc_05", [-40.0])],
)
def test_clipped_ends_are_noticed(sensor_id: str, clipped_degc: list[float]) -> None:
    """Rows held near 65.5 kohm, and one filled in by hand beside them, are the only finding."""
    degc, ohm = TABLES[sensor_id]
    assert found(degc, ohm) == [("table_end_stands_still", clipped_degc)]
    (finding,) = inspect_table(degc, ohm)
    assert finding.figures["from_degc"] == clipped_degc[0]
    assert finding.figures["to_degc"] == clipped_degc[-1]


def test_a_hand_measured_table_that_rises_is_noticed() -> None:
    """Resistance rising at 54-57 and within 78-84 degC must be named at those rows."""
    degc, ohm = TABLES["ntc_09"]
    rises = [rows for code, rows in found(degc, ohm) if code == "table_rises"]
    assert rises == [[54.0, 55.0, 56.0, 57.0], [float(t) for t in range(78, 85)]]
    findings = inspect_table(degc, ohm)
    figures = [f.figures for f in findings if f.code == "table_rises"]
    assert figures[0]["rise_ohm"] == 691.0 - 634.0
    assert figures[1]["rise_ohm"] == 358.0 - 341.0
    others = {row for f in findings if f.code != "table_rises" for row in f.rows}
    assert all(50.0 <= degc[row] <= 85.0 for row in others)


@pytest.mark.parametrize("sensor_id", sorted(TABLES))
def test_order_of_rows_does_not_matter(sensor_id: str) -> None:
    """Hot to cold, the same faults are found, and rows are counted as they were given."""
    degc, ohm = TABLES[sensor_id]
    turned = found(degc[::-1], ohm[::-1])
    assert [(code, sorted(rows)) for code, rows in turned] == found(degc, ohm)


@pytest.mark.parametrize("factor", [0.001, 1000.0])
@pytest.mark.parametrize("sensor_id", SMOOTH[:3] + SMOOTH[4:])
def test_one_row_in_another_unit_is_noticed(sensor_id: str, factor: float) -> None:
    """A row in kohm among ohms, or the reverse, is the only finding, with its factor."""
    degc, ohm = TABLES[sensor_id]
    for row in range(len(degc)):
        (finding,) = inspect_table(degc, with_row(ohm, row, factor))
        assert (finding.code, finding.rows) == ("table_mixed_units", (row,))
        assert finding.figures["factor"] == pytest.approx(factor)


@pytest.mark.parametrize("sensor_id", SOUND)
def test_a_stretch_in_kilohms_is_noticed(sensor_id: str) -> None:
    """Values from 1000 ohm up written in kohm, as data sheets do, are named together."""
    degc, ohm = TABLES[sensor_id]
    large = [row for row, value in enumerate(ohm) if value >= 1000.0]
    findings = inspect_table(degc, [v / 1000.0 if v >= 1000.0 else v for v in ohm])
    if 0 < len(large) < len(ohm) / 2:
        assert [f.code for f in findings] == ["table_mixed_units"]
        assert findings[0].rows == tuple(large)
    else:
        assert [f.code for f in findings] in ([], ["table_mixed_units"])


@pytest.mark.parametrize("factor", [0.1, 1 / 1.35, 1.35, 10.0])
@pytest.mark.parametrize("sensor_id", SMOOTH)
def test_a_wrong_row_is_named(sensor_id: str, factor: float) -> None:
    """A digit too many or too few, or 35 % off: that row is named, and few beside it.

    Where the resistance then rises, either of two rows could be the wrong one: both are named. A
    table printed to two digits hides which, and may draw in one more.
    """
    degc, ohm = TABLES[sensor_id]
    for row in range(len(degc)):
        rows = named(inspect_table(degc, with_row(ohm, row, factor)))
        assert row in rows
        assert rows <= {row - 1, row, row + 1, row + 2}
        assert len(rows) <= (3 if sensor_id == "ntc_10" else 2)


@pytest.mark.parametrize("sensor_id", ["ntc_01", "ntc_07", "ntc_08"])
def test_a_high_second_row_is_not_taken_for_a_clipped_end(sensor_id: str) -> None:
    """One row 35 % high makes a flat step before it and a steep one after: it alone is named."""
    degc, ohm = TABLES[sensor_id]
    assert found(degc, with_row(ohm, 1, 1.35)) == [("table_row_off", [degc[1]])]


@pytest.mark.parametrize("sensor_id", ["ntc_01", "ntc_06", "ntc_07", "ntc_08", "ntc_12"])
def test_a_dropped_digit_is_named_alone(sensor_id: str) -> None:
    """A tenth of the resistance in an inner row makes the next one rise; only the first is bad."""
    degc, ohm = TABLES[sensor_id]
    for row in range(1, len(degc) - 2):
        assert found(degc, with_row(ohm, row, 0.1)) == [("table_rises", [degc[row]])]


@pytest.mark.parametrize("factor", [1 / 1.05, 1.05])
def test_a_smooth_table_shows_a_small_slip(factor: float) -> None:
    """In a table printed to four digits 5 % (about 1.2 K) in an inner row stands out alone."""
    degc, ohm = TABLES["ntc_07"]
    for row in range(1, len(degc) - 1):
        (finding,) = inspect_table(degc, with_row(ohm, row, factor))
        assert (finding.code, finding.rows) == ("table_row_off", (row,))
        off_k = finding.figures["off_k"]
        assert isinstance(off_k, float)
        assert (off_k < 0.0) == (factor > 1.0)
        assert 0.5 < abs(off_k) < 3.0


@pytest.mark.parametrize("sensor_id", SOUND[:7])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_any_table_clipped_at_its_cold_end_is_noticed(sensor_id: str, count: int) -> None:
    """The first rows held at one value just above the next row are named, all of them."""
    degc, ohm = TABLES[sensor_id]
    held = [min(value, 1.01 * ohm[count]) for value in ohm]
    assert ("table_end_stands_still", degc[:count]) in found(degc, held)


def test_a_table_that_stands_still_at_its_hot_end_is_noticed() -> None:
    """A floor under the resistances is the same fault at the other end."""
    degc, ohm = TABLES["ntc_08"]
    held = [max(value, 0.99 * ohm[-3]) for value in ohm]
    assert found(degc, held) == [("table_end_stands_still", degc[-2:])]


def test_repeated_temperatures_are_noticed() -> None:
    """A temperature given twice is named at its second row, same resistance or not."""
    degc, ohm = TABLES["ntc_07"]
    assert found([*degc, 25.0], [*ohm, 2252.0]) == [("table_repeated_temperature", [25.0])]
    findings = inspect_table([*degc, 25.0], [*ohm, 2300.0])
    assert [(f.code, f.rows) for f in findings] == [("table_repeated_temperature", (len(degc),))]


def test_one_resistance_for_two_temperatures_is_noticed() -> None:
    """Printed too coarsely to tell two rows apart: both are named, no other fault is claimed."""
    degc, ohm = TABLES["ntc_10"]
    coarse = [round(value, -1) for value in ohm]
    findings = inspect_table(degc, coarse)
    assert {f.code for f in findings} == {"table_repeated_resistance"}
    for finding in findings:
        assert len({coarse[row] for row in finding.rows}) == 1
        assert len(finding.rows) >= 2


def test_a_constant_column_is_noticed() -> None:
    """One resistance throughout is said to be so, and leaves too few rows to say more."""
    degc, _ = TABLES["ntc_07"]
    findings = inspect_table(degc, [1000.0] * len(degc))
    assert [f.code for f in findings] == ["table_repeated_resistance", "table_too_short"]
    assert findings[0].rows == tuple(range(len(degc)))


def test_rows_that_are_no_numbers_are_noticed() -> None:
    """Nothing, zero, infinity and less than absolute zero are each named; the rest is judged."""
    degc, ohm = (list(values) for values in TABLES["ntc_07"])
    ohm[2], ohm[5], ohm[9] = float("nan"), 0.0, -5.0
    degc[12] = -300.0
    findings = inspect_table(degc, ohm)
    assert [(f.code, f.rows) for f in findings] == [
        ("table_not_numbers", (row,)) for row in (2, 5, 9, 12)
    ]


def test_columns_of_unequal_length_are_refused() -> None:
    """Which row lacks a value cannot be known, so nothing is judged."""
    with pytest.raises(InputError, match="3 temperatures and 2 resistances"):
        inspect_table([0.0, 10.0, 20.0], [1000.0, 700.0])


@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_too_few_rows_are_noticed(count: int) -> None:
    """Fewer than five rows cannot show a fault, and that itself is said."""
    degc, ohm = TABLES["ntc_12"]
    findings = inspect_table(degc[:count], ohm[:count])
    assert [f.code for f in findings] == ["table_too_short"]
    assert findings[0].figures == {"rows": count, "needed": 5}


def test_five_rows_with_a_wrong_one_end_in_a_finding() -> None:
    """With no row to spare the worst is named and the search ends."""
    degc, ohm = [0.0, 25.0, 50.0, 75.0, 100.0], [32_651.0, 10_000.0, 5602.0, 1481.0, 679.0]
    findings = inspect_table(degc, ohm)
    assert [f.code for f in findings] == ["table_row_off"]


@given(
    r25=st.floats(200.0, 1e5),
    beta_k=st.floats(3000.0, 4500.0),
    bend=st.floats(0.0, 1.2e-7),
    first_degc=st.floats(-50.0, 10.0),
    steps_k=st.lists(st.sampled_from([1.0, 2.0, 5.0, 10.0, 20.0]), min_size=6, max_size=14),
    digits=st.integers(3, 6),
)
@settings(max_examples=150, derandomize=True, deadline=None)
def test_no_fault_is_claimed_in_any_exact_table(
    *,
    r25: float,
    beta_k: float,
    bend: float,
    first_degc: float,
    steps_k: list[float],
    digits: int,
) -> None:
    """A Steinhart-Hart sensor, at any steps, printed to three digits or more, is sound."""
    curve = ThermistorCurve.four_term(1.0 / 298.15, 1.0 / beta_k, 0.0, bend, reference_ohm=r25)
    degc = np.cumsum([round(first_degc), *steps_k]).tolist()
    ohm = [float(f"{value:.{digits - 1}e}") for value in curve.ohm(degc)]
    assert inspect_table(degc, ohm) == []
