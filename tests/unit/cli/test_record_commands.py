"""Tests of the commands that work on the record, over runs that were really made, in fast time.

The simulated parts are those of the shelf: N01 leaks 0.15 standard cm3/min, N03 has nothing behind
its nipple.
"""

import contextlib
import io
import json
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from rig import words
from rig.cli.kept_hold import last_hold
from rig.cli.main import run
from rig.clock import SystemClock
from rig.sim.plant import BenchPlant
from rig.store.store import Store

SEEN_TO = ("no_bleed", "no_delay", "one_stage", "nipple_clear")


def rig(*arguments: str) -> tuple[int, str, str]:
    """Run one command line; return its exit status, what it printed and what it said of errors."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        status = run(list(arguments))
    return status, out.getvalue(), err.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make the runs: 1 N01 passes, 2 N03 is spoiled, 3 N03 fails once its nipple is clear."""
    folder = tmp_path_factory.mktemp("record")
    at = ("--simulated", "--fast", "--data", str(folder))
    confirmed = [each for code in SEEN_TO for each in ("--confirm", code)]
    assert rig("test", "N01", *at)[0] == 0
    assert rig("test", "N03", *at)[0] == 6
    assert rig("test", "N03", *at, *confirmed)[0] == 1
    return folder


@pytest.fixture
def record(made: Path, tmp_path: Path) -> Path:
    """Copy the record, to be changed."""
    return Path(shutil.copytree(made, tmp_path / "record"))


def told(folder: Path, *arguments: str) -> Any:
    """Get what a command tells a program."""
    status, out, _ = rig(*arguments, "--data", str(folder), "--json")
    assert status in (0, 1, 6, 7)
    return json.loads(out)


def said(folder: Path, *arguments: str) -> str:
    """Get what a command tells a person."""
    status, out, err = rig(*arguments, "--data", str(folder))
    assert (status, err) == (0, "")
    assert max(map(len, out.splitlines())) <= 100
    return " ".join(out.split())


def refused(folder: Path, status: int, *arguments: str) -> str:
    """Get the one sentence that refuses a command."""
    got, _, err = rig(*arguments, "--data", str(folder))
    assert got == status
    assert err.startswith("rig: ")
    assert err.count("\n") == 1
    return err


def test_a_run_is_shown_with_its_truth(made: Path) -> None:
    """The leak of N01 within 3 u, its outcome, its limit and whose it is, every step and prompt."""
    run_1 = told(made, "show", "1")
    (test,) = run_1["result"]["tests"]
    leak = next(each for each in test["measured"] if each["name"] == "leak")
    assert abs(leak["value"] - 0.15 / 6e7) < 3.0 * leak["u"]
    assert (run_1["result"]["outcome"], test["outcome"]) == ("pass", "pass")
    assert [step["name"] for step in run_1["steps"]][:2] == ["hold/zero", "hold/rest.pull"]
    text = said(made, "show", "1")
    for part in ("run 1, N01: pass", "rig default, not a specification", "Fingers clear"):
        assert part in text


def test_a_blocked_nipple_is_spoiled_first_and_fails_once_it_is_clear(made: Path) -> None:
    """It holds like a rock, and is not believed."""
    assert "Probe it for paint" in said(made, "show", "2")
    assert "the passage is blocked" in said(made, "show", "3")


def test_the_shelf_and_the_stories_show_how_each_part_stands(made: Path) -> None:
    """N01 passed and N03 failed, each with its runs."""
    shelf = said(made, "parts")
    assert "N01 choke pull-off not known used pass" in shelf
    assert "N03 choke pull-off not known used fail" in shelf
    story = said(made, "history", "N03")
    assert story.index("run 2, before") < story.index("run 3, before")
    assert "test spoiled" in story
    assert len(told(made, "history")["runs"]) == 3


def test_what_is_changed_stays_on_record(record: Path) -> None:
    """Void, move, rename, retire and rebuilt: each with its reason, and nothing is gone."""
    at = ("--data", str(record))
    assert rig("void", "3", "--reason", "hose pinched", *at)[0] == 0
    assert rig("move", "1", "N03", "--reason", "tags mixed up", *at)[0] == 0
    assert rig("parts", "rename", "N03", "N33", "--reason", "label lost", *at)[0] == 0
    story = said(record, "history", "N03")
    for part in (
        "N33:",
        "void: hose pinched",
        "tags mixed up",
        "label lost",
        "before fitting: pass",
    ):
        assert part in story
    assert rig("parts", "rebuilt", "N33", "--note", "new diaphragm", *at)[0] == 0
    assert "not since it was rebuilt" in said(record, "history", "N33")
    assert rig("parts", "retire", "N33", "--reason", "sold", *at)[0] == 0
    assert "used, retired" in said(record, "parts")
    assert "retired: sold" in said(record, "history", "N33")


def test_judged_again_a_run_comes_out_as_it_was_stored(made: Path) -> None:
    """From raw counts, with the exit status of each outcome."""
    at = ("--data", str(made))
    assert [rig("reanalyse", number, *at)[0] for number in ("1", "2", "3")] == [0, 6, 1]
    assert "just as" in said(made, "reanalyse", "1")


