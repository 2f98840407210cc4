"""Tests of the picture: every line is there and where its numbers say, and nothing is fetched."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable

import numpy as np
import pytest

from rig.analysis.hold import HoldConditions, HoldCurve, OwnLeak
from rig.cli.analyse_curve import AnalysedCurve
from rig.cli.plot import plot_svg, thinned
from rig.records import Finding, Outcome

SVG = "{http://www.w3.org/2000/svg}"
INHG = 3386.389
Make = Callable[..., AnalysedCurve]


def _root(analysed: AnalysedCurve) -> ET.Element:
    return ET.fromstring(plot_svg(analysed))  # noqa: S314 - our own text


def _texts(analysed: AnalysedCurve) -> list[str]:
    return [text.text or "" for text in _root(analysed).iter(f"{SVG}text")]


def _number_px(root: ET.Element, label: str, place: str) -> float:
    """Find the pixel of an axis's number: `place` is x or y of the label."""
    found = [text for text in root.iter(f"{SVG}text") if text.text == label]
    assert len(found) == 1
    return float(found[0].get(place, "nan"))


def test_a_passed_hold_shows_all_its_lines_and_axes(hand_made: Make) -> None:
    """Recorded, fitted, leak alone, limit, residuals; inHg over s; outcome and reason on top."""
    texts = _texts(hand_made())
    for label in (
        "pass: curve.csv",
        "recorded",
        "fitted to it",
        "the leak alone",
        "a leak at the limit",
        "vacuum, inHg",
        "time, s",
        "left over, inHg",
    ):
        assert label in texts
    assert any("0.350 inHg, give or take 0.012" in text for text in texts)


def test_what_the_rigs_own_leak_did_is_drawn_where_it_was_taken_out(hand_made: Make) -> None:
    """The fit follows the record less the own leak; without one there is no such line."""
    label = "less the rig's own leak"
    assert label not in _texts(hand_made())
    own = HoldConditions(101_100.0, 295.15, 75e-6, 0.75e-6, own_leak=OwnLeak(1e-9, 1e-10))
    assert label in _texts(hand_made(conditions=own))


def test_a_line_stands_where_its_numbers_say(hand_made: Make) -> None:
    """Read off the axes' own numbers, the leak alone starts and ends at its vacuum.

    It runs from 16 inHg less 1000 Pa to 2400 Pa less, over 0 to 60 s.
    """
    root = _root(hand_made())
    y15, y16 = (_number_px(root, label, "y") - 4.5 for label in ("15.0", "16.0"))
    x0, x60 = (_number_px(root, label, "x") for label in ("0", "60"))
    dashed = [path for path in root.iter(f"{SVG}path") if path.get("stroke-dasharray") == "9 4"]
    points = re.findall(r"[ML]([-\d.]+) ([-\d.]+)", dashed[0].get("d", ""))
    for (x, y), time_s, fallen_pa in ((points[0], 0.0, 1000.0), (points[-1], 60.0, 3400.0)):
        assert float(x) == pytest.approx(x0 + (x60 - x0) * time_s / 60.0, abs=0.2)
        vacuum = 16.0 - fallen_pa / INHG
        assert float(y) == pytest.approx(y15 + (y16 - y15) * (vacuum - 15.0), abs=0.2)


def test_a_measurement_without_a_limit_shows_no_limit(hand_made: Make) -> None:
    """What was not given is not drawn."""
    made = hand_made()
    limit = type(made.result.limit)(15.0 * INHG, 20.0, 45e-6)
    texts = _texts(hand_made(outcome=Outcome.MEASURED, limit=limit))
    assert "measured: curve.csv" in texts
    assert "a leak at the limit" not in texts


def test_a_spoiled_test_shows_its_curve_with_the_place_marked(spoiled: Make) -> None:
    """No fit, no residuals, no limit: the curve, and a line with its word where it happened."""
    root = _root(spoiled())
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert "test spoiled: curve.csv" in texts
    assert "hose off, 30 s" in texts
    assert "fitted to it" not in texts
    assert "left over, inHg" not in texts
    x20, x40 = (_number_px(root, label, "x") for label in ("20", "40"))
    marks = [line for line in root.iter(f"{SVG}line") if line.get("stroke-dasharray") == "5 3"]
    assert [float(line.get("x1", "nan")) for line in marks] == pytest.approx(
        [0.5 * (x20 + x40)], abs=0.2
    )


