"""Fault 10: works by hand, fails as a service.

What must hold: wherever it is started from, what it needs and cannot have is one clear sentence of
our own and its exit status; the working directory is not needed.
"""

import os
import subprocess
from pathlib import Path

from tests.scenario.service import PROGRAM, ROOT, bench_of, service


def _run(*arguments: str, folder: str = "/") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*PROGRAM, *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        stdin=subprocess.DEVNULL,
        timeout=60.0,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )


def _is_one_sentence(said: str) -> bool:
    return said.startswith("rig: ") and said.count("\n") == 1 and "Traceback" not in said


def test_a_bench_file_that_is_not_there_is_named() -> None:
    """The file, what is wrong, and what to do; status 3."""
    done = _run("serve", "--bench", "/nowhere/bench.toml")
    assert done.returncode == 3
    assert _is_one_sentence(done.stderr)
    assert "/nowhere/bench.toml" in done.stderr


def test_a_data_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "taken").write_text("not a folder")
    done = _run("serve", "--simulated", "--data", str(tmp_path / "taken"))
    assert done.returncode in (3, 5)
    assert _is_one_sentence(done.stderr)
    assert str(tmp_path / "taken") in done.stderr


def test_real_pins_without_a_board_are_told(tmp_path: Path) -> None:
    """A bench file for a board, started where there is none: no traceback of a library."""
    text = bench_of(tmp_path).text
    file = tmp_path / "bench.toml"
    lines = [line for line in text.splitlines() if not line.startswith("journal")]
    file.write_text("\n".join(lines).replace('"mock"', '"lgpio"'), encoding="utf-8")
    done = _run("serve", "--bench", str(file))
    assert done.returncode == 3
    assert _is_one_sentence(done.stderr)
    assert "lgpio" in done.stderr


def test_a_second_service_on_the_same_record_is_refused_its_runs(tmp_path: Path) -> None:
    """The record has one program that makes runs; the other is told so, with status 5."""
    with service(tmp_path):
        done = _run("serve", "--simulated", "--port", "0", "--data", str(tmp_path))
    assert done.returncode == 5
    assert _is_one_sentence(done.stderr)
