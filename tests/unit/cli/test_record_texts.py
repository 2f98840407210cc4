"""Tests of what the commands over the record say, word by word, over a record made by hand."""

import contextlib
import io
import json
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from rig.cli.main import run
from rig.clock import SystemClock
from rig.store.store import Store
from tests.unit.cli.shop_record import NOW, PLAN, SetClock, make_record
from tests.unit.store.kept import SETUP

Rig = Callable[..., tuple[int, str, str]]
PARTS = """\
tag  part               number          condition      standing
N01  choke pull-off     UM-P11          old stock      pass, 5 days ago
N02  choke pull-off     UM-P12 (named)  old stock      fail, 4 days ago
N03  choke pull-off     not known       used, retired  not tested (no run yet)
X9   float_valve, tall  not known       not known      not known
"""
STORY_N01 = """\
N01: choke pull-off, direct-acting, no bleed

number on it        UM-P11
number named        none: came without papers
make                Umbrevan
date code           7 B 4
condition           old stock
from                clearance, box of twelve
seen                painted nipple, rust
standing            before fitting: pass, 5 days ago
                    hold: pass, run 1

2026-03-04 09:00  taken in as N01
2026-03-04 10:00  run 1, before fitting: pass
                  hold: pass; leak 1.90 cm3/min ANR, give or take 0.21; on a hand gauge 0.42
                  inHg, give or take 0.05
clock not set     run 2, before fitting: fail; void: hose pinched
                  hold: fail; leak 9.0 cm3/min ANR, give or take 0.9; on a hand gauge 2.00 inHg,
                  give or take 0.20
2026-03-05 09:00  run 2 made void: hose pinched
"""
RUN_1 = """\
run 1, N01: pass

part                choke pull-off, direct-acting, no bleed
purpose             before fitting: a verdict must be 95 % sure
begun               2026-03-04 10:00
ended               finished
confirmed           no bleed, one stage
note                bracket bent
rig's volume        25.1 cm3, give or take 0.4, from syringe
rig's own leak      0.066 cm3/min ANR, give or take 0.024, from run 3
made with           program 0.1.0, board pico with firmware 1.2
recorded            400 frames of 5 channels, none lost

hold: pass
The leak alone drops a hand gauge by 0.42 inHg, give or take 0.05; at most 1 inHg is allowed
(more than 99.9 % sure that it is within).
air of the room     101.1000 kPa, give or take 0.0020
volume on the stop  21.0 cm3, give or take 1.2
leak                1.90 cm3/min ANR, give or take 0.21
on a hand gauge     0.42 inHg, give or take 0.05
held for            20 s
limit               drop at most 1 inHg, from 15 inHg, within 20 s, in 45 cm3 (rig default, not
                    a specification)
judged              pass: more than 99.9 % sure that it is met, and 95 % was asked for; no
                    maker's limit is known
doubt comes from    volume on the stop: the rig's own volume: 1.2 cm3
                    leak: the test volume: 0.19 cm3/min ANR
                    leak: noise of the readings: 0.09 cm3/min ANR
                    on a hand gauge: the test volume: 0.04 inHg
                    on a hand gauge: noise of the readings: 0.020 inHg

Steps
at      lasted  state     step           ended
0.0 s   2.0 s   zeroing   hold/zero      done
12.3 s  20.0 s  settling  hold/one.hold  clear

What happened
2.0 s  Pump to 16 inHg: steady strokes, until the rig shuts the pump off. Fingers clear of the
       rod.

The drop on a hand gauge is that of the leak alone, at sea level and 20 degC. Give or take: in
19 runs of 20 the truth lies within. cm3/min ANR: standard flow, of air at 20 degC, 100 kPa and
65 % relative humidity.
"""


@pytest.fixture(scope="module", name="shop")
def _shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shop")
    make_record(folder)
    return folder


