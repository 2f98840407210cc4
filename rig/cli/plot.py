"""Own the picture of an analysed curve: what is drawn, and where; never judge it."""

from dataclasses import dataclass

import numpy as np

from rig import figures, words
from rig.analysis.blocks import running_median
from rig.analysis.hold import FittedCurve, HoldResult
from rig.arrays import FloatArray
from rig.cli.analyse_curve import AnalysedCurve
from rig.cli.limit_line import leak_at_the_limit
from rig.cli.svg import GRID, INK, QUIET, Axis, Drawing, Stroke, spread_out
from rig.units import PA_PER_INHG

WIDTH = 960
_LEFT, _RIGHT = 78.0, 730.0
_TOP, _BOTTOM = 92.0, 420.0
_RESIDUAL_TOP, _RESIDUAL_BOTTOM = 456.0, 566.0
_FOOT = 52.0
_LONGEST_NAME = 44

_RECORDED = Stroke("#b9c4cc", 3.2)
_LESS_OWN_LEAK = Stroke("#93a1ac", 1.2, "1 3")
_SCATTER = Stroke("#93a1ac", 1.0)
_FIT = Stroke("#14518f", 1.6)
_LEAK_ALONE = Stroke("#7b3294", 2.2, "9 4")
_LIMIT = Stroke("#a8590a", 2.2, "2 4")
_MARK = Stroke(INK, 1.4, "5 3")
_RULE = Stroke(GRID, 1.0)
_FRAME = Stroke(QUIET, 1.0)
_MARKED_GROUND = "#f1f3f5"


@dataclass(frozen=True)
class _Curve:
    """One line of the main panel, with the words at its end; vacuum in inHg."""

    label: str
    time_s: FloatArray
    vacuum_inhg: FloatArray
    stroke: Stroke


def plot_svg(analysed: AnalysedCurve) -> str:
    """Draw the curve, what was fitted to it and the limit; return an SVG document.

    Vacuum in inHg over time in s; below it, where something was fitted, what the fit leaves over.
    A spoiled test shows its curve with the place marked.
    """
    result = analysed.result
    bottom = _BOTTOM if result.fitted is None else _RESIDUAL_BOTTOM
    title = words.plot_title(result.outcome, _short(analysed.name))
    drawing = Drawing(WIDTH, int(bottom + _FOOT), title, words.plot_subtitle(result.reasons))
    drawing.words(_LEFT, 36.0, title, size=20, bold=True)
    for row, line in enumerate(_wrapped(drawing.description, 104)[:2]):
        drawing.words(_LEFT, 58.0 + 18.0 * row, line, size=14, fill=QUIET)
    curves = _curves(analysed)
    x_axis = _time_axis(analysed)
    y_axis = _vacuum_axis(analysed, curves)
    drawing.clip("main", _LEFT, _TOP, _RIGHT - _LEFT, _BOTTOM - _TOP)
    _grounds(drawing, x_axis, analysed)
    _panel(drawing, x_axis, y_axis, words.PLOT["vacuum"], numbered=result.fitted is None)
    for curve in curves:
        drawing.path(x_axis.px(curve.time_s), y_axis.px(curve.vacuum_inhg), curve.stroke, "main")
    _direct_labels(drawing, y_axis, curves)
    _marks(drawing, x_axis, result)
    if result.fitted is not None:
        _residuals(drawing, x_axis, result.fitted)
    drawing.words(
        (_LEFT + _RIGHT) / 2.0, bottom + 40.0, words.PLOT["time"], size=14, anchor="middle"
    )
    return drawing.as_text()


def _short(name: str) -> str:
    """Return the last part of a path, short enough for a title."""
    last = name.rstrip("/").rpartition("/")[2]
    return last if len(last) <= _LONGEST_NAME else f"{last[: _LONGEST_NAME - 3]}..."


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


def _vacuum_inhg(analysed: AnalysedCurve, pressure_pa: FloatArray) -> FloatArray:
    return (analysed.conditions.ambient_pa - pressure_pa) / PA_PER_INHG


