"""Own the reading of a curve that any logger recorded; never judge it.

A curve file is comma-separated text: `#` lines that give conditions (or are comments), a header
line that names the columns with their units, then one line a sample. Whatever cannot be used is
refused in one sentence that says where it stands and what to do; nothing is dropped or guessed.
"""

import codecs
import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.arrays import FloatArray
from rig.cli.curve_rows import (
    AMBIENT,
    GAS_TEMPERATURE,
    PRESSURE,
    TIME,
    VACUUM,
    Header,
    Line,
    read_header,
    read_rows,
    shown,
)
from rig.cli.settings import CONDITION_OF_KEY, KnownConditions
from rig.errors import InputError
from rig.units import PA_PER_INHG, PA_PER_KPA, ZERO_CELSIUS_K

MAX_BYTES = 64_000_000
MAX_ROWS = 2_000_000
LEAST_ROWS = 20
MAX_PRESSURE_KPA = 2000.0
MAX_TIME_S = 1e11
"""Beyond any clock that counts seconds; milliseconds since 1970 lie above it."""


@dataclass(frozen=True)
class CurveFile:
    """A curve as its file gives it: what its `#` lines say, and its columns in the file's units.

    `columns` maps the names of `rig.cli.curve_rows.COLUMNS` that the file has to arrays of one
    length, and `line_numbers` says in which line each sample stands.
    """

    name: str
    known: KnownConditions
    header: Header
    columns: Mapping[str, FloatArray]
    line_numbers: Sequence[int]

    def recorded_ambient_pa(self) -> FloatArray | None:
        """Return the ambient pressure [Pa] of each sample, None where it was not recorded."""
        return self.columns[AMBIENT] * PA_PER_KPA if AMBIENT in self.columns else None

    def recorded_gas_temperature_k(self) -> FloatArray | None:
        """Return the gas temperature [K] of each sample, None where it was not recorded."""
        is_recorded = GAS_TEMPERATURE in self.columns
        return self.columns[GAS_TEMPERATURE] + ZERO_CELSIUS_K if is_recorded else None

    def pressure_pa(self, ambient_pa: FloatArray | float) -> FloatArray:
        """Return the absolute pressure [Pa] of each sample; `ambient_pa` turns vacuum into it.

        Raises InputError for a sample whose vacuum is deeper than the ambient allows.
        """
        if PRESSURE in self.columns:
            return self.columns[PRESSURE] * PA_PER_KPA
        vacuum = self.columns[VACUUM]
        pressure_pa = ambient_pa - vacuum * PA_PER_INHG
        self._refuse(
            pressure_pa < 0.0,
            VACUUM,
            vacuum,
            "inHg, deeper than the ambient pressure allows; look at the unit, the sensor's zero "
            "and the ambient pressure given",
        )
        return pressure_pa

    def _refuse(
        self, bad: NDArray[np.bool_], column: str, values: FloatArray, what_to_do: str
    ) -> None:
        """Raise InputError at the first sample that is `bad`; do nothing where none is."""
        if bad.any():
            first = int(np.argmax(bad))
            raise InputError(
                f"{self.name}, line {self.line_numbers[first]}, {self.header.place(column)} is "
                f"{values[first]:g} {what_to_do}."
            )

    def refuse_impossible(self) -> None:
        """Raise InputError at the first sample that no hold could give, in the order of columns."""
        time_s = self.columns[TIME]
        self._refuse(np.abs(time_s) > MAX_TIME_S, TIME, time_s, "s; give seconds, not milliseconds")
        step_s = np.diff(time_s, prepend=-np.inf)
        self._refuse(
            step_s == 0.0,
            TIME,
            time_s,
            "s, the same as in the line before; give times with more decimals, or remove one line",
        )
        self._refuse(
            step_s < 0.0,
            TIME,
            time_s,
            "s, earlier than in the line before; sort the lines, or cut the file where the logger "
            "started again",
        )
        for column, low, high, what_to_do in _RANGES:
            if column in self.columns:
                values = self.columns[column]
                self._refuse((values < low) | (values > high), column, values, what_to_do)


def _range_of_condition(column: str) -> tuple[str, float, float, str]:
    condition = CONDITION_OF_KEY[column]
    return column, condition.low, condition.high, condition.beyond


_RANGES = (
    (
        PRESSURE,
        0.0,
        np.inf,
        "kPa, but an absolute pressure is never negative; if the sensor reads vacuum or gauge "
        f"pressure, add the ambient pressure or use the column {VACUUM}",
    ),
    (
        PRESSURE,
        -np.inf,
        MAX_PRESSURE_KPA,
        f"kPa, above the {MAX_PRESSURE_KPA:g} kPa that is read; if it is in Pa or mbar, convert it",
    ),
    (
        VACUUM,
        -MAX_PRESSURE_KPA * PA_PER_KPA / PA_PER_INHG,
        np.inf,
        "inHg, a pressure above all that is read; look at the unit",
    ),
    _range_of_condition(AMBIENT),
    _range_of_condition(GAS_TEMPERATURE),
)
"""Column, lowest and highest value in its unit, and what to say of a value beyond them."""