@pytest.fixture(name="rig")
def _rig(monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    """Run one command line on the fifth day after, in a place whose time is UTC."""
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    monkeypatch.setattr(SystemClock, "utc", lambda _: NOW)

    def rig(*arguments: object) -> tuple[int, str, str]:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = run([str(argument) for argument in arguments])
        return status, out.getvalue(), err.getvalue()

    yield rig
    monkeypatch.undo()
    time.tzset()


def _told(rig: Rig, *arguments: object) -> Any:
    status, out, err = rig(*arguments, "--json")
    assert (status, err) == (0, "")
    return json.loads(out)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("parts",), PARTS),
        (("history", "N01"), STORY_N01),
        (("show", "1", "--details"), RUN_1),
    ],
)
def test_a_record_is_told_in_these_words(
    shop: Path, rig: Rig, arguments: tuple[str, ...], expected: str
) -> None:
    """The list of the parts, the story of one and one run, as they stand on the screen."""
    assert rig(*arguments, "--data", shop) == (0, expected, "")


def test_a_run_whose_clock_was_not_set_keeps_its_place(shop: Path, rig: Rig) -> None:
    """Run 2 was made after run 1 and before it was void, whatever year its label shows."""
    assert "1970" not in rig("history", "N01", "--data", shop)[1]
    assert "clock not set" in rig("show", "2", "--data", shop)[1]
    stated = _told(rig, "show", "2", "--data", shop)
    assert (stated["began_utc"], stated["setup"]["clock_was_set"]) == (
        "1970-01-01T00:03:00+00:00",
        False,
    )


def test_a_moved_run_is_told_where_it_is_now(shop: Path, rig: Rig) -> None:
    """With N02, where it belongs, and as a change with N03, where it was made."""
    _, story, _ = rig("history", "N02", "--data", shop)
    assert "run 3, before fitting: fail; moved here from N03\n" in story
    _, other, _ = rig("history", "N03", "--data", shop)
    assert "run 3, before" not in other
    assert "run 3 moved from N03 to N02: tags mixed up\n" in other
    assert "\nnow a run of        N02\n" in rig("show", "3", "--data", shop)[1]
    assert _told(rig, "show", "3", "--data", shop)["tag_now"] == "N02"


def test_a_run_that_a_fault_ended_says_which(shop: Path, rig: Rig) -> None:
    """Its reason stands at its head, and judging again has nothing to judge."""
    status, out, _ = rig("show", "4", "--data", shop)
    assert status == 0
    assert out.startswith("run 4, N02: test spoiled\nThe stop contact is open")
    assert "\nended               ended by a fault\n" in out
    status, out, _ = rig("reanalyse", "4", "--data", shop)
    assert status == 6
    assert out.endswith(
        "The run was ended by a fault. It judged nothing, and nothing is to be judged again.\n"
    )


def test_what_a_newer_program_wrote_is_shown_as_it_stands(shop: Path, rig: Rig) -> None:
    """Codes, families and sources without a word here are neither hidden nor a failure."""
    status, out, err = rig("show", "5", "--details", "--data", shop)
    assert (status, err) == (0, "")
    for part in (
        "float_valve, tall",
        "rod_hung (at_pa 2.5).",
        "creep share ",
        "10.0 %, give or take 2.0",
        "drift of span: 2.0 %",
    ):
        assert part in out
    (test,) = _told(rig, "show", "5", "--data", shop)["result"]["tests"]
    assert test["reasons"][0]["sentence"] == "rod_hung (at_pa 2.5)."
    assert "never taken in" in rig("history", "X9", "--data", shop)[1]


def test_the_newest_runs_are_listed_newest_first(shop: Path, rig: Rig) -> None:
    """As many as are asked for, each with the tag that its part has now."""
    assert rig("history", "--newest", "3", "--data", shop)[1] == (
        "run  begun             part  purpose         outcome\n"
        "5    2026-03-07 09:00  X9    just measure    measured\n"
        "4    2026-03-06 10:00  N02   before fitting  test spoiled\n"
        "3    2026-03-05 10:00  N02   before fitting  fail\n"
    )
    runs = _told(rig, "history", "--newest", "3", "--data", shop)["runs"]
    assert [(each["run"], each["tag"], each["outcome"]) for each in runs] == [
        (5, "X9", "measured"),
        (4, "N02", "invalid"),
        (3, "N02", "fail"),
    ]