def _curves(analysed: AnalysedCurve) -> list[_Curve]:
    curve, result, fitted = analysed.curve, analysed.result, analysed.result.fitted
    time_s, pressure_pa = thinned(curve.time_s, curve.pressure_pa, int(_RIGHT - _LEFT))
    curves = [
        _Curve(words.PLOT["recorded"], time_s, _vacuum_inhg(analysed, pressure_pa), _RECORDED)
    ]
    if fitted is None:
        return curves
    if analysed.conditions.own_leak is not None:
        less = _vacuum_inhg(analysed, fitted.pressure_pa)
        curves.append(_Curve(words.PLOT["less_own_leak"], fitted.time_s, less, _LESS_OWN_LEAK))
    # A leak at the limit is drawn to the end of the record, however early the vacuum was gone.
    limit_s = np.linspace(fitted.time_s[0], curve.time_s[-1], 200)
    limit_pa = leak_at_the_limit(
        limit_s - limit_s[0],
        float(fitted.leak_only_pa[0]),
        result.leak_kind,
        result.limit,
        analysed.conditions,
    )
    for name, line_s, level_pa, stroke in (
        ("at_limit", limit_s, limit_pa, _LIMIT),
        ("leak_alone", fitted.time_s, fitted.leak_only_pa, _LEAK_ALONE),
        ("fit", fitted.time_s, fitted.fitted_pa, _FIT),
    ):
        if level_pa is not None:
            vacuum = _vacuum_inhg(analysed, level_pa)
            curves.append(_Curve(words.PLOT[name], line_s, vacuum, stroke))
    return curves


def thinned(time_s: FloatArray, values: FloatArray, columns: int) -> tuple[FloatArray, FloatArray]:
    """Reduce a record to what `columns` pixels can show, keeping lowest and highest of each.

    Where samples are missing a point that is not a number breaks the line.
    """
    if time_s.size < 2:
        return time_s, values
    intervals = np.diff(time_s)
    missing = np.flatnonzero(intervals > max(5.0 * float(np.median(intervals)), 0.3)) + 1
    kept = np.arange(time_s.size)
    if time_s.size > 4 * columns:
        share = (time_s - time_s[0]) / (time_s[-1] - time_s[0])
        column = np.minimum((share * columns).astype(int), columns - 1)
        starts = np.flatnonzero(np.diff(column, prepend=-1))
        stops = np.append(starts[1:], time_s.size)
        extremes = [
            start + place
            for start, stop in zip(starts.tolist(), stops.tolist(), strict=True)
            for place in (int(np.argmin(values[start:stop])), int(np.argmax(values[start:stop])))
        ]
        kept = np.unique(np.concatenate([extremes, missing - 1, missing, [0, time_s.size - 1]]))
    breaks = np.searchsorted(kept, missing)
    return (
        np.insert(time_s[kept], breaks, np.nan),
        np.insert(values[kept], breaks, np.nan),
    )


def _time_axis(analysed: AnalysedCurve) -> Axis:
    first_s, last_s = float(analysed.curve.time_s[0]), float(analysed.curve.time_s[-1])
    return Axis(first_s, last_s + 0.01 * (last_s - first_s), _LEFT, _RIGHT)


def _vacuum_axis(analysed: AnalysedCurve, curves: list[_Curve]) -> Axis:
    """Choose a range that holds every line, and the record but for single wild samples."""
    steady = _vacuum_inhg(analysed, running_median(analysed.curve.pressure_pa))
    levels = [steady, *(curve.vacuum_inhg for curve in curves[1:])]
    lowest = min(float(np.min(level)) for level in levels)
    highest = max(float(np.max(level)) for level in levels)
    room = max(0.06 * (highest - lowest), 0.02)
    return Axis(lowest - room, highest + room, _BOTTOM, _TOP)


def _panel(
    drawing: Drawing, x_axis: Axis, y_axis: Axis, name: str, *, numbered: bool, about: int = 6
) -> None:
    """Draw grid, frame, numbers and the name of the vertical axis."""
    for value, label in y_axis.ticks(about):
        y = y_axis.at(value)
        drawing.line(_LEFT, y, _RIGHT, y, _RULE)
        drawing.words(_LEFT - 8.0, y + 4.5, label, anchor="end")
    for value, label in x_axis.ticks(8):
        x = x_axis.at(value)
        drawing.line(x, y_axis.high_px, x, y_axis.low_px, _RULE)
        if numbered:
            drawing.words(x, y_axis.low_px + 18.0, label, anchor="middle")
    drawing.line(_LEFT, y_axis.low_px, _RIGHT, y_axis.low_px, _FRAME)
    drawing.line(_LEFT, y_axis.high_px, _LEFT, y_axis.low_px, _FRAME)
    middle = (y_axis.low_px + y_axis.high_px) / 2.0
    drawing.words(22.0, middle, name, size=14, anchor="middle", turned=True)


