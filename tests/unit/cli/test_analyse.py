"""Tests of `rig analyse` from end to end: a file in, words, numbers and an exit status out.

The curves are those of a laminar leak, p = p_a tanh(r t/p_a + artanh(p_s/p_a)), with gas that warms
and a noisy sensor; what must come out follows from the same closed form.
"""

import json
import math
import os
import resource
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rig.cli.main import run
from tests.support.leak_curves import two_leaks
from tests.support.leaks import Leak, leak_with_drop

INHG = 3386.389
SEA_LEVEL = 101_325.0
FROM_PA = SEA_LEVEL - 15.0 * INHG
VOLUME_CC, REFERENCE_CC = 75.0, 45.0
LIMIT = ["--from=15inHg", "--max-drop=1inHg", "--within=20s", "--reference-volume=45cc"]
HEAD = "# ambient_kpa: 101.325\n# gas_temperature_c: 20.0\n# volume_cc: 75.0\n# volume_u_cc: 0.75\n"
Run = Callable[..., tuple[int, str, str]]


def _rate_pa_s(drop_inhg: float) -> float:
    """Compute dp/dt into a perfect vacuum, in 75 cm3, of a leak with this drop under the limit."""
    end_pa = FROM_PA + drop_inhg * INHG
    angle = math.atanh(end_pa / SEA_LEVEL) - math.atanh(FROM_PA / SEA_LEVEL)
    return SEA_LEVEL * angle / 20.0 * REFERENCE_CC / VOLUME_CC


def _laminar(drop_inhg: float, hold_s: float = 40.0) -> tuple[np.ndarray, np.ndarray]:
    """Make a hold from 15.6 inHg, 50 samples a second: leak, 600 Pa of settling, 8 Pa of noise."""
    time_s = np.arange(0.0, hold_s, 0.02)
    start_pa = SEA_LEVEL - 15.6 * INHG
    angle = math.atanh(start_pa / SEA_LEVEL) + _rate_pa_s(drop_inhg) * time_s / SEA_LEVEL
    noise = np.random.default_rng(20_260_101).normal(0.0, 8.0, time_s.size)
    settling = 600.0 * (1.0 - np.exp(-time_s / 1.2))
    return time_s, SEA_LEVEL * np.tanh(angle) + settling + noise


def _write(folder: Path, curve: tuple[np.ndarray, np.ndarray], head: str = HEAD) -> Path:
    time_s, pressure_pa = curve
    rows = "".join(
        f"{t:.3f},{p / 1000.0:.4f}\n"
        for t, p in zip(time_s.tolist(), pressure_pa.tolist(), strict=True)
    )
    path = folder / "curve.csv"
    path.write_text(f"{head}t_s,pressure_kpa\n{rows}")
    return path


