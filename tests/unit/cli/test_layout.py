"""Tests of how lines stand on the terminal: labels, columns, wrapping."""

from rig.cli.layout import WIDTH, labelled, paragraphs, several, table


def test_labels_take_the_room_of_the_longest_and_twenty_at_least() -> None:
    """Short labels stand as in every report; a long one moves all texts to the right."""
    assert labelled([("make", "Umbrevan"), ("from", "")]) == ["make                Umbrevan"]
    assert labelled([("manifold alone, this run", "0.1"), ("leak", "2")]) == [
        "manifold alone, this run  0.1",
        "leak                      2",
    ]


def test_what_goes_on_has_no_label_and_hangs() -> None:
    """Several texts under one label, each wrapped to the same edge."""
    long = "word " * 30
    lines = labelled(several("take care", ["short", long]))
    assert lines[0] == "take care           short"
    assert all(line.startswith(" " * 20 + "word") for line in lines[1:])
    assert max(map(len, lines)) <= WIDTH


def test_columns_are_as_wide_as_their_widest_cell() -> None:
    """Two blanks between; the last column wraps under itself; blanks in a cell become one."""
    lines = table([["tag", "part"], ["N01", "choke\n  pull-off"], ["box-3.7", "x " * 60]])
    assert lines[:2] == ["tag      part", "N01      choke pull-off"]
    assert lines[2].startswith("box-3.7  x x")
    assert lines[3].startswith("         x x")
    assert max(map(len, lines)) <= WIDTH


def test_an_option_or_a_path_is_never_broken() -> None:
    """It must be there whole to be typed again, even where it is wider than the screen."""
    path = "/" + "long-folder/" * 12
    assert paragraphs([f"Give --max-drop {'and ' * 20}--max-drop or {path}."])[-1] == f"{path}."
    for width in range(60, 100):
        said = f"{'x' * width} --max-drop --within"
        assert sum("--max-drop" in line for line in paragraphs([said])) == 1


def test_nothing_makes_no_lines() -> None:
    """No rows, no texts, no lines."""
    assert (table([]), labelled([]), paragraphs([])) == ([], [], [])


def test_columns_wider_than_the_screen_are_not_lost() -> None:
    """A last column without room is wrapped to a least width, never cut."""
    text = " ".join(["word"] * 20)
    lines = table([["t" * 90, text]])
    assert " ".join(" ".join(lines).split()) == f"{'t' * 90} {text}"
