"""Tests of what a hold is judged with: options over lines over channels, and what is taken."""

from pathlib import Path

import numpy as np
import pytest

from rig.cli.conditions import curve_and_conditions, measured_drop
from rig.cli.curve_file import CurveFile, read_curve_file
from rig.cli.settings import KnownConditions
from rig.errors import InputError

INHG = 3386.389
HEAD = "# ambient_kpa: 101.1\n# gas_temperature_c: 22\n# volume_cc: 75\n# volume_u_cc: 0.75\n"


def _file(folder: Path, head: str = HEAD, columns: str = "t_s,pressure_kpa") -> CurveFile:
    """Write and read a curve whose channels, where there are any, drift: 100 kPa and 20 degC up."""
    cells = {
        "t_s": lambda i: f"{i}",
        "pressure_kpa": lambda i: f"{46.9 + 0.01 * i:.2f}",
        "vacuum_inhg": lambda i: f"{16.0 - 0.01 * i:.2f}",
        "ambient_kpa": lambda i: f"{100.0 + 0.001 * i:.3f}",
        "gas_temperature_c": lambda i: f"{20.0 + 0.1 * i:.1f}",
    }
    rows = "".join(
        ",".join(cells[column](i) for column in columns.split(",")) + "\n" for i in range(31)
    )
    path = folder / "curve.csv"
    path.write_text(f"{head}{columns}\n{rows}")
    return read_curve_file(path, "curve.csv")


def test_lines_give_the_conditions_and_nothing_is_taken(tmp_path: Path) -> None:
    """With all four lines there is nothing to note; what they do not give is the default."""
    curve, conditions, notes = curve_and_conditions(_file(tmp_path), KnownConditions())
    assert notes == ()
    assert conditions.ambient_pa == pytest.approx(101_100.0)
    assert conditions.gas_temperature_k == pytest.approx(295.15)
    assert conditions.volume_m3 == pytest.approx(75e-6)
    assert conditions.volume_u_m3 == pytest.approx(0.75e-6)
    assert (conditions.ambient_u_pa, conditions.gas_temperature_u_k) == (200.0, 1.0)
    assert (conditions.span_u, conditions.own_leak) == (0.01, None)
    assert curve.ambient_pa is None
    assert curve.gas_temperature_k is None


def test_an_option_replaces_line_and_channel(tmp_path: Path) -> None:
    """An ambient and a gas temperature on the command line stand for the whole hold."""
    file = _file(tmp_path, columns="t_s,vacuum_inhg,ambient_kpa,gas_temperature_c")
    options = KnownConditions(ambient_pa=98_000.0, gas_temperature_k=300.0)
    curve, conditions, _ = curve_and_conditions(file, options)
    assert (conditions.ambient_pa, conditions.gas_temperature_k) == (98_000.0, 300.0)
    assert curve.ambient_pa is None
    assert curve.gas_temperature_k is None
    assert curve.pressure_pa[0] == pytest.approx(98_000.0 - 16.0 * INHG)


def test_channels_stand_in_for_missing_lines_by_their_middle(tmp_path: Path) -> None:
    """Without lines the median of a channel is the condition, and the channel goes along."""
    file = _file(
        tmp_path,
        "# volume_cc: 75\n# volume_u_cc: 1\n",
        "t_s,vacuum_inhg,ambient_kpa,gas_temperature_c",
    )
    curve, conditions, notes = curve_and_conditions(file, KnownConditions())
    assert notes == ()
    assert conditions.ambient_pa == pytest.approx(100_015.0)
    assert conditions.gas_temperature_k == pytest.approx(273.15 + 21.5)
    assert curve.ambient_pa is not None
    assert curve.gas_temperature_k is not None
    # Vacuum counts from the ambient of its own moment.
    np.testing.assert_allclose(
        curve.pressure_pa + INHG * (16.0 - 0.01 * np.arange(31)), curve.ambient_pa, rtol=1e-12
    )