@pytest.fixture(name="run_rig")
def _run_rig(capsys: pytest.CaptureFixture[str]) -> Run:
    def run_rig(*arguments: object) -> tuple[int, str, str]:
        status = run([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return status, said.out, said.err

    return run_rig


@pytest.mark.parametrize(("drop_inhg", "status", "outcome"), [(0.4, 0, "pass"), (2.0, 1, "fail")])
def test_a_leak_well_off_the_limit_is_judged(
    tmp_path: Path, run_rig: Run, drop_inhg: float, status: int, outcome: str
) -> None:
    """Outcome, exit status and the drop on a hand gauge are those of the closed form."""
    curve = _write(tmp_path, _laminar(drop_inhg))
    got, out, err = run_rig("analyse", curve, *LIMIT, "--json")
    stated = json.loads(out)
    assert (got, stated["outcome"], err) == (status, outcome, "")
    drop = stated["equivalent_drop_inhg"]
    # The file holds the very volume, ambient and temperature that it states: three standard
    # uncertainties, those of span and volume included, are more than any error left.
    assert abs(drop["value"] - drop_inhg) <= 3.0 * drop["u"]
    assert drop["u"] < 0.05 * drop_inhg
    assert math.fsum(u * u for u in drop["sources"].values()) == pytest.approx(
        drop["u"] ** 2, rel=1e-4
    )
    got, out, err = run_rig("analyse", curve, *LIMIT)
    assert (got, out.splitlines()[0], err) == (status, outcome, "")


def test_a_leak_at_the_limit_is_too_close_to_call(tmp_path: Path, run_rig: Run) -> None:
    """With a volume known to 5 % a drop of 1.0 against 1.0 inHg is neither pass nor fail."""
    curve = _write(tmp_path, _laminar(1.0), HEAD.replace("0.75", "3.75"))
    status, out, _ = run_rig("analyse", curve, *LIMIT)
    assert status == 7
    assert out.startswith("too close to call\n")
    assert "Hold longer" in out


def test_a_hose_that_comes_off_spoils_the_test(tmp_path: Path, run_rig: Run) -> None:
    """Exit status 6, no word about the part, and a picture with the place marked."""
    time_s, pressure_pa = _laminar(0.4)
    gone = time_s > 25.0
    pressure_pa[gone] = SEA_LEVEL + (pressure_pa[gone] - pressure_pa[gone].mean()) * 0.01
    plot = tmp_path / "plot.svg"
    status, out, _ = run_rig(
        "analyse", _write(tmp_path, (time_s, pressure_pa)), *LIMIT, "--plot", plot, "--json"
    )
    stated = json.loads(out)
    assert (status, stated["outcome"], stated["leak_std_cm3_min"]) == (6, "invalid", None)
    assert stated["findings"][0]["code"] == "hose_off"
    assert stated["findings"][0]["figures"]["time_s"] == pytest.approx(25.0, abs=0.5)
    assert "hose off" in plot.read_text()


def test_without_a_limit_the_leak_is_measured(tmp_path: Path, run_rig: Run) -> None:
    """No verdict, exit status 0, and the flow that the closed form's slope stands for.

    At 15.6 inHg: q = dp/dt V / (rho0 R T), rho0 R T = 1.185 x 288 x 293.15 Pa.
    """
    curve = _write(tmp_path, _laminar(0.4))
    status, out, _ = run_rig("analyse", curve, "--json")
    stated = json.loads(out)
    assert (status, stated["outcome"], stated["purpose"]) == (0, "measured", "just-measure")
    assert stated["probability_of_conformity"] is None
    assert stated["limit"]["max_drop_inhg"] is None
    assert stated["limit"]["reference_volume_cc"] == 75.0
    assert len(stated["notes"]) == 2
    from_pa = stated["limit"]["from_inhg"] * INHG
    assert from_pa == pytest.approx(15.6 * INHG, abs=100.0)
    slope = _rate_pa_s(0.4) * (1.0 - ((SEA_LEVEL - from_pa) / SEA_LEVEL) ** 2)
    flow = slope * 75e-6 / (1.185 * 288.0 * 293.15) * 6e7
    leak = stated["leak_std_cm3_min"]
    assert abs(leak["value"] - flow) <= 3.0 * leak["u"]


def test_a_purpose_decides_how_sure_a_verdict_must_be(tmp_path: Path, run_rig: Run) -> None:
    """For sale asks for 99 %; just to measure judges nothing, with a limit or without."""
    curve = _write(tmp_path, _laminar(0.4))
    _, out, _ = run_rig("analyse", curve, *LIMIT, "--purpose", "for-sale", "--json")
    assert json.loads(out)["limit"]["confidence"] == 0.99
    status, out, _ = run_rig("analyse", curve, *LIMIT, "--purpose", "just-measure", "--json")
    stated = json.loads(out)
    assert (status, stated["outcome"]) == (0, "measured")
    assert stated["limit"]["from_inhg"] == 15.0
    status, _, err = run_rig("analyse", curve, "--purpose", "for-sale")
    assert status == 2
    assert "needs a limit" in err


def test_options_override_the_lines_of_the_file(tmp_path: Path, run_rig: Run) -> None:
    """Each option arrives, and what the file says instead does not."""
    curve = _write(tmp_path, _laminar(0.4))
    _, out, _ = run_rig(
        "analyse", curve, *LIMIT, "--json", "--ambient", "101.2kPa", "--ambient-u", "1mbar",
        "--gas-temperature", "68degF", "--gas-temperature-u", "0.5degC", "--volume", "80cc",
        "--volume-u", "2cc", "--span-u", "0.5%", "--own-leak", "0.05 cm3/min ANR",
        "--own-leak-u", "0.01 cm3/min ANR", "--source", "Tessomar manual, page 8-12",
    )  # fmt: skip
    stated = json.loads(out)
    assert stated["conditions"] == {
        "ambient_pa": 101_200.0,
        "ambient_u_pa": 100.0,
        "gas_temperature_k": 293.15,
        "gas_temperature_u_k": 0.5,
        "volume_cc": 80.0,
        "volume_u_cc": 2.0,
        "span_u": 0.005,
        "own_leak_std_cm3_min": {"value": 0.05, "u": 0.01, "sources": {}},
    }
    assert stated["limit"]["source"] == "Tessomar manual, page 8-12"


@pytest.mark.parametrize(
    ("arguments", "status", "part"),
    [
        (["--from", "15inHg"], 2, "--max-drop and --within are missing"),
        (["--within", "20s", "--max-drop", "1inHg"], 2, "--from is missing"),
        (["--source", "a manual"], 2, "no limit is given"),
        (["--nonsense"], 2, "--nonsense"),
        (["--purpose", "for-fun"], 2, "for-fun"),
        (["--plot", "picture.png"], 2, "ending"),
        ([*LIMIT, "--volume", "75"], 3, "--volume: '75' has no unit"),
        ([*LIMIT, "--ambient", "1011kPa"], 3, "--ambient is 1011 kPa"),
        (["--reference-volume", "0cc"], 3, "--reference-volume"),
        (["--from", "65.9inHg", "--max-drop", "1inHg", "--within", "20s"], 3, "65.9"),
        (["--from", "15inHg", "--max-drop", "16inHg", "--within", "20s"], 3, "16"),
    ],
)
def test_what_does_not_fit_is_one_sentence_and_one_object(
    tmp_path: Path, run_rig: Run, arguments: list[str], status: int, part: str
) -> None:
    """The sentence goes to the standard error; with --json an object goes to the output as well."""
    curve = _write(tmp_path, _laminar(0.4, hold_s=10.0))
    got, out, err = run_rig("analyse", curve, *arguments)
    assert (got, out) == (status, "")
    assert err.startswith("rig: ")
    assert err.count("\n") == 1
    assert part in err
    got, out, _ = run_rig("analyse", curve, *arguments, "--json")
    assert json.loads(out) == {"error": err.removeprefix("rig: ").strip(), "exit_status": status}
    assert got == status


OWN = leak_with_drop("laminar", 0.25 * INHG)
PART = leak_with_drop("orifice", 0.6 * INHG, 0.45)
RIG_CC = 25.0
RIG_HEAD = HEAD.replace("75.0", "25.0").replace("0.75", "0.25")


def _with_part(folder: Path) -> Path:
    """Write a hold of rig and part: the rig's settling of 300 Pa is diluted by the part."""
    folder.mkdir()
    curve = two_leaks(OWN, PART, VOLUME_CC * 1e-6, 300.0 * RIG_CC / VOLUME_CC, seed=2)
    return _write(folder, curve)


def _capped(folder: Path, head: str = RIG_HEAD, hold_s: float = 60.0, own: Leak = OWN) -> Path:
    """Write a blank-off: the same rig alone."""
    folder.mkdir()
    curve = two_leaks(own, Leak("none", 0.0), RIG_CC * 1e-6, 300.0, seed=1, hold_s=hold_s)
    return _write(folder, curve, head)


def test_a_blank_off_takes_the_rigs_leak_out(tmp_path: Path, run_rig: Run) -> None:
    """The part's own drop, 0.6 inHg, comes out within 3 u; without it the rig's leak is in it.

    Options give the conditions of the part's curve alone: the rig's volume stays its own.
    """
    curve, capped = _with_part(tmp_path / "part"), _capped(tmp_path / "rig")
    asked = ["analyse", curve, *LIMIT, "--volume=75cc", "--volume-u=0.75cc"]
    status, out, _ = run_rig(*asked, "--blank-off", capped, "--json")
    stated = json.loads(out)
    drop, own = stated["equivalent_drop_inhg"], stated["conditions"]["own_leak_std_cm3_min"]
    assert (status, stated["outcome"]) == (0, "pass")
    assert abs(drop["value"] - 0.6) < 3.0 * drop["u"]
    assert drop["value"] == pytest.approx(0.6, rel=0.05)
    assert abs(own["value"] - OWN.standard_flow(15.0 * INHG) * 6e7) < 3.0 * own["u"]
    assert drop["sources"]["own_leak"] > 0.0
    assert any(f"as {capped} shows it" in note for note in stated["notes"])
    _, out, _ = run_rig(*asked, "--json")
    drop = json.loads(out)["equivalent_drop_inhg"]
    assert drop["value"] - 0.6 > 3.0 * drop["u"]
    assert drop["value"] == pytest.approx(0.85, rel=0.05)


def test_a_blank_off_may_be_taken_out_of_a_measurement(tmp_path: Path, run_rig: Run) -> None:
    """Without a limit it serves as well, and what its lines do not say is noted as the rig's."""
    curve = _with_part(tmp_path / "part")
    capped = _capped(tmp_path / "rig", "# ambient_kpa: 101.325\n# volume_cc: 25\n")
    status, out, _ = run_rig("analyse", curve, "--blank-off", capped, "--json")
    stated = json.loads(out)
    leak = stated["leak_std_cm3_min"]
    assert (status, stated["outcome"]) == (0, "measured")
    assert abs(leak["value"] - PART.standard_flow(15.5 * INHG) * 6e7) < 3.0 * leak["u"]
    notes = " ".join(stated["notes"])
    assert "The blank-off gives no uncertainty of the rig's volume: 1.25 cm3" in notes
    assert "The blank-off gives no gas temperature" in notes


@pytest.mark.parametrize(
    ("head", "hold_s", "part"),
    [
        (RIG_HEAD, 5.0, "cannot serve as blank-off: The hold lasted 4.98 s"),
        (RIG_HEAD.replace("# volume_cc: 25.0\n", ""), 10.0, "`# volume_cc: ...` is missing"),
        (RIG_HEAD.replace("# ambient_kpa: 101.325\n", ""), 10.0, "`# ambient_kpa: ...` is missing"),
        (HEAD, 10.0, "75 cm3 is not below the 75 cm3 of rig and part"),
        (RIG_HEAD + "# own_leak_std_cm3_min: 0.1\n", 10.0, "has none to subtract"),
        (RIG_HEAD.replace("101.325", "80"), 10.0, "pull both to the same vacuum"),
    ],
)
def test_a_blank_off_that_cannot_serve_is_refused(
    tmp_path: Path, run_rig: Run, head: str, hold_s: float, part: str
) -> None:
    """Exit status 3, nothing judged, and one line that names the file of the blank-off."""
    curve, capped = _with_part(tmp_path / "part"), _capped(tmp_path / "rig", head, hold_s)
    status, out, err = run_rig("analyse", curve, *LIMIT, "--volume=75cc", "--blank-off", capped)
    assert (status, out) == (3, "")
    assert err.startswith(f"rig: {capped}")
    assert err.count("\n") == 1
    assert part in err


def test_the_rigs_leak_is_given_once(tmp_path: Path, run_rig: Run) -> None:
    """Exit status 2 for both options, and for the judged curve as its own blank-off."""
    curve, capped = _with_part(tmp_path / "part"), _capped(tmp_path / "rig", hold_s=10.0)
    for option in ("--own-leak", "--own-leak-u"):
        status, out, err = run_rig(
            "analyse", curve, *LIMIT, "--blank-off", capped, option, "0.05 cm3/min ANR"
        )
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert "--blank-off and --own-leak" in err
    status, _, err = run_rig("analyse", curve, *LIMIT, "--blank-off", curve)
    assert status == 2
    assert "is the curve that is judged" in err


def test_a_missing_volume_and_a_missing_file_are_input_errors(tmp_path: Path, run_rig: Run) -> None:
    """Exit status 3, and the sentence says what to add or look at."""
    curve = _write(tmp_path, _laminar(0.4, hold_s=10.0), "# ambient_kpa: 101.3\n")
    status, _, err = run_rig("analyse", curve, *LIMIT)
    assert status == 3
    assert "`# volume_cc: ...` or the option --volume" in err
    status, _, err = run_rig("analyse", tmp_path / "none.csv", *LIMIT)
    assert status == 3
    assert "there is no such file" in err


def test_the_picture_is_written_beside_the_report_and_never_over_the_curve(
    tmp_path: Path, run_rig: Run
) -> None:
    """A sound SVG document appears; the curve's own name is refused before anything is done."""
    curve = _write(tmp_path, _laminar(0.4)).rename(tmp_path / "curve.svg")
    before = curve.read_bytes()
    status, _, err = run_rig("analyse", curve, *LIMIT, "--plot", curve)
    assert status == 2
    assert "is the file that is read" in err
    assert curve.read_bytes() == before
    plot = tmp_path / "plot.svg"
    status, out, _ = run_rig("analyse", curve, *LIMIT, "--plot", plot)
    assert (status, out.splitlines()[0]) == (0, "pass")
    assert ET.fromstring(plot.read_text()).tag.endswith("svg")  # noqa: S314 - our own text
    status, _, err = run_rig("analyse", curve, *LIMIT, "--plot", tmp_path / "none" / "plot.svg")
    assert status == 3
    assert "there is no folder" in err


def _process(*arguments: object, code: str | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    start = code or "from rig.cli.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", start, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[3],
    )


def test_no_heavy_library_is_loaded(tmp_path: Path) -> None:
    """A verdict with a picture needs numpy and click, not SciPy, pandas, Flask or Matplotlib."""
    curve = _write(tmp_path, _laminar(0.4))
    code = (
        "import sys; from rig.cli.main import run; status = run(sys.argv[1:]);"
        "print(status, *sorted(sys.modules), file=sys.stderr)"
    )
    done = _process("analyse", curve, *LIMIT, "--plot", tmp_path / "plot.svg", code=code)
    status, *modules = done.stderr.split()
    assert status == "0"
    assert "numpy" in modules
    for heavy in ("scipy", "pandas", "flask", "matplotlib"):
        assert heavy not in modules


def test_a_verdict_takes_less_than_a_second(tmp_path: Path) -> None:
    """From the shell to the report of a minute at 50 a second, picture included, in a second."""
    curve = _write(tmp_path, _laminar(0.4, hold_s=60.0))
    spent = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = _process("analyse", curve, *LIMIT, "--plot", tmp_path / "plot.svg")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert done.stdout.startswith("pass\n")
        spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert min(spent) < 1.0


def test_a_reader_that_goes_away_changes_nothing(tmp_path: Path) -> None:
    """As with `| head -1`: the exit status is that of the verdict, and no trace is shown."""
    curve = _write(tmp_path, _laminar(2.0))
    read_end, write_end = os.pipe()
    os.close(read_end)
    done = subprocess.run(
        [sys.executable, "-c", "from rig.cli.main import main; main()", "analyse", curve, *LIMIT],
        stdout=write_end,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        cwd=Path(__file__).parents[3],
    )
    os.close(write_end)
    assert (done.returncode, done.stderr) == (1, "")


def test_an_output_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """A full disk behind the standard output is an error of its own, not a verdict."""
    curve = _write(tmp_path, _laminar(2.0))
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-c", "from rig.cli.main import main; main()", "analyse", curve],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            cwd=Path(__file__).parents[3],
        )
    assert done.returncode == 3
    assert done.stderr == "rig: the output cannot be written: No space left on device.\n"
