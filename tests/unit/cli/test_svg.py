"""Tests of the SVG drawing: sound XML whatever the words, round ticks, nothing fetched."""

import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.cli.svg import Axis, Drawing, Stroke, spread_out

SVG = "{http://www.w3.org/2000/svg}"


@settings(derandomize=True, max_examples=100, deadline=None)
@given(st.text(max_size=40))
def test_any_text_gives_sound_xml(text: str) -> None:
    """Markup, quotes, control characters and lone surrogates never break the document."""
    drawing = Drawing(100, 50, text, text)
    drawing.words(1.0, 2.0, text)
    root = ET.fromstring(drawing.as_text().encode("utf-8"))  # noqa: S314 - our own text
    assert root.get("viewBox") == "0 0 100 50"


def test_markup_in_a_name_is_shown_not_obeyed() -> None:
    """A file name cannot smuggle an element in."""
    drawing = Drawing(100, 50, '"><script>alert(1)</script>', "")
    drawing.words(1.0, 2.0, "<b>&amp;")
    root = ET.fromstring(drawing.as_text())  # noqa: S314 - our own text
    assert root.find(f".//{SVG}script") is None
    assert root.findtext(f"{SVG}text") == "<b>&amp;"
    assert root.get("aria-label") == '"><script>alert(1)</script>'


def test_a_line_breaks_where_a_point_is_missing() -> None:
    """A point that is not a number lifts the pen."""
    drawing = Drawing(100, 50, "", "")
    drawing.path(
        np.array([0.0, 1.0, np.nan, 3.0, 4.0]), np.arange(5.0), Stroke("#000000"), "inside"
    )
    assert 'd="M0.0 0.0L1.0 1.0M3.0 3.0L4.0 4.0"' in drawing.pieces[0]


@pytest.mark.parametrize(
    ("low", "high", "about", "labels"),
    [
        (0.0, 60.0, 6, ["0", "10", "20", "30", "40", "50", "60"]),
        (12.4, 16.1, 6, ["13", "14", "15", "16"]),
        (14.6, 16.1, 6, ["15.0", "15.5", "16.0"]),
        (-0.0049, 0.0049, 5, ["-0.004", "-0.002", "0.000", "0.002", "0.004"]),
        (-0.7, 16.7, 6, ["0", "5", "10", "15"]),
    ],
)
def test_ticks_are_round_and_labelled_to_their_step(
    low: float, high: float, about: int, labels: list[str]
) -> None:
    """Steps of 1, 2 or 5 and powers of ten, no minus zero, none outside the axis."""
    axis = Axis(low, high, 400.0, 100.0)
    ticks = axis.ticks(about)
    assert [label for _, label in ticks] == labels
    assert all(100.0 <= axis.at(value) <= 400.0 for value, _ in ticks)


@settings(derandomize=True, max_examples=100, deadline=None)
@given(st.lists(st.floats(0.0, 300.0), min_size=1, max_size=8))
def test_labels_never_overlap_and_keep_their_order(wanted: list[float]) -> None:
    """Labels stand a line apart, none below the panel, in the order of what they name."""
    placed = spread_out(wanted, 20.0, 300.0)
    order = sorted(range(len(wanted)), key=lambda index: wanted[index])
    steps = np.diff([placed[index] for index in order])
    assert np.all(steps >= 20.0 - 1e-9)
    assert max(placed) <= 300.0 + 1e-9


def test_labels_with_room_stay_where_they_are_wanted() -> None:
    """Nothing moves that need not."""
    assert spread_out([50.0, 10.0, 100.0], 20.0, 300.0) == [50.0, 10.0, 100.0]
