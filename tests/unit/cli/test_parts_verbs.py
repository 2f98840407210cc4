"""Tests of `rig parts add` and its sisters: what is kept, what is said, what is refused."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.cli.main import run
from rig.clock import SystemClock
from rig.store.store import Store

Rig = Callable[..., tuple[int, str, str]]
ADD = ("parts", "add", "N01", "--family", "choke_pull_off", "--condition", "used")


@pytest.fixture(name="rig")
def _rig(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Rig:
    """Run one command line over a record of its own."""

    def rig(*arguments: str) -> tuple[int, str, str]:
        capsys.readouterr()
        status = run([*arguments, "--data", str(tmp_path)])
        said = capsys.readouterr()
        return status, said.out, said.err

    return rig


def test_everything_written_down_is_kept(rig: Rig) -> None:
    """Every option of an intake comes back as it was given."""
    status, out, err = rig(
        *ADD,
        *("--variant", "direct", "--number-read", "UM-P11", "--number-claimed", "UM-P12"),
        *("--make", "Umbrevan", "--date-code", "7 B 4", "--source", "box of twelve"),
        *("--notes", "bracket bent", "--saw", "liquid_inside", "--saw", "rust", "--json"),
    )
    assert (status, err) == (0, "")
    assert json.loads(out) == {
        "tag": "N01",
        "retired": None,
        "intake": {
            "tag": "N01",
            "family": "choke_pull_off",
            "variant": "direct",
            "make": "Umbrevan",
            "date_code": "7 B 4",
            "condition": "used",
            "source": "box of twelve",
            "notes": "bracket bent",
            "number_read": {"text": "UM-P11", "why_unknown": ""},
            "number_claimed": {"text": "UM-P12", "why_unknown": ""},
            "look_over": ["liquid_inside", "rust"],
        },
    }
    assert "liquid inside, rust" in rig("history", "N01")[1]


def test_what_is_not_said_is_noted_as_such(rig: Rig) -> None:
    """The only variant is taken; a number that nobody spoke of is not made up."""
    status, out, _ = rig(*ADD)
    assert status == 0
    assert out.startswith("N01 is taken in: choke pull-off, direct-acting, no bleed.\n")
    intake = json.loads(rig("parts", "--json")[1])["parts"][0]["intake"]
    assert intake["variant"] == "direct"
    assert intake["number_read"] == {"text": None, "why_unknown": "not said when it came in"}


def test_the_cautions_stand_where_the_hand_is(rig: Rig) -> None:
    """Whoever takes a part in reads what can hurt with its kind."""
    _, out, _ = rig(*ADD)
    said = " ".join(out.split())
    assert "take care The rod is sprung and snaps back" in said
    assert "local rules and licensed practice come before" in said


@pytest.mark.parametrize(
    ("arguments", "status", "part"),
    [
        ((*ADD, "--number-read", "A", "--number-unreadable", "rust"), 2, "--number-unreadable"),
        ((*ADD, "--number-claimed", "A", "--number-unclaimed", "x"), 2, "--number-unclaimed"),
        ((*ADD, "--number-read", " "), 3, "part number is missing"),
        ((*ADD, "--variant", "dirct"), 3, "Did you mean 'direct'?"),
        ((*ADD, "--saw", "dust"), 2, "dust"),
        (("parts", "add", "N01", "--family", "choke_pulloff", "--condition", "new"), 3, "mean"),
        (("parts", "add", "N01", "--family", "choke_pull_off"), 2, "--condition"),
        (("parts", "add", "N 1", *ADD[3:]), 3, "no tag"),
        (("parts", "add", "Rig", *ADD[3:]), 3, "the rig's own runs"),
        (("parts", "rename", "N09", "N10", "--reason", "x"), 3, "N09"),
        (("parts", "rename", "N09", "rig", "--reason", "x"), 3, "the rig's own runs"),
        (("parts", "retire", "N09"), 2, "--reason"),
        (("parts", "rebuilt", "N09", "--note", "x"), 3, "N09"),
        (("parts", "lend", "N09"), 2, "lend"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(
    rig: Rig, arguments: tuple[str, ...], status: int, part: str
) -> None:
    """The exit status of its kind, what is wrong, and the same to a program."""
    assert rig("parts", "add", "X1", *ADD[3:])[0] == 0
    got, out, err = rig(*arguments)
    assert (got, out) == (status, "")
    assert err.startswith("rig: ")
    assert err.count("\n") == 1
    assert part in err
    got, out, _ = rig(*arguments, "--json")
    assert got == status
    assert json.loads(out) == {"error": err.removeprefix("rig: ").strip(), "exit_status": status}


def test_each_change_is_said_and_told(rig: Rig) -> None:
    """One sentence to a person; to a program the part with all its changes."""
    rig(*ADD)
    status, out, _ = rig("parts", "rename", "N01", "N11", "--reason", "label lost")
    assert (status, out) == (
        0,
        "N01 is N11 from now on, and N01 still finds it. Change the label.\n",
    )
    _, out, _ = rig("parts", "rebuilt", "n01", "--note", "new diaphragm")
    assert out.startswith("N11 is noted as rebuilt.")
    _, out, _ = rig("parts", "retire", "N11", "--reason", "sold", "--json")
    told = json.loads(out)
    assert (told["tag"], told["retired"], told["intake"]["tag"]) == ("N11", "sold", "N01")
    assert [(each["change"], each["reason"]) for each in told["changes"]] == [
        ("taken_in", ""),
        ("renamed", "label lost"),
        ("rebuilt", "new diaphragm"),
        ("retired", "sold"),
    ]


def test_an_empty_record_says_how_it_is_filled(rig: Rig, tmp_path: Path) -> None:
    """No parts and no runs yet, in words; empty lists to a program."""
    Store.open(tmp_path, SystemClock(), threaded=False).close()
    assert rig("parts")[:2] == (0, "No parts yet: `rig parts add` takes one in.\n")
    assert rig("history")[:2] == (0, "No runs yet.\n")
    assert json.loads(rig("parts", "--json")[1])["parts"] == []
