"""Own the lines of samples in a curve file: header, cells, numbers; never know what they mean.

A well-made file is read in bulk. Anything odd sends the whole file through the careful reader,
which gives the same numbers or the line and column of the first cell that cannot be one.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.arrays import FloatArray
from rig.errors import InputError

IntArray = NDArray[np.int64]

TIME = "t_s"
PRESSURE = "pressure_kpa"
VACUUM = "vacuum_inhg"
GAS_TEMPERATURE = "gas_temperature_c"
AMBIENT = "ambient_kpa"
COLUMNS = (TIME, PRESSURE, VACUUM, GAS_TEMPERATURE, AMBIENT)
"""Every column that is read; others are ignored."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)", re.IGNORECASE)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_SHOWN = 30


@dataclass(frozen=True)
class Line:
    """A line of the file and its number, counted from 1."""

    number: int
    text: str


@dataclass(frozen=True)
class Header:
    """Where the columns that are read stand: index by name, in a file of `width` columns."""

    line: int
    width: int
    index_of: dict[str, int]

    def place(self, name: str) -> str:
        """Return the words for a column: its number, counted from 1, and its name."""
        return f"column {self.index_of[name] + 1} ({name})"


def shown(text: str) -> str:
    """Return a piece of the file as it may stand in a sentence: short, printable, in quotes."""
    short = text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
    return ascii(short)


def read_header(file_name: str, line: Line) -> Header:
    """Read the header line.

    Raises InputError for a separator other than the comma, a missing or doubled column, a column
    without its unit, or numbers where the names should be.
    """
    where = f"{file_name}, line {line.number}"
    for separator, words in ((";", "semicolons"), ("\t", "tabs")):
        if separator in line.text and line.text.count(",") < line.text.count(separator):
            raise InputError(
                f"{where}: the columns are separated by {words}; save the file with commas "
                "between columns and a point in decimal numbers."
            )
    printed = [cell.strip() for cell in split_cells(where, line.text)]
    names = [name.lower() for name in printed]
    if all(_NUMBER.fullmatch(name) for name in names):
        raise InputError(
            f"{where}: these are numbers, but a header is needed first; put a line "
            f"`{TIME},{PRESSURE}` (or `{TIME},{VACUUM}`) above them."
        )
    for name in COLUMNS:
        if names.count(name) > 1:
            second = names.index(name, names.index(name) + 1)
            raise InputError(
                f"{where}, column {second + 1}: `{name}` stands in column "
                f"{names.index(name) + 1} already; rename or remove one of them."
            )
    _need_time_and_one_pressure(where, names, printed)
    found = {name: names.index(name) for name in COLUMNS if name in names}
    return Header(line.number, len(names), found)


def _need_time_and_one_pressure(where: str, names: Sequence[str], printed: Sequence[str]) -> None:
    if TIME not in names:
        raise InputError(
            f"{where}: there is no column `{TIME}`"
            + _lookalike(printed, ("t", "time", "sec", "elapsed"), f"`{TIME}`, if it is in seconds")
        )
    if PRESSURE in names and VACUUM in names:
        raise InputError(
            f"{where}: column {names.index(PRESSURE) + 1} is `{PRESSURE}` and column "
            f"{names.index(VACUUM) + 1} is `{VACUUM}`; only one of them can be judged, so rename "
            "or remove the other."
        )
    if PRESSURE not in names and VACUUM not in names:
        raise InputError(
            f"{where}: there is no column `{PRESSURE}` or `{VACUUM}`"
            + _lookalike(
                printed,
                ("p", "pressure", "vac", "inhg", "kpa", "mbar", "bar"),
                f"`{PRESSURE}` (absolute, in kPa) or `{VACUUM}` (below ambient, in inHg), "
                "converting the numbers if they are in another unit",
            )
        )


