"""Tests of what counts as one press of a button."""

from hypothesis import given, settings
from hypothesis import strategies as st

from rig.outputs.button import Button
from tests.unit.outputs.bench_kit import in_another_thread


class _Contact:
    """A contact whose level a test sets."""

    def __init__(self) -> None:
        self.down = False
        self.button = Button(lambda: self.down)

    def presses(self, levels: str) -> int:
        """Count the presses over polls at which the contact is up (.) or down (#)."""
        count = 0
        for level in levels:
            self.down = level == "#"
            count += self.button.pressed()
        return count


def test_a_press_counts_once_however_long_it_is_held() -> None:
    """One press, whether one poll long or a hundred, is one."""
    assert _Contact().presses("...#....") == 1
    assert _Contact().presses("..." + 100 * "#" + "....") == 1


def test_a_bouncing_contact_counts_once() -> None:
    """A contact that comes and goes from poll to poll, going down and coming up, is one press."""
    assert _Contact().presses("...#.#.##.#....") == 1
    assert _Contact().presses("...####.#..#.....") == 1


def test_two_presses_are_two() -> None:
    """Once up for 30 ms a button is ready for the next press."""
    assert _Contact().presses("##...##...##....") == 3


def test_a_tap_between_two_looks_is_not_lost() -> None:
    """An edge that another thread told of counts although the button is up again by the poll."""
    contact = _Contact()
    assert contact.presses("....") == 0
    in_another_thread(contact.button.edge)
    assert contact.presses("....") == 1


def test_the_edges_of_a_bounce_count_once() -> None:
    """Ten edges within one press, between polls and with them, are one press."""
    contact = _Contact()
    for _ in range(40):
        contact.button.edge()
    assert contact.presses("#") == 1
    contact.button.edge()
    assert contact.presses("#....") == 0
    assert contact.presses("#") == 1


def test_being_down_is_the_level_alone() -> None:
    """Asking for the level takes no press away and waits for no release."""
    contact = _Contact()
    contact.button.edge()
    assert not contact.button.is_down()
    contact.down = True
    assert contact.button.is_down()
    assert contact.button.pressed()


@settings(derandomize=True, max_examples=200)
@given(st.lists(st.tuples(st.integers(1, 20), st.integers(3, 20)), max_size=8))
def test_as_many_presses_as_were_made(made: list[tuple[int, int]]) -> None:
    """Presses of any length, each followed by at least three polls up, are counted one by one."""
    levels = "".join("#" * down + "." * up for down, up in made)
    assert _Contact().presses(levels) == len(made)