def test_a_standing_says_what_is_too_old_to_count(shop: Path, rig: Rig) -> None:
    """With two days allowed, the tests of five and four days ago no longer stand for a part."""
    _, out, _ = rig("parts", "--max-age", "2", "--data", shop)
    said = " ".join(out.split())
    assert "not tested (run 1 is 6 days old, and at most 2 count)" in said
    stated = _told(rig, "parts", "--max-age", "2", "--purpose", "for-sale", "--data", shop)
    assert (stated["purpose"], stated["max_age_days"]) == ("for-sale", 2)
    (missing,) = stated["parts"][0]["standing"]["missing"]
    assert missing["code"] == "standing_too_old"


def test_a_program_finds_a_part_with_all_that_was_written_down(shop: Path, rig: Rig) -> None:
    """The list's shape, with the intake, the standing and null for what is not known."""
    stated = _told(rig, "parts", "--data", shop)
    first, *_, last = stated["parts"]
    assert first == {
        "tag": "N01",
        "retired": None,
        "intake": {
            "tag": "N01",
            "family": "choke_pull_off",
            "variant": "direct",
            "make": "Umbrevan",
            "date_code": "7 B 4",
            "condition": "old_stock",
            "source": "clearance, box of twelve",
            "notes": "",
            "number_read": {"text": "UM-P11", "why_unknown": ""},
            "number_claimed": {"text": None, "why_unknown": "came without papers"},
            "look_over": ["painted_nipple", "rust"],
        },
        "standing": {
            "outcome": "pass",
            "tests": {
                "hold": {"outcome": "pass", "run": 1, "began_utc": "2026-03-04T10:00:00+00:00"}
            },
            "missing": [],
        },
    }
    assert last == {"tag": "X9", "retired": None, "intake": None, "standing": None}


def test_a_program_finds_a_story_with_runs_and_changes(shop: Path, rig: Rig) -> None:
    """Each run with what it measured, each change with its reason and its moment."""
    story = _told(rig, "history", "N01", "--data", shop)
    assert [each["run"] for each in story["runs"]] == [1, 2]
    assert story["runs"][1]["voided"] == "hose pinched"
    drop = next(
        each for each in story["runs"][0]["measured"]["hold"] if each["name"] == "equivalent_drop"
    )
    assert drop["value"] == pytest.approx(0.42 * 3386.389)
    assert [(each["change"], each["run"], each["reason"]) for each in story["changes"]] == [
        ("taken_in", None, ""),
        ("voided", 2, "hose pinched"),
    ]
    assert story["changes"][1]["utc"] == "2026-03-05T09:00:00+00:00"


def test_a_run_that_is_being_made_is_shown_so_far(tmp_path: Path, rig: Rig) -> None:
    """No outcome, no steps, and no judging again before its end."""
    with Store.open(tmp_path, SetClock(), threaded=False, boot_id="boot") as store:
        store.begin(PLAN, SETUP)
        store.flush()
        status, out, _ = rig("show", "1", "--data", tmp_path)
        assert (status, out.split("\n")[0]) == (0, "run 1, N01: being made")
        assert "Steps" not in out
        assert _told(rig, "show", "1", "--data", tmp_path)["result"] is None
        assert "being made" in rig("history", "--data", tmp_path)[1]
        status, _, err = rig("reanalyse", "1", "--data", tmp_path)
        assert (status, "still being made" in err) == (3, True)


def test_yesterday_and_today_have_their_words(
    shop: Path, rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the calendar: run 1 was made at ten, and at nine the next day that is yesterday."""
    for later, word in ((timedelta(hours=1), "today"), (timedelta(hours=23), "yesterday")):
        at_utc = NOW.replace(day=4, hour=10) + later
        monkeypatch.setattr(SystemClock, "utc", lambda _, at_utc=at_utc: at_utc)
        assert f"pass, {word}\n" in rig("parts", "--data", shop)[1]
