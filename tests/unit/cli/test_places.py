"""Tests of where a command looks for the record: --data, --bench, RIG_DATA, the home folder."""

from pathlib import Path

import pytest

from rig.cli.main import run
from rig.cli.places import Place
from rig.errors import BenchError, StoreError
from rig.sim.bench import simulated_bench_text


@pytest.fixture(name="bench")
def _bench(tmp_path: Path) -> Path:
    file = tmp_path / "bench.toml"
    file.write_text(simulated_bench_text("/dev/board", tmp_path / "of-bench"), encoding="utf-8")
    return file


def test_the_nearer_word_counts(
    tmp_path: Path, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--data before --bench, --bench before RIG_DATA, RIG_DATA before ~/stillgauge."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.delenv("RIG_DATA", raising=False)
    assert Place(None, None).folder == tmp_path / "home/stillgauge"
    monkeypatch.setenv("RIG_DATA", "~/elsewhere")
    assert Place(None, None).folder == tmp_path / "home/elsewhere"
    assert Place(None, bench).folder == tmp_path / "of-bench"
    assert Place(Path("~/given"), bench).folder == tmp_path / "home/given"


def test_an_empty_variable_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As `RIG_DATA= rig parts` sets it."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("RIG_DATA", "")
    assert Place(None, None).folder == tmp_path / "stillgauge"


def test_a_bench_file_with_a_fault_is_refused(tmp_path: Path) -> None:
    """Its faults are told; no other folder is taken in its place."""
    with pytest.raises(BenchError, match=r"nowhere\.toml"):
        Place(None, tmp_path / "nowhere.toml").folder  # noqa: B018 - it must raise


def test_whoever_reads_begins_no_record(tmp_path: Path) -> None:
    """A slip in the folder's name makes no folder: it is said, with what begins one."""
    wrong = tmp_path / "stilgauge"
    for arguments in (
        ["parts"],
        ["history"],
        ["show", "1"],
        ["void", "1", "--reason", "x"],
        ["reanalyse", "1"],
        ["backup"],
        ["parts", "retire", "N01", "--reason", "x"],
    ):
        assert run([*arguments, "--data", str(wrong)]) == StoreError.exit_status
        assert not wrong.exists()


def test_a_lost_record_is_not_taken_for_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Backups without their database mean that it was lost, not that it never was."""
    (tmp_path / "backups").mkdir()
    (tmp_path / "backups/record-000001-20260304T090000Z.db").write_bytes(b"torn")
    assert run(["parts", "--data", str(tmp_path)]) == StoreError.exit_status
    err = capsys.readouterr().err
    assert "missing" in err
    assert "begins one" not in err


def test_an_option_before_the_verb_counts_for_the_verb(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """`rig parts --data F add N01 ...` keeps the part in F; one behind the verb is nearer."""
    monkeypatch.setenv("RIG_DATA", str(tmp_path / "never"))
    add = ["add", "N01", "--family", "choke_pull_off", "--condition", "new"]
    first, second = tmp_path / "first", tmp_path / "second"
    assert run(["parts", "--data", str(first), *add]) == 0
    assert run(["parts", "--data", str(first), *add, "--data", str(second)]) == 0
    for folder in (first, second):
        capsys.readouterr()
        assert run(["parts", "--data", str(folder)]) == 0
        assert "N01" in capsys.readouterr().out
    assert not (tmp_path / "never").exists()
