"""Own noticing what is wrong with a user's thermistor table; never correct or drop a row.

A sound thermistor's ln R follows 1/T almost in a straight line whose slope, beta, changes slowly
(2000 to 5000 K for the usual ceramics). Every rule here is about that slope, and allows for the
digits that the table was printed with: coarse rounding is no fault.

Findings come in this order; a row taken by one is left out of the next: rows that are no numbers,
repeated temperatures, ohms beside kilohms, resistance that rises, an end that stands still,
repeated resistances, rows off the smooth run of their neighbours.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from rig.analysis.fit import linear_least_squares
from rig.arrays import FloatArray
from rig.errors import InputError
from rig.records import Finding
from rig.sensing.rt_table import rounding_half_width
from rig.units import ZERO_CELSIUS_K

_LEAST_ROWS = 5
"""Fewer rows than this show no fault, whatever they hold."""
_TYPICAL_BETA_K = 3500.0
_LOG_THOUSAND = math.log(1000.0)
_MERGED_STEPS = 2
"""Rises at most this many rows apart are one finding."""
_FLAT_SHARE = 0.5
"""An end stands still where beta is below this share of the beta further in."""
_STEEP_SHARE = 1.25
"""Where the next step is steeper than this, the row between is too high, not the end clipped."""
_FILLED_IN = 100.0
"""A row is filled in by hand where it is printed this many times coarser than the rows after it."""
_TOLERANCE_K = (0.5, 2.0)
"""A row is off by more than this: the least in the smoothest table, the most in any other."""
_SCATTERS = 10.0
_END_FACTOR = 2.5
"""Extrapolating to an end row is that much less certain than interpolating to an inner one."""


@dataclass(frozen=True)
class RowFinding(Finding):
    """A finding about `rows` of a table, counted from 0 as they were given."""

    rows: tuple[int, ...] = ()


@dataclass(frozen=True)
class _Rows:
    """Rows still in question, coldest first: their numbers as given, kelvin and ohms."""

    numbers: tuple[int, ...]
    kelvin: FloatArray
    ohm: FloatArray
    rounding: FloatArray

    @classmethod
    def of(cls, numbers: Iterable[int], kelvin: FloatArray, ohm: FloatArray) -> "_Rows":
        return cls(tuple(numbers), kelvin, ohm, rounding_half_width([float(r) for r in ohm]))

    def without(self, places: Iterable[int]) -> "_Rows":
        """Leave out rows by their place here; the rounding stays what the whole table showed."""
        kept = np.setdiff1d(np.arange(len(self.numbers)), np.array(list(places), dtype=int))
        return _Rows(
            tuple(self.numbers[place] for place in kept),
            self.kelvin[kept],
            self.ohm[kept],
            self.rounding[kept],
        )

    def finding(
        self, code: str, places: Sequence[int], figures: dict[str, float | str]
    ) -> RowFinding:
        degc = self.kelvin[list(places)] - ZERO_CELSIUS_K
        span: dict[str, float | str] = {
            "from_degc": round(float(degc.min()), 6),
            "to_degc": round(float(degc.max()), 6),
        }
        numbers = tuple(sorted(self.numbers[place] for place in places))
        return RowFinding(code, {**span, **figures}, numbers)


def inspect_table(temperature_degc: Sequence[float], ohm: Sequence[float]) -> list[RowFinding]:
    """Notice what is wrong with a table of temperatures [degC] and resistances [ohm], any order.

    Returns an empty list for a sound table. Codes, all but the first and the last with the figures
    from_degc and to_degc:

        table_not_numbers           `degc` and `ohm` are no temperature with a positive resistance
        table_repeated_temperature  a temperature given before
        table_mixed_units           resistance `factor` times that of the other rows: ohm and kohm
        table_rises                 resistance rises with temperature, by `rise_ohm` at most
        table_end_stands_still      clipped: beta is only `share` of the beta further in
        table_repeated_resistance   one resistance for several temperatures: printed too coarsely
        table_row_off               its resistance says `off_k` warmer than its temperature, where
                                    the neighbours' rows put it
        table_too_short             too few `rows` left to tell, of `needed`

    Raises InputError where the two columns differ in length.
    """
    if len(temperature_degc) != len(ohm):
        raise InputError(
            f"thermistor table: {len(temperature_degc)} temperatures and {len(ohm)} resistances:"
            " a row lacks one of the two"
        )
    findings: list[RowFinding] = []
    rows, noticed = _readable(temperature_degc, ohm)
    findings += noticed
    for rule in (_repeated_temperatures, _mixed_units, _rises, _ends, _repeated_ohms, _rows_off):
        rows, noticed = rule(rows)
        findings += noticed
    return findings


_Step = tuple[_Rows, list[RowFinding]]


def _readable(temperature_degc: Sequence[float], ohm: Sequence[float]) -> _Step:
    kelvin = np.array(temperature_degc, dtype=float) + ZERO_CELSIUS_K
    values = np.array(ohm, dtype=float)
    sound = np.isfinite(kelvin) & (kelvin > 0.0) & np.isfinite(values) & (values > 0.0)
    findings = [
        RowFinding("table_not_numbers", {"degc": temperature_degc[row], "ohm": ohm[row]}, (row,))
        for row in map(int, np.flatnonzero(~sound))
    ]
    order = np.flatnonzero(sound)
    order = order[np.argsort(kelvin[order], kind="stable")]
    return _Rows.of(order.tolist(), kelvin[order], values[order]), findings


def _repeated_temperatures(rows: _Rows) -> _Step:
    places = (np.flatnonzero(np.diff(rows.kelvin) == 0.0) + 1).tolist()
    findings = [rows.finding("table_repeated_temperature", [place], {}) for place in places]
    return rows.without(places), findings


def _mixed_units(rows: _Rows) -> _Step:
    """Find rows a power of 1000 away from the rest, and go on with them brought into line."""
    if len(rows.numbers) < 2:
        return rows, []
    expected = _TYPICAL_BETA_K * np.diff(1.0 / rows.kelvin)
    jumps = np.rint((np.diff(np.log(rows.ohm)) - expected) / _LOG_THOUSAND)
    exponents = np.concatenate(([0.0], np.cumsum(jumps)))
    kinds, counts = np.unique(exponents, return_counts=True)
    base = kinds[len(counts) - 1 - int(np.argmax(counts[::-1]))]
    findings = [
        rows.finding(
            "table_mixed_units",
            np.flatnonzero(exponents == kind).tolist(),
            {"factor": float(1000.0 ** (kind - base))},
        )
        for kind in kinds
        if kind != base
    ]
    if not findings:
        return rows, []
    aligned = rows.ohm * 1000.0 ** (base - exponents)
    return _Rows(rows.numbers, rows.kelvin, aligned, rows.rounding), findings


def _rises(rows: _Rows) -> _Step:
    runs: list[list[int]] = []
    for place in np.flatnonzero(np.diff(rows.ohm) > 0.0).tolist():
        if runs and place - runs[-1][-1] <= _MERGED_STEPS:
            runs[-1] = list(range(runs[-1][0], place + 2))
        else:
            runs.append([place, place + 1])
    runs = [_culprits(rows.ohm, run) for run in runs]
    findings = []
    for run in runs:
        around = rows.ohm[max(0, run[0] - 1) : run[-1] + 2]
        figures: dict[str, float | str] = {"rise_ohm": float(np.diff(around).max())}
        findings.append(rows.finding("table_rises", run, figures))
    return rows.without(place for run in runs for place in run), findings


def _culprits(ohm: FloatArray, run: list[int]) -> list[int]:
    """Name one row alone where leaving that row out, and not the other, ends the rise."""
    if len(run) > 2:
        return run
    around = list(range(max(0, run[0] - 1), min(ohm.size, run[1] + 2)))
    enough = [
        place
        for place in run
        if np.all(np.diff(ohm[[other for other in around if other != place]]) <= 0.0)
    ]
    return enough if len(enough) == 1 else run


def _ends(rows: _Rows) -> _Step:
    cold = _standing_still(rows, range(len(rows.numbers)))
    hot = _standing_still(rows, range(len(rows.numbers) - 1, -1, -1))
    findings = []
    for places, share in (cold, hot):
        if places:
            findings.append(rows.finding("table_end_stands_still", places, {"share": share}))
    return rows.without(cold[0] + hot[0]), findings


def _standing_still(rows: _Rows, inward: range) -> tuple[list[int], float]:
    """Find the rows at one end, outermost first, between which ln R barely moves with 1/T."""
    order = list(inward)
    inverse, log_ohm = 1.0 / rows.kelvin[order], np.log(rows.ohm[order])
    rounding = rows.rounding[order]
    beta = np.abs(np.diff(log_ohm) / np.diff(inverse))
    beta_rounding = (rounding[1:] + rounding[:-1]) / np.abs(np.diff(inverse))
    clipped, share = 0, 1.0
    for count in range(1, beta.size // 2 + 1):
        further_in = beta[count : count + 3]
        if further_in.size < 3:
            break
        reference = float(np.median(further_in))
        flat = np.all(beta[:count] + beta_rounding[:count] < _FLAT_SHARE * reference)
        if flat and beta[count] - beta_rounding[count] < _STEEP_SHARE * reference:
            clipped, share = count, float(beta[:count].max()) / reference
    if clipped == 0:
        return [], share
    steps = rounding * rows.ohm[order]
    if steps[clipped] >= _FILLED_IN * steps[clipped + 1 : clipped + 4].max():
        clipped += 1
    return order[:clipped], share


def _repeated_ohms(rows: _Rows) -> _Step:
    findings = []
    repeats = np.flatnonzero(np.diff(rows.ohm) == 0.0) + 1
    for ohm in dict.fromkeys(rows.ohm[repeats].tolist()):
        places = np.flatnonzero(rows.ohm == ohm).tolist()
        findings.append(rows.finding("table_repeated_resistance", places, {"ohm": ohm}))
    return rows.without(repeats.tolist()), findings


def _rows_off(rows: _Rows) -> _Step:
    """Find rows that leave a Steinhart-Hart fit otherwise than their two neighbours, worst first.

    The fit takes out the bend that all thermistors have; how well it follows the table as a whole
    is not asked. A wrong row makes its neighbours look wrong too: the one named is the one without
    which the rest agrees best.
    """
    findings = []
    if len(rows.numbers) < _LEAST_ROWS:
        figures: dict[str, float | str] = {"rows": len(rows.numbers), "needed": _LEAST_ROWS}
        return rows, [RowFinding("table_too_short", figures, rows.numbers)]
    excess, off_k = _excess(rows)
    while excess.max() > 1.0:
        worst = int(np.argmax(excess))
        suspects = [worst, *{max(worst - 1, 0), min(worst + 1, excess.size - 1)}]
        if len(rows.numbers) == _LEAST_ROWS:
            findings.append(rows.finding("table_row_off", [worst], {"off_k": float(off_k[worst])}))
            break
        healed = [float(_excess(rows.without([suspect]))[0].max()) for suspect in suspects]
        culprit = suspects[int(np.argmin(healed))]
        findings.append(rows.finding("table_row_off", [culprit], {"off_k": float(off_k[culprit])}))
        rows = rows.without([culprit])
        excess, off_k = _excess(rows)
    return rows, findings


def _excess(rows: _Rows) -> tuple[FloatArray, FloatArray]:
    """Get how far each row is off beyond its rounding, in tolerances, and how far it is off [K]."""
    off_k, allowance_k, leniency = _off_neighbours(rows)
    scatter_k = 1.4826 * float(np.median(np.abs(off_k[1:-1])))
    tolerance_k = np.clip(_SCATTERS * scatter_k, *_TOLERANCE_K) * leniency
    return (np.abs(off_k) - allowance_k) / tolerance_k, off_k


def _off_neighbours(rows: _Rows) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Get, for each row, how far it is off [K], what rounding explains [K], and its leniency."""
    inverse, log_ohm = 1.0 / rows.kelvin, np.log(rows.ohm)
    design = np.vander(log_ohm, 4, increasing=True)[:, [0, 1, 3]] * rows.kelvin[:, None] ** 2
    warmer_k = linear_least_squares(design, rows.kelvin).residuals
    rounding_k = rows.rounding * rows.kelvin**2 / _TYPICAL_BETA_K
    here = np.arange(inverse.size)
    one, other = here - 1, here + 1
    one[0], other[0], one[-1], other[-1] = 1, 2, here[-2], here[-3]
    weight = (inverse - inverse[one]) / (inverse[other] - inverse[one])
    off_k = warmer_k - (1.0 - weight) * warmer_k[one] - weight * warmer_k[other]
    allowance_k = rounding_k + (1.0 - weight) * rounding_k[one] + np.abs(weight) * rounding_k[other]
    leniency = np.ones(inverse.size)
    leniency[[0, -1]] = _END_FACTOR * np.maximum(1.0, np.abs(weight[[0, -1]]))
    return off_k, allowance_k, leniency