def test_a_program_is_told_that_judging_again_agrees(made: Path) -> None:
    """Old and new side by side, the same; under a sheet's limits there is no agreeing."""
    again = told(made, "reanalyse", "1")
    assert (again["agrees"], again["differences"], again["limits"]) == (True, [], None)
    assert again["stored"] == again["now"]
    assert (again["run"], again["tag"]) == (1, "N01")


def test_the_last_hold_is_drawn_as_it_was_judged(made: Path, tmp_path: Path) -> None:
    """The picture's drop is the stored one; every line is there; what no hold made is not drawn."""
    plot = tmp_path / "run.svg"
    assert "run 1, N01: pass" in said(made, "show", "1", "--plot", str(plot))
    drawn = plot.read_text(encoding="utf-8")
    for label in ("pass: run 1, N01", "recorded", "fitted to it", "a leak at the limit"):
        assert f">{label}<" in drawn
    with Store.open(made, SystemClock(), threaded=False) as store:
        kept = store.load(1)
        hold = last_hold(kept, store.load)
    assert kept.result is not None
    stored = {each.name: each.estimate for each in kept.result.tests[0].measured}
    assert hold.result.equivalent_drop == stored["equivalent_drop"]
    assert hold.conditions.ambient_pa == stored["ambient"].value
    # The volume held is that of the rig, which nobody measured, and of the part on its stop.
    assert hold.conditions.volume_m3 == pytest.approx(25e-6 + stored["stop_volume"].value)
    assert "no hold that can be drawn" in refused(made, 3, "show", "3", "--plot", str(plot))
    assert plot.read_text(encoding="utf-8") == drawn
    assert ".svg" in refused(made, 2, "show", "1", "--plot", str(tmp_path / "run.png"))


def test_a_stored_figure_that_was_changed_is_found(record: Path) -> None:
    """One quantity edited by hand in the file: told as a difference, status 5."""
    with contextlib.closing(sqlite3.connect(record / "record.db")) as connection, connection:
        changed = connection.execute("UPDATE quantity SET value = value * 1.01 WHERE name = 'leak'")
        assert changed.rowcount == 1
    status, out, _ = rig("reanalyse", "1", "--data", str(record))
    assert status == 5
    assert "That is a defect of the program" in " ".join(out.split())
    assert "hold: leak" in out
    status, out, _ = rig("reanalyse", "1", "--data", str(record), "--json")
    again = json.loads(out)
    assert (status, again["agrees"]) == (5, False)
    assert [(each["test"], each["what"]) for each in again["differences"]] == [("hold", "leak")]


def test_a_stored_outcome_that_was_changed_is_found(record: Path) -> None:
    """A fail turned into a pass by hand: of the run and of its test, both are told."""
    with contextlib.closing(sqlite3.connect(record / "record.db")) as connection, connection:
        for table in ("run", "test"):
            connection.execute(f"UPDATE {table} SET outcome = 'pass' WHERE run = 3")  # noqa: S608
    status, out, _ = rig("reanalyse", "3", "--data", str(record), "--json")
    assert status == 5
    assert [
        (each["test"], each["stored"], each["now"]) for each in json.loads(out)["differences"]
    ] == [(None, "pass", "fail"), ("hold", "pass", "fail")]


def test_under_another_limit_old_stands_beside_new(made: Path, tmp_path: Path) -> None:
    """A sheet that allows next to nothing turns the pass; the record stays as it was."""
    sheet = tmp_path / "sheet.toml"
    sheet.write_text(
        'part_number = "UM-P11"\nmake = "Umbrevan"\n'
        "[limits.hold]\n"
        'shape = "drop"\nat_most = "0.02 inHg"\nfrom = "15 inHg"\nwithin = "20 s"\n'
        'reference_volume = "45 cm3"\nsource = "made up for a test"\n',
        encoding="utf-8",
    )
    at = ("--data", str(made), "--json")
    status, out, err = rig("reanalyse", "1", "--limits", str(sheet), "--data", str(made))
    assert err == ""
    assert status in (1, 7)
    assert "0.02 inHg" in out
    assert out.index("As stored: pass") < out.index("(Umbrevan UM-P11): ")
    again = json.loads(rig("reanalyse", "1", "--limits", str(sheet), *at)[1])
    assert (again["agrees"], again["limits"]["part_number"]) == (None, "UM-P11")
    assert (again["stored"]["outcome"], again["now"]["outcome"] in ("fail", "undecided")) == (
        "pass",
        True,
    )
    measured = rig("reanalyse", "1", "--limits", str(sheet), "--purpose", "just-measure", *at)
    assert json.loads(measured[1])["now"]["outcome"] == "measured"
    assert told(made, "show", "1")["result"]["outcome"] == "pass"