def read_curve_file(path: Path, shown_name: str | None = None) -> CurveFile:
    """Read the curve file at `path`, called `shown_name` in errors.

    Raises InputError where the file cannot be read, is too large, is not text, or holds anything
    that a curve file cannot: see the module.
    """
    name = shown_name or str(path)
    lines = _lines(name, _text(name, _bytes(name, path)))
    known = KnownConditions()
    numbers: list[int] = []
    texts: list[str] = []
    said: dict[str, int] = {}
    for number, text in enumerate(lines, start=1):
        if not text or text.isspace():
            continue
        if text.lstrip().startswith("#"):
            known = _with_condition(name, known, said, Line(number, text))
        else:
            numbers.append(number)
            texts.append(text)
    if not texts:
        raise InputError(
            f"{name} has no header line and no samples; a line `{TIME},{PRESSURE}` and one line a "
            "sample are needed."
        )
    header = read_header(name, Line(numbers[0], texts[0]))
    numbers, texts = numbers[1:], texts[1:]
    if not texts:
        raise InputError(
            f"{name}, line {header.line}: no samples follow the header; see whether the logger ran."
        )
    if len(texts) > MAX_ROWS:
        raise InputError(_too_large(name, f"more than {MAX_ROWS:,} samples"))
    curve_file = CurveFile(name, known, header, read_rows(name, header, numbers, texts), numbers)
    curve_file.refuse_impossible()
    if len(texts) < LEAST_ROWS:
        raise InputError(
            f"{name} has {len(texts)} sample{'s' if len(texts) > 1 else ''}; at least {LEAST_ROWS} "
            "are needed, and a few a second are better."
        )
    return curve_file


def _bytes(name: str, path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            content = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise InputError(f"{name}: there is no such file; look at the name.") from None
    except IsADirectoryError:
        raise InputError(f"{name} is a folder; name a curve file in it.") from None
    except PermissionError:
        raise InputError(f"{name}: this user may not read the file; look at its rights.") from None
    except OSError as error:
        raise InputError(f"{name} cannot be read: {error.strerror or error}.") from None
    if len(content) > MAX_BYTES:
        raise InputError(_too_large(name, f"more than {MAX_BYTES // 1_000_000} MB"))
    return content


def _too_large(name: str, size: str) -> str:
    return f"{name} has {size}; cut it down to the one hold that is to be judged."


_OTHER_ENCODINGS = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


def _text(name: str, content: bytes) -> str:
    if not content.strip():
        raise InputError(f"{name} is empty; see whether the logger ran.")
    if content.startswith(_OTHER_ENCODINGS):
        raise InputError(f"{name} is UTF-16 text; save it as CSV in UTF-8.")
    zero = content.find(b"\0")
    if zero >= 0:
        raise InputError(
            f"{name}, {_byte_place(content, zero)} is a zero byte, so this is not a text file; "
            "export the curve as CSV."
        )
    try:
        return content.removeprefix(codecs.BOM_UTF8).decode("utf-8")
    except UnicodeDecodeError as error:
        place = error.start + (len(content) - len(error.object))
        raise InputError(
            f"{name}, {_byte_place(content, place)} is not UTF-8 text; save the file as CSV in "
            "UTF-8, or remove the character."
        ) from None


def _byte_place(content: bytes, place: int) -> str:
    line = content.count(b"\n", 0, place) + 1
    return f"line {line}, byte {place + 1} of the file"


def _lines(name: str, text: str) -> list[str]:
    if text.count("\n") + text.count("\r") > 3 * MAX_ROWS:
        raise InputError(_too_large(name, f"more than {MAX_ROWS:,} lines"))
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


_CONDITION_LINE = re.compile(r"#+\s*([A-Za-z][A-Za-z0-9_]*)\s*([:=]?)\s*(.*)")


def _with_condition(
    name: str, known: KnownConditions, said: dict[str, int], line: Line
) -> KnownConditions:
    """Return `known` with what a `#` line gives; `said` remembers the line of each key."""
    parts = _CONDITION_LINE.fullmatch(line.text.strip())
    if parts is None:
        return known
    key, sign, value = parts[1].lower(), parts[2], parts[3]
    where = f"{name}, line {line.number}"
    condition = CONDITION_OF_KEY.get(key)
    if condition is None:
        _refuse_lookalike(where, key, sign, value)
        return known
    if sign != ":":
        raise InputError(f"{where}: write `# {key}: value`, with a colon after the name.")
    if key in said:
        raise InputError(
            f"{where}: {key} stands in line {said[key]} already; remove one of the two lines."
        )
    said[key] = line.number
    si = condition.read_plain(value, f"{where}: {key}")
    return replace(known, **{condition.field: si})


def _refuse_lookalike(where: str, key: str, sign: str, value: str) -> None:
    """Raise InputError for a line that means a condition but misnames it; a comment may pass."""
    if not sign or re.match(r"[+-]?\.?\d", value) is None:
        return
    longer = [known for known in CONDITION_OF_KEY if len(key) > 2 and known.startswith(key)]
    alike = longer or difflib.get_close_matches(key, CONDITION_OF_KEY, n=1)
    if alike:
        raise InputError(
            f"{where}: {shown(key)} is not a name that is known here; write `# {alike[0]}: ...` "
            f"with the value in {CONDITION_OF_KEY[alike[0]].unit}, or no number after the colon if "
            "it is a comment."
        )
