"""Tests of reading curve files: the good give exact numbers, the rest one clear sentence."""

import os
import random
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.cli.curve_file import MAX_BYTES, CurveFile, read_curve_file
from rig.errors import InputError

FILES = Path(__file__).parents[2] / "data" / "curve_files"

REFUSED = {
    "ambient_channel_in_mbar": ("line 2, column 3 (ambient_kpa)", "30 to 120 kPa"),
    "ambient_in_another_unit": ("line 1", "'ambient_inhg'", "`# ambient_kpa: ...`"),
    "ambient_in_mbar": ("line 1", "ambient_kpa is 1011 kPa", "30 to 120 kPa"),
    "beyond_floating_point": ("line 10, column 2 (pressure_kpa)", "not a finite number"),
    "both_pressures": ("line 5", "column 2 is `pressure_kpa`", "column 3 is `vacuum_inhg`"),
    "condition_nan": ("line 1", "ambient_kpa is 'nan'", "plain number in kPa"),
    "condition_twice": ("line 5", "volume_cc stands in line 3 already"),
    "condition_with_comma": ("line 3", "volume_cc is '75,0'", "with a point"),
    "condition_with_unit": ("line 3", "volume_cc is '75.0 cc'", "without a unit"),
    "condition_without_colon": ("line 3", "`# volume_cc: value`"),
    "decimal_comma_quoted": ("line 7, column 2 (pressure_kpa)", "decimal comma"),
    "decimal_commas": ("line 6", "decimal commas"),
    "doubled_column": ("line 5, column 3", "`t_s` stands in column 1 already"),
    "empty": ("is empty",),
    "gas_channel_in_kelvin": ("line 3, column 3 (gas_temperature_c)", "-40 to 150 degC"),
    "infinite": ("line 10, column 2 (pressure_kpa)", "'-Inf'", "not a finite number"),
    "latin1": ("line 1, byte 6 of the file", "not UTF-8"),
    "missing_cell": ("line 10, column 2 (pressure_kpa) is empty",),
    "negative_pressure": ("line 6, column 2 (pressure_kpa) is -54.2 kPa", "never negative"),
    "no_header": ("line 5", "a header is needed", "`t_s,pressure_kpa`"),
    "no_pressure_at_all": ("line 5", "no column `pressure_kpa` or `vacuum_inhg`", "'volts'"),
    "no_samples": ("line 5", "no samples follow the header"),
    "not_a_number": ("line 10, column 2 (pressure_kpa)", "'nan'", "not a finite number"),
    "only_blank_lines": ("is empty",),
    "only_conditions": ("no header line and no samples",),
    "open_quote": ("line 10", "quotation mark"),
    "own_leak_without_unit": ("line 5", "'own_leak'", "`# own_leak_std_cm3_min: ...`"),
    "pressure_in_mbar": ("line 5", "column 2, 'p_mbar'", "`pressure_kpa` (absolute, in kPa)"),
    "pressure_in_pascal": ("line 6, column 2 (pressure_kpa) is 46900 kPa", "2000 kPa"),
    "pressure_without_unit": ("line 5", "column 2, 'pressure'", "name it `pressure_kpa`"),
    "ragged_long": ("line 10, column 3", "3 columns, the header names 2"),
    "ragged_short": ("line 10, column 2", "1 column, the header names 2"),
    "semicolons": ("line 5", "separated by semicolons", "a point in decimal numbers"),
    "semicolons_below": ("line 7", "semicolons here, in the header by commas"),
    "tabs": ("line 5", "separated by tabs"),
    "text_in_numbers": ("line 10, column 2 (pressure_kpa)", "'open'", "not a number"),
    "time_back": ("line 10, column 1 (t_s) is 0.2 s", "earlier than in the line before"),
    "time_in_milliseconds": ("line 6, column 1 (t_s)", "not milliseconds"),
    "time_twice": ("line 10, column 1 (t_s) is 1.5 s", "the same as in the line before"),
    "time_without_unit": ("line 5", "no column `t_s`", "column 1, 'time'"),
    "too_few_samples": ("has 4 samples", "at least 20"),
    "underscored_number": ("line 10, column 2 (pressure_kpa)", "'4_6.9'", "not a number"),
    "utf16": ("UTF-16",),
    "vacuum_beyond_ambient": ("line 26, column 2 (vacuum_inhg) is 30 inHg", "deeper than"),
    "volume_without_unit": ("line 3", "'volume'", "`# volume_cc: ...`", "cm3"),
    "zero_byte": ("line 7, byte 119 of the file", "zero byte"),
}
ACCEPTED = (
    "plain",
    "bom_crlf_blank_end",
    "old_mac_line_ends",
    "quoted_and_commented",
    "vacuum_with_channels",
)