def test_limits_that_do_not_fit_the_run_are_refused(made: Path, tmp_path: Path) -> None:
    """A sheet for another test, a sheet with faults, a purpose without limits."""
    sheet = tmp_path / "sheet.toml"
    limit = 'shape = "drop"\nat_most = "1 inHg"\nfrom = "15 inHg"\nwithin = "20 s"\nsource = "x"\n'
    sheet.write_text(f'part_number = "A"\nmake = "B"\n[limits.sweep]\n{limit}', encoding="utf-8")
    assert "nothing to judge" in refused(made, 3, "reanalyse", "1", "--limits", str(sheet))
    sheet.write_text(f"[limits.hold]\n{limit}", encoding="utf-8")
    assert "part_number" in refused(made, 3, "reanalyse", "1", "--limits", str(sheet))
    assert "--limits" in refused(made, 2, "reanalyse", "1", "--purpose", "for-sale")


def test_a_damaged_record_is_loud_and_comes_back_from_a_backup(record: Path) -> None:
    """The way back is named, needs a yes, and keeps what was damaged aside."""
    at = ("--data", str(record))
    assert rig("backup", *at)[0] == 0
    newest = rig("backup", "--list", *at)[1].splitlines()[0]
    for log in record.glob("record.db-*"):
        log.unlink()
    (record / "record.db").write_bytes(b"\0" * 8192)
    assert "rig restore" in refused(record, 5, "parts")
    assert rig("restore", newest, "--yes", *at)[0] == 0
    assert "N01" in said(record, "parts")
    kept = [each for each in record.iterdir() if each.is_file() and each.stat().st_size == 8192]
    assert kept, "the damaged file was thrown away"


def test_refusals_are_one_sentence_each(made: Path, tmp_path: Path) -> None:
    """What is not there is named, and what to do."""
    assert "run 9" in refused(made, 3, "show", "9")
    assert "N99" in refused(made, 3, "history", "N99")
    assert "rig parts add" in refused(tmp_path / "empty", 5, "parts")
    assert "reason" in refused(made, 3, "void", "1", "--reason", " ").lower()
    assert "N01" in refused(
        made,
        3,
        *("parts", "add", "N01", "--family", "choke_pull_off", "--condition", "used"),
        *("--number-unreadable", "rust", "--number-unclaimed", "nobody said"),
    )


def test_options_that_do_not_fit_together_are_refused() -> None:
    """A simulated bench's options without one; a simulated part that there is not."""
    status, _, err = rig("test", "N01", "--fast")
    assert (status, "--simulated" in err) == (2, True)
    status, _, err = rig("test", "X99", "--simulated", "--fast")
    assert (status, "N01" in err) == (3, True)
    status, _, err = rig("test", "N01", "--bench", "/nowhere.toml")
    assert (status, "/nowhere.toml" in err) == (3, True)


def test_a_dry_run_lists_its_steps_and_moves_nothing(tmp_path: Path) -> None:
    """Sixteen steps, none wider than the screen, and no run on record."""
    at = ("--simulated", "--data", str(tmp_path))
    status, out, _ = rig("test", "N01", "--dry-run", *at)
    assert status == 0
    assert "16" in out
    assert "Fingers clear" in out
    assert max(map(len, out.splitlines())) <= 100
    assert told(tmp_path, "history")["runs"] == []


def test_the_rigs_own_volume_is_measured_by_its_syringe(tmp_path: Path) -> None:
    """Within 2 u of the simulated rig's true volume."""
    at = ("--simulated", "--fast", "--data", str(tmp_path))
    status, out, _ = rig("selftest", "--syringe", "--json", *at)
    assert status == 0
    (test,) = json.loads(out)["result"]["tests"]
    volume = next(each for each in test["measured"] if each["name"] == "rig_volume")
    true_m3 = BenchPlant().gas.manifold.volume_m3
    assert abs(volume["value"] - true_m3) < 2.0 * volume["u"]
    assert volume["u"] < 0.03 * true_m3


def test_files_are_judged_by_what_they_are(tmp_path: Path) -> None:
    """A bench file and a family file that are sound, and a bench file with two faults at once."""
    root = Path(words.__file__).parents[2]
    for sound in ("hardware/bench.toml", "rig/parts/families/choke_pull_off.toml"):
        assert rig("check-config", str(root / sound))[0] == 0
    text = (root / "hardware/bench.toml").read_text(encoding="utf-8")
    broken = tmp_path / "bench.toml"
    broken.write_text(
        text.replace('factory = "lgpio"', 'factory = "lgpoi"').replace(
            "rate_hz = 200", "rate_hz = 5"
        ),
        encoding="utf-8",
    )
    status, out, err = rig("check-config", str(broken))
    assert status == 3
    for part in ("pins.factory", "link.rate_hz", "line"):
        assert part in out + err


def test_every_sentence_is_in_the_list_of_words() -> None:
    """A program and a person can read all that is ever said, as one list."""
    status, out, _ = rig("words", "--json")
    assert status == 0
    everything = json.dumps(json.loads(out))
    for template in words.SENTENCES.values():
        assert json.dumps(template)[1:-1] in everything


def test_families_say_what_they_warn_of() -> None:
    """The cautions stand where a part's kind is looked up."""
    status, out, _ = rig("families")
    assert status == 0
    plain = " ".join(out.split())
    assert "snaps back" in plain
    assert "service manual" in plain