def _direct_labels(drawing: Drawing, y_axis: Axis, curves: list[_Curve]) -> None:
    ends = []
    for curve in curves:
        level = y_axis.at(_last_level(curve.vacuum_inhg))
        ends.append(min(max(level, _TOP + 8.0), _BOTTOM - 4.0))
    for curve, end, y in zip(curves, ends, spread_out(ends, 22.0, _BOTTOM), strict=True):
        drawing.line(_RIGHT + 3.0, end, _RIGHT + 16.0, y, Stroke(GRID, 1.0))
        drawing.line(_RIGHT + 18.0, y, _RIGHT + 44.0, y, curve.stroke)
        colour = QUIET if curve.stroke is _RECORDED else curve.stroke.colour
        drawing.words(_RIGHT + 50.0, y + 4.5, curve.label, fill=colour)


def _last_level(vacuum_inhg: FloatArray) -> float:
    """Return where a line ends: the median of its last points, which no wild sample moves."""
    return float(np.nanmedian(vacuum_inhg[-25:]) if vacuum_inhg.size > 200 else vacuum_inhg[-1])


def _marks(drawing: Drawing, x_axis: Axis, result: HoldResult) -> None:
    """Draw a line with its word where something happened."""
    marks = [
        (words.PLOT_MARKS[reason.code], reason.figures["time_s"])
        for reason in result.reasons
        if reason.code in words.PLOT_MARKS
    ]
    if result.decided_at_s is not None:
        marks.append((words.PLOT["decided"], result.hold_start_s + result.decided_at_s))
    for row, (label, time_s) in enumerate(marks):
        x = x_axis.at(float(time_s))
        if not _LEFT <= x <= _RIGHT:
            continue
        drawing.line(x, _TOP, x, _BOTTOM, _MARK)
        is_left = x > (_LEFT + _RIGHT) / 2.0
        drawing.words(
            x - 7.0 if is_left else x + 7.0,
            _TOP + 18.0 + 20.0 * row,
            f"{label}, {figures.seconds(float(time_s))}",
            anchor="end" if is_left else "start",
            bold=True,
        )


def _grounds(drawing: Drawing, x_axis: Axis, analysed: AnalysedCurve) -> None:
    """Shade what was not judged, and where what happened lasted."""
    result, time_s = analysed.result, analysed.curve.time_s
    spans: list[tuple[float, float, str | None]] = []
    if result.fitted is not None:
        left_out = words.PLOT["not_judged"]
        spans.append((float(time_s[0]), result.hold_start_s, left_out))
        spans.append((result.hold_end_s, float(time_s[-1]), left_out))
    for reason in result.reasons:
        if reason.code in words.PLOT_MARKS and "lasting_s" in reason.figures:
            begin_s = float(reason.figures["time_s"])
            spans.append((begin_s, begin_s + float(reason.figures["lasting_s"]), None))
    for begin_s, end_s, label in spans:
        left, right = max(x_axis.at(begin_s), _LEFT), min(x_axis.at(end_s), _RIGHT)
        if right - left > 1.0:
            drawing.box(left, _TOP, right - left, _BOTTOM - _TOP, _MARKED_GROUND)
        if label is not None and right - left > 90.0:
            middle = (left + right) / 2.0
            drawing.words(middle, (_TOP + _BOTTOM) / 2.0, label, fill=QUIET, anchor="middle")


def _residuals(drawing: Drawing, x_axis: Axis, fitted: FittedCurve) -> None:
    """Draw what the fit leaves over of each block mean, with twice its uncertainty."""
    left_inhg = (fitted.fitted_pa - fitted.pressure_pa) / PA_PER_INHG
    wide_inhg = 2.0 * fitted.mean_u_pa / PA_PER_INHG
    reach = max(1.1 * float(np.max(np.abs(left_inhg) + wide_inhg)), 1e-4)
    y_axis = Axis(-reach, reach, _RESIDUAL_BOTTOM, _RESIDUAL_TOP)
    drawing.clip("left", _LEFT, _RESIDUAL_TOP, _RIGHT - _LEFT, _RESIDUAL_BOTTOM - _RESIDUAL_TOP)
    _panel(drawing, x_axis, y_axis, words.PLOT["left_over"], numbered=True, about=5)
    drawing.line(_LEFT, y_axis.at(0.0), _RIGHT, y_axis.at(0.0), _FRAME)
    x = x_axis.px(fitted.time_s)
    low, high = y_axis.px(left_inhg - wide_inhg), y_axis.px(left_inhg + wide_inhg)
    gap = np.full(x.size, np.nan)
    drawing.path(
        np.column_stack([x, x, gap]).ravel(),
        np.column_stack([low, high, gap]).ravel(),
        _SCATTER,
        "left",
    )
    drawing.dots(x, y_axis.px(left_inhg), 2.2, _FIT.colour, "left")
    for row, line in enumerate(words.PLOT_LEFT_OVER):
        drawing.words(_RIGHT + 18.0, _RESIDUAL_TOP + 18.0 + 18.0 * row, line, fill=QUIET)