def _read(name: str) -> CurveFile:
    file = read_curve_file(FILES / f"{name}.csv", f"{name}.csv")
    file.pressure_pa(101_100.0)
    return file


def _written(folder: Path, text: str | bytes) -> Path:
    path = folder / "curve.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_a_faulty_file_is_refused_in_one_sentence_that_says_where(name: str) -> None:
    """The error names the file, the place and the fault, in one line and one sentence."""
    with pytest.raises(InputError) as refused:
        _read(name)
    sentence = str(refused.value)
    assert sentence.startswith(f"{name}.csv")
    assert sentence.endswith(".")
    assert "\n" not in sentence
    assert sentence.isascii()
    assert refused.value.exit_status == 3
    for part in REFUSED[name]:
        assert part in sentence


def test_every_file_of_the_folder_is_tested() -> None:
    """No faulty or odd file lies in the data folder without an expectation."""
    assert {path.stem for path in FILES.glob("*.csv")} == {*REFUSED, *ACCEPTED}


@pytest.mark.parametrize("name", ACCEPTED[:4])
def test_byte_marks_line_ends_quotes_comments_and_blank_lines_change_nothing(name: str) -> None:
    """The same 24 samples and conditions come out of every way of writing them."""
    file = _read(name)
    np.testing.assert_array_equal(file.columns["t_s"], 0.5 * np.arange(24))
    expected_pa = [float(f"{46.9 + 0.01 * i:.2f}") * 1000.0 for i in range(24)]
    np.testing.assert_array_equal(file.pressure_pa(101_100.0), expected_pa)
    assert file.known.ambient_pa == pytest.approx(101_100.0, rel=1e-15)
    assert file.known.gas_temperature_k == pytest.approx(295.15, rel=1e-15)
    assert file.known.volume_m3 == pytest.approx(75e-6, rel=1e-15)
    assert file.known.volume_u_m3 == pytest.approx(0.75e-6, rel=1e-15)
    assert file.known.span_u is None


def test_line_numbers_survive_comments_and_blank_lines() -> None:
    """A sample knows its line of the file, whatever stands between the samples."""
    file = _read("quoted_and_commented")
    lines = (FILES / "quoted_and_commented.csv").read_text().split("\n")
    assert list(file.line_numbers[:2]) == [8, 11]
    assert lines[10].startswith("ok, 0.5 ,")


def test_vacuum_is_taken_off_the_ambient_of_its_own_sample() -> None:
    """Absolute pressure = ambient channel - vacuum, with the inch of mercury of 0 degC."""
    file = _read("vacuum_with_channels")
    ambient_pa = file.recorded_ambient_pa()
    assert ambient_pa is not None
    pressure_pa = file.pressure_pa(ambient_pa)
    assert pressure_pa[0] == pytest.approx(101_100.0 - 16.0 * 3386.389, rel=1e-12)
    assert pressure_pa[-1] == pytest.approx(101_123.0 - 15.77 * 3386.389, rel=1e-12)
    gas_k = file.recorded_gas_temperature_k()
    assert gas_k is not None
    assert gas_k[-1] == pytest.approx(295.38, rel=1e-12)


def test_pressure_far_above_ambient_is_passed_on(tmp_path: Path) -> None:
    """A pressure hold is no fault of the file: what to say of it is the analysis's business."""
    rows = "".join(f"{i},{850.0 - i}\n" for i in range(30))
    file = read_curve_file(_written(tmp_path, f"t_s,pressure_kpa\n{rows}"))
    assert file.pressure_pa(101_325.0)[0] == 850_000.0


@pytest.mark.parametrize(
    ("comment", "expected"),
    [
        ("# volume: measured with a syringe", None),
        ("# date: 2026-03-04", None),
        ("#", None),
        ("# Volume measured: 75 cc", None),
        ("#volume_cc:75", 75e-6),
        ("##  VOLUME_CC :  7.5e1 ", 75e-6),
    ],
)
def test_a_comment_is_passed_over_and_a_condition_read(
    tmp_path: Path, comment: str, expected: float | None
) -> None:
    """Only a line that gives a number under a condition's name counts as one."""
    rows = "".join(f"{i},50\n" for i in range(30))
    file = read_curve_file(_written(tmp_path, f"{comment}\nt_s,pressure_kpa\n{rows}"))
    assert file.known.volume_m3 == (None if expected is None else pytest.approx(expected))