def test_a_missing_volume_says_which_line_or_option_to_add(tmp_path: Path) -> None:
    """The leak needs the volume: no guess is made."""
    file = _file(tmp_path, "# ambient_kpa: 101.1\n")
    with pytest.raises(InputError, match=r"curve\.csv: the test volume is missing.*--volume"):
        curve_and_conditions(file, KnownConditions())


def test_a_missing_ambient_says_which_line_or_option_to_add(tmp_path: Path) -> None:
    """The air of the room is never taken to be that of the sea."""
    file = _file(tmp_path, "# volume_cc: 75\n")
    with pytest.raises(InputError, match=r"ambient_kpa.*--ambient"):
        curve_and_conditions(file, KnownConditions())


def test_a_missing_volume_uncertainty_is_five_percent_and_said(tmp_path: Path) -> None:
    """5 % of 80 cm3 are 4 cm3."""
    file = _file(tmp_path, "# ambient_kpa: 101.1\n# gas_temperature_c: 22\n# volume_cc: 80\n")
    _, conditions, notes = curve_and_conditions(file, KnownConditions())
    assert conditions.volume_u_m3 == pytest.approx(4e-6)
    assert [note.code for note in notes] == ["volume_u_assumed"]


def test_a_missing_gas_temperature_is_twenty_degrees_give_or_take_and_said(tmp_path: Path) -> None:
    """20 degC with a standard uncertainty of 3 K."""
    file = _file(tmp_path, "# ambient_kpa: 101.1\n# volume_cc: 75\n# volume_u_cc: 1\n")
    _, conditions, notes = curve_and_conditions(file, KnownConditions())
    assert conditions.gas_temperature_k == pytest.approx(293.15)
    assert conditions.gas_temperature_u_k == 3.0
    assert [note.code for note in notes] == ["gas_temperature_assumed"]


def test_an_own_leak_needs_its_uncertainty(tmp_path: Path) -> None:
    """Neither half of it is used alone."""
    file = _file(tmp_path)
    with pytest.raises(InputError, match=r"own_leak_u_std_cm3_min.*--own-leak-u"):
        curve_and_conditions(file, KnownConditions(own_leak_m3_s=1e-9))
    with pytest.raises(InputError, match=r"own_leak_std_cm3_min.*--own-leak"):
        curve_and_conditions(file, KnownConditions(own_leak_u_m3_s=1e-9))
    known = KnownConditions(own_leak_m3_s=2e-9, own_leak_u_m3_s=1e-9)
    _, conditions, _ = curve_and_conditions(file, known)
    assert conditions.own_leak is not None
    assert (conditions.own_leak.flow_m3_s, conditions.own_leak.u_m3_s) == (2e-9, 1e-9)


def test_a_volume_no_better_known_than_itself_is_refused(tmp_path: Path) -> None:
    """An uncertainty as large as the volume means that somebody mixed the two up."""
    with pytest.raises(InputError, match="as large as the volume itself"):
        curve_and_conditions(_file(tmp_path), KnownConditions(volume_u_m3=75e-6))


def test_without_a_limit_the_drop_is_that_from_the_vacuum_held(tmp_path: Path) -> None:
    """A wild sample does not count as the vacuum held, and nothing is judged."""
    curve, conditions, _ = curve_and_conditions(_file(tmp_path), KnownConditions())
    curve.pressure_pa[7] = 100.0
    limit, notes = measured_drop(curve, conditions, 45e-6)
    # The running median of 11 of a straight line is its sixth sample: 46.95 kPa.
    assert limit.from_vacuum_pa == pytest.approx(101_100.0 - 46_950.0, abs=20.0)
    assert (limit.within_s, limit.reference_volume_m3, limit.max_drop_pa) == (20.0, 45e-6, None)
    assert [note.code for note in notes] == ["start_vacuum_taken"]