def _lookalike(printed: Sequence[str], starts: Sequence[str], new_name: str) -> str:
    for index, name in enumerate(printed):
        words = re.split(r"[^a-z]+", name.lower())
        if any(
            word == start or (len(start) > 2 and word.startswith(start))
            for word in words
            for start in starts
        ):
            return f"; if column {index + 1}, {shown(name)}, is meant, name it {new_name}."
    return f" among {', '.join(shown(name) for name in printed[:6])}; name one {new_name}."


def split_cells(where: str, text: str) -> list[str]:
    """Split a line at its commas, quotes respected.

    Raises InputError, naming `where`, for a quote that is never closed.
    """
    if '"' not in text:
        return text.split(",")
    try:
        return next(csv.reader([text], strict=True))
    except csv.Error:
        raise InputError(
            f"{where}: a quotation mark is out of place; remove it, or close it in this line."
        ) from None


def read_rows(
    file_name: str, header: Header, numbers: Sequence[int], texts: Sequence[str]
) -> dict[str, FloatArray]:
    """Read the sample lines `texts` with their line `numbers`: one array a column of the header.

    Raises InputError with line and column for the first cell that is not a finite number, and for
    a line with more or fewer cells than the header.
    """
    columns = sorted(header.index_of.items(), key=lambda item: item[1])
    table = _read_in_bulk(texts, header.width, [index for _, index in columns])
    if table is None:
        table = np.array(
            [
                _read_carefully(file_name, header, columns, number, text)
                for number, text in zip(numbers, texts, strict=True)
            ]
        )
    return {name: table[:, place].copy() for place, (name, _) in enumerate(columns)}


def _read_in_bulk(texts: Sequence[str], width: int, indices: Sequence[int]) -> FloatArray | None:
    """Read a table in which every line is plain; None where any line needs the careful reader."""
    if any(text.count(",") != width - 1 or '"' in text for text in texts):
        return None
    try:
        table = np.loadtxt(texts, delimiter=",", usecols=indices, comments=None, ndmin=2)
    except ValueError:
        return None
    # loadtxt skips lines that it takes for empty, and reads nan and inf as numbers.
    if len(table) != len(texts) or not np.isfinite(table).all():
        return None
    return table


def _read_carefully(
    file_name: str,
    header: Header,
    columns: Sequence[tuple[str, int]],
    number: int,
    text: str,
) -> list[float]:
    where = f"{file_name}, line {number}"
    cells = split_cells(where, text)
    if len(cells) != header.width:
        raise InputError(_ragged(where, header, text, cells))
    return [
        _number(f"{where}, {header.place(name)}", cells[index].strip()) for name, index in columns
    ]


def _ragged(where: str, header: Header, text: str, cells: Sequence[str]) -> str:
    if ";" in text:
        return (
            f"{where}: the columns are separated by semicolons here, in the header by commas; "
            "use commas throughout, and a point in decimal numbers."
        )
    if len(cells) == 2 * header.width and all(_NUMBER.fullmatch(cell.strip()) for cell in cells):
        return (
            f"{where}: {len(cells)} columns where the header names {header.width}, as if the "
            "numbers had decimal commas; write them with a point."
        )
    return (
        f"{where}, column {min(len(cells), header.width) + 1}: the line has {len(cells)} "
        f"column{'s' if len(cells) != 1 else ''}, the header names {header.width}; complete the "
        "line, or remove it if the logger broke it off."
    )


def _number(where: str, cell: str) -> float:
    if _NUMBER.fullmatch(cell):
        value = float(cell)
        if abs(value) != float("inf"):
            return value
    if not cell:
        raise InputError(f"{where} is empty; give the value, or remove the line.")
    if _NOT_FINITE.fullmatch(cell) or _NUMBER.fullmatch(cell):
        raise InputError(
            f"{where} is {shown(cell)}, which is not a finite number; remove the line."
        )
    if _DECIMAL_COMMA.fullmatch(cell):
        raise InputError(
            f"{where} is {shown(cell)}, with a decimal comma; write numbers with a point."
        )
    raise InputError(f"{where} is {shown(cell)}, which is not a number; correct or remove it.")