def test_a_missing_file_a_folder_and_an_unreadable_name_are_told_apart(tmp_path: Path) -> None:
    """Each says what is wrong with the name that was given."""
    with pytest.raises(InputError, match="there is no such file"):
        read_curve_file(tmp_path / "none.csv")
    with pytest.raises(InputError, match="is a folder"):
        read_curve_file(tmp_path)
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    with pytest.raises(InputError, match="cannot be read: Too many levels of symbolic links"):
        read_curve_file(loop)


def test_a_file_without_permission_is_said_to_be_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's refusal becomes a sentence about rights."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(InputError, match="may not read the file"):
        read_curve_file(tmp_path / "secret.csv")


def test_a_huge_file_is_refused_without_reading_it_all(tmp_path: Path) -> None:
    """A sparse file of 40 GB is refused after its first 64 MB."""
    path = tmp_path / "huge.csv"
    path.touch()
    os.truncate(path, 40_000_000_000)
    begin = time.process_time()
    with pytest.raises(InputError, match="more than 64 MB"):
        read_curve_file(path)
    assert time.process_time() - begin < 2.0
    assert MAX_BYTES == 64_000_000


def test_too_many_lines_are_refused(tmp_path: Path) -> None:
    """More than two million samples are refused, however short their lines."""
    rows = "\n" * 6_000_001
    with pytest.raises(InputError, match="more than 2,000,000 lines"):
        read_curve_file(_written(tmp_path, f"t_s,pressure_kpa\n0,1{rows}"))
    samples = "t_s,pressure_kpa\n" + "0,1\n" * 2_000_001
    with pytest.raises(InputError, match="more than 2,000,000 samples"):
        read_curve_file(_written(tmp_path, samples))


def test_twelve_thousand_samples_are_read_within_50_ms(tmp_path: Path) -> None:
    """A minute at 200 a second is read in less than the blink that a person notices."""
    rows = "".join(f"{i * 0.005:.3f},{46.9 + i * 1e-4:.4f}\n" for i in range(12_000))
    path = _written(tmp_path, f"# ambient_kpa: 101.1\nt_s,pressure_kpa\n{rows}")
    spent = []
    for _ in range(5):
        begin = time.process_time()
        read_curve_file(path)
        spent.append(time.process_time() - begin)
    assert min(spent) < 0.05


def test_a_fault_in_the_last_of_many_lines_is_found(tmp_path: Path) -> None:
    """The careful reader names the line however many plain lines precede it."""
    rows = "".join(f"{i},50\n" for i in range(20_000))
    path = _written(tmp_path, f"t_s,pressure_kpa\n{rows}20000,5o\n")
    with pytest.raises(InputError, match=r"line 20002, column 2 \(pressure_kpa\) is '5o'"):
        read_curve_file(path)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(
    st.lists(
        st.floats(0.0, 2000.0, allow_nan=False).flatmap(
            lambda value: st.sampled_from([repr(value), f"{value:.3e}", f" {value:+.6f} "])
        ),
        min_size=20,
        max_size=40,
    )
)
def test_the_bulk_reader_and_the_careful_reader_give_the_same_numbers(
    tmp_path_factory: pytest.TempPathFactory, cells: list[str]
) -> None:
    """Quoting one cell sends the file through the careful reader, and changes no bit of it."""
    folder = tmp_path_factory.mktemp("same")
    lines = [f"{index},{cell}" for index, cell in enumerate(cells)]
    plain = read_curve_file(_written(folder, "\n".join(["t_s,pressure_kpa", *lines])))
    lines[0] = f'"0",{cells[0]}'
    quoted = read_curve_file(_written(folder, "\n".join(["t_s,pressure_kpa", *lines])))
    expected = [float(cell) for cell in cells]
    np.testing.assert_array_equal(plain.columns["pressure_kpa"], expected)
    np.testing.assert_array_equal(quoted.columns["pressure_kpa"], expected)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.binary(max_size=400), st.integers(0, 2**32))
def test_no_bytes_whatever_end_in_anything_but_a_sentence(
    tmp_path_factory: pytest.TempPathFactory, noise: bytes, seed: int
) -> None:
    """Noise, alone or dropped into a good file, is read or refused, never a crash."""
    good = (FILES / "plain.csv").read_bytes()
    place = random.Random(seed).randrange(len(good))  # noqa: S311 - a place, not a secret
    folder = tmp_path_factory.mktemp("noise")
    for content in (noise, good[:place] + noise + good[place:]):
        sentence = "curve.csv"
        try:
            pressure_pa = read_curve_file(_written(folder, content), "curve.csv").pressure_pa(1e5)
        except InputError as refused:
            sentence, pressure_pa = str(refused), np.zeros(1)
        assert sentence.startswith("curve.csv")
        assert "\n" not in sentence
        assert np.isfinite(pressure_pa).all()
