"""Check that the simulated operator acts at a human pace, and the same way for a seed."""

from collections.abc import Callable
from itertools import pairwise

import pytest

from rig.sim.hands import Act, Hands, Kind, Prompt

TARGET_PA = 50e3
PUMP = Prompt(Kind.PUMP, TARGET_PA)


def _acts(
    hands: Hands,
    prompt: Prompt | None,
    vacuum: Callable[[int], float],
    seconds: float,
    *,
    tick_s: float = 0.01,
    start_s: float = 0.0,
) -> list[tuple[float, Act]]:
    """Tick through a time; `vacuum` is told how many strokes were made."""
    found: list[tuple[float, Act]] = []
    for tick in range(round(seconds / tick_s)):
        now_s = start_s + tick * tick_s
        strokes = sum(act is Act.STROKE for _, act in found)
        found += [(now_s, act) for act in hands.act(now_s, prompt, vacuum(strokes))]
    return found


def test_strokes_come_at_a_human_pace_until_the_target_is_seen() -> None:
    """0.7 to 1.2 s from look to look, so 0.5 to 1.4 s apart; none after the target was seen."""
    for seed in range(10):
        acts = _acts(Hands(seed), PUMP, lambda strokes: 8e3 * strokes, 30.0)
        times = [time_s for time_s, _ in acts]
        gaps = [later - earlier for earlier, later in pairwise(times)]
        assert {act for _, act in acts} == {Act.STROKE}
        assert len(acts) == 7  # the seventh of 8 kPa passes 50 kPa
        assert 0.6 < times[0] < 2.0
        assert min(gaps) > 0.45
        assert max(gaps) < 1.45
        assert 0.7 < sum(gaps) / len(gaps) < 1.2


def test_a_target_that_is_passed_while_the_hand_is_on_it_is_overshot() -> None:
    """A stroke that was decided on is made, though the target is passed a moment before."""
    hands, seen, passed_s = Hands(3), [], None
    for tick in range(1000):
        now_s = tick * 0.01
        vacuum_pa = 0.0 if passed_s is None or now_s < passed_s else TARGET_PA
        acts = hands.act(now_s, PUMP, vacuum_pa)
        seen += [now_s for act in acts if act is Act.STROKE]
        if len(seen) == 1 and passed_s is None:
            passed_s = now_s + 0.55  # between the next look and its stroke, for this seed
    assert len(seen) == 2


def test_careless_hands_make_strokes_too_many() -> None:
    """Two more than needed."""
    acts = _acts(Hands(1, overshoot=2), PUMP, lambda strokes: 8e3 * strokes, 30.0)
    assert len(acts) == 9


def test_a_target_already_reached_needs_no_stroke() -> None:
    """The hands look first."""
    assert _acts(Hands(1), PUMP, lambda _: TARGET_PA, 10.0) == []


@pytest.mark.parametrize("kind", [Kind.STOP_PUMPING, Kind.WAIT])
def test_hands_rest_when_they_are_told_to(kind: Kind) -> None:
    """No stroke, no button; nor without any prompt."""
    assert _acts(Hands(1), Prompt(kind), lambda _: 0.0, 20.0) == []
    assert _acts(Hands(1), None, lambda _: 0.0, 20.0) == []


def test_pumping_ends_when_the_prompt_changes() -> None:
    """No stroke once the bench says stop, however far the target."""
    hands = Hands(2)
    assert len(_acts(hands, PUMP, lambda _: 0.0, 5.0)) > 2
    assert _acts(hands, Prompt(Kind.STOP_PUMPING), lambda _: 0.0, 5.0, start_s=5.0) == []


def test_a_mark_is_pressed_once_for_each_prompt_and_let_go() -> None:
    """After 1 to 5 s, for 0.15 s; a second prompt of the same words after another counts anew."""
    hands = Hands(4)
    for start_s in (0.0, 100.0):
        acts = _acts(hands, Prompt(Kind.MARK), lambda _: 0.0, 20.0, start_s=start_s)
        (pressed_s, press), (released_s, release) = acts
        assert (press, release) == (Act.PRESS_MARK, Act.RELEASE_MARK)
        assert 1.0 < pressed_s - start_s < 5.0
        assert released_s - pressed_s == pytest.approx(0.15, abs=0.02)
        assert _acts(hands, None, lambda _: 0.0, 1.0, start_s=start_s + 50.0) == []


def test_a_finger_comes_off_the_button_when_the_press_has_ended_the_prompt() -> None:
    """The prompt is gone at the press; the button is let go all the same, once."""
    hands, found = Hands(4), []
    for tick in range(1000):
        pressed = any(act is Act.PRESS_MARK for act in found)
        prompt = None if pressed else Prompt(Kind.MARK)
        found += hands.act(tick * 0.01, prompt, 0.0)
    assert found == [Act.PRESS_MARK, Act.RELEASE_MARK]


def test_late_hands_take_their_time() -> None:
    """They notice and press several times later."""
    usual, late = (
        _acts(Hands(5, late=late), Prompt(Kind.MARK), lambda _: 0.0, 60.0)[0][0]
        for late in (False, True)
    )
    assert late == pytest.approx(6.0 * usual, rel=0.01)


def test_reseating_comes_before_the_mark() -> None:
    """Hose off and on, some seconds, then the button."""
    acts = _acts(Hands(6), Prompt(Kind.RESEAT), lambda _: 0.0, 40.0)
    assert [act for _, act in acts] == [Act.RESEAT, Act.PRESS_MARK, Act.RELEASE_MARK]
    assert acts[0][0] > 5.0
    assert acts[1][0] - acts[0][0] > 0.7


def test_hands_follow_from_their_seed_and_not_from_the_ticks() -> None:
    """The same seed acts at the same times, to a tick; another at others."""
    runs = [
        _acts(Hands(seed), PUMP, lambda strokes: 8e3 * strokes, 20.0, tick_s=tick_s)
        for seed, tick_s in ((7, 0.01), (7, 0.01), (7, 0.05), (8, 0.01))
    ]
    assert runs[0] == runs[1]
    assert runs[0] != runs[3]
    for (fine_s, _), (coarse_s, _) in zip(runs[0], runs[2], strict=True):
        assert 0.0 <= coarse_s - fine_s <= 0.05