def test_a_reading_that_stood_still_is_shaded_for_as_long(spoiled: Make) -> None:
    """The shade runs from the time of the finding for as long as it lasted."""
    root = _root(spoiled(reasons=(Finding("frozen", {"time_s": 20.0, "lasting_s": 20.0}),)))
    x20, x40 = (_number_px(root, label, "x") for label in ("20", "40"))
    shades = [box for box in root.iter(f"{SVG}rect") if box.get("fill") == "#f1f3f5"]
    assert len(shades) == 1
    assert float(shades[0].get("x", "nan")) == pytest.approx(x20, abs=0.2)
    assert float(shades[0].get("width", "nan")) == pytest.approx(x40 - x20, abs=0.2)


def test_what_was_not_judged_is_shaded_and_said(hand_made: Make) -> None:
    """A hold judged to 30 s of 60 has its second half marked."""
    assert "not judged" in _texts(hand_made(hold_end_s=30.0))
    assert "not judged" not in _texts(hand_made())


def test_an_early_decision_is_marked(hand_made: Make) -> None:
    """The time into the hold counts from its start in the file."""
    assert "clear from here, 14 s" in _texts(hand_made(hold_start_s=2.0, decided_at_s=12.0))


def test_the_picture_is_the_same_every_time_and_fetches_nothing(hand_made: Make) -> None:
    """No date, no random name, no address but the name of the format itself."""
    text = plot_svg(hand_made())
    assert text == plot_svg(hand_made())
    assert re.findall(r"https?://[^\"]*", text) == ["http://www.w3.org/2000/svg"]
    for fetching in ("href", "url(h", "@import", "<style", "<script", "<image"):
        assert fetching not in text
    assert text.isascii()


def test_a_name_with_markup_is_shown_as_it_is(hand_made: Make) -> None:
    """A curve may be called anything."""
    assert "pass: <a&b>.csv" in _texts(hand_made(name="<a&b>.csv"))


def test_every_text_lies_within_the_picture(hand_made: Make, spoiled: Make) -> None:
    """At 0.62 em a letter, generous for a sans serif, no word runs over an edge."""
    for analysed in (
        hand_made(),
        spoiled(),
        hand_made(name="/curves/" + "x" * 400 + ".csv", outcome=Outcome.UNDECIDED),
    ):
        root = _root(analysed)
        width = float(root.get("width", "nan"))
        for text in root.iter(f"{SVG}text"):
            if text.get("transform"):
                continue
            long = 0.62 * float(text.get("font-size", "nan")) * len(text.text or "")
            x = float(text.get("x", "nan"))
            share = {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor", "start")]
            assert x - share * long >= 0.0
            assert x + (1.0 - share) * long <= width + 1.0


def test_a_wild_sample_does_not_squeeze_the_picture(hand_made: Make) -> None:
    """One sample at zero pressure leaves the vertical axis as it was."""
    made = hand_made()
    pressure_pa = made.curve.pressure_pa.copy()
    pressure_pa[300] = 0.0
    labels = set(_texts(hand_made(curve=HoldCurve(made.curve.time_s, pressure_pa))))
    assert labels == set(_texts(made))


def test_thinning_keeps_every_peak() -> None:
    """Lowest and highest sample of each pixel column stay, also of two million samples."""
    time_s = np.linspace(0.0, 60.0, 2_000_000)
    values = np.sin(time_s)
    values[1_234_567], values[7] = 9.0, -9.0
    thin_s, thin = thinned(time_s, values, 650)
    assert thin.size <= 2 * 650 + 2
    assert (thin.max(), thin.min()) == (9.0, -9.0)
    assert (thin_s[0], thin_s[-1]) == (0.0, 60.0)
    assert np.all(np.diff(thin_s) > 0.0)


@pytest.mark.parametrize("count", [100, 20_000])
def test_thinning_breaks_the_line_where_readings_are_missing(count: int) -> None:
    """A gap of 6 s is no straight line: exactly one point between its ends is not a number."""
    time_s = np.linspace(0.0, 60.0, count)
    time_s = time_s[(time_s < 20.0) | (time_s > 26.0)]
    thin_s, thin = thinned(time_s, np.ones(time_s.size), 650)
    gaps = np.flatnonzero(np.isnan(thin))
    assert gaps.size == 1
    assert thin_s[gaps[0] - 1] < 20.0
    assert thin_s[gaps[0] + 1] > 26.0
