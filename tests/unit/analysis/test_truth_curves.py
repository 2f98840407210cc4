"""Check verdict, leak, kind and location of every hold in `tests/data/curves` against its truth."""

import json
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.hold import DropLimit, HoldConditions, HoldCurve, HoldResult
from rig.analysis.leak import analyse_hold
from rig.cli.main import run

DATA = Path(__file__).parents[2] / "data" / "curves"
TRUTH = json.loads((DATA / "truth.json").read_text())
NAMES = sorted(TRUTH)
VALID = [name for name in NAMES if TRUTH[name]["expect"] != "disturbed"]
TIGHT = [name for name in VALID if TRUTH[name]["kind"] == "none"]
LEAKY = [name for name in VALID if TRUTH[name]["kind"] != "none"]

INHG_PA = 3386.389
STD_CC_MIN = 6e7
LIMIT_CC_MIN = 4.57
"""The flow that loses 1 inHg in 20 s in 45 cm3 from 15 inHg at sea level (equivalent_drops.csv)."""
EXIT_STATUS = {"pass": 0, "fail": 1, "invalid": 6, "undecided": 7}


@dataclass(frozen=True)
class Recorded:
    """A file of the directory: what its head says, and its samples."""

    ambient_pa: float
    gas_temperature_k: float
    volume_m3: float
    volume_u_m3: float
    time_s: np.ndarray
    pressure_pa: np.ndarray


@cache
def recorded(name: str) -> Recorded:
    """Read a file without the program's own reader."""
    lines = (DATA / f"{name}.csv").read_text().splitlines()
    head = dict(line[1:].split(":") for line in lines if line.startswith("#"))
    known = {key.strip(): float(value) for key, value in head.items()}
    samples = np.loadtxt(lines[len(head) + 1 :], delimiter=",")
    return Recorded(
        known["ambient_kpa"] * 1e3,
        known["gas_temperature_c"] + 273.15,
        known["volume_cc"] * 1e-6,
        known["volume_u_cc"] * 1e-6,
        samples[:, 0],
        samples[:, 1] * 1e3,
    )


@cache
def judged(name: str) -> HoldResult:
    """Analyse a file against the limit that its truth is stated for."""
    file, spec = recorded(name), TRUTH[name]["spec"]
    limit = DropLimit(
        spec["from_inhg"] * INHG_PA,
        spec["within_s"],
        spec["reference_volume_cc"] * 1e-6,
        spec["max_drop_inhg"] * INHG_PA,
    )
    conditions = HoldConditions(
        file.ambient_pa, file.gas_temperature_k, file.volume_m3, file.volume_u_m3
    )
    return analyse_hold(HoldCurve(file.time_s, file.pressure_pa), conditions, limit)


def allowed_outcomes(name: str) -> set[str]:
    """Get the outcomes that the truth of a file allows."""
    truth = TRUTH[name]
    over = truth["equivalent_drop_inhg"] > truth["spec"]["max_drop_inhg"]
    return {
        "pass": {"pass"},
        "fail": {"fail"},
        "disturbed": {"invalid"},
        "pass-or-undecided": {"pass", "undecided"},
        "undecided-or-right": {"undecided", "fail" if over else "pass"},
    }[truth["expect"]]


def limit_slope_pa_min(name: str) -> float:
    """Compute how fast a leak at the limit raises the pressure in the volume of a file [Pa/min]."""
    per_cc_min = 1.185 * 288.0 * recorded(name).gas_temperature_k / recorded(name).volume_m3 / 1e6
    return LIMIT_CC_MIN * per_cc_min


def white_noise_pa(pressure_pa: np.ndarray) -> float:
    """Estimate the noise of single samples from their second differences, spikes left out."""
    return float(np.median(np.abs(np.diff(pressure_pa, n=2)))) / 0.6745 / np.sqrt(6.0)


def test_every_curve_has_its_truth() -> None:
    """A file without truth, or truth without a file, would be a file that nothing tests."""
    assert sorted(path.stem for path in DATA.glob("*.csv")) == NAMES
    assert len(NAMES) >= 20


@pytest.mark.parametrize("name", NAMES)
def test_the_outcome_is_the_true_one(name: str) -> None:
    """Pass, fail and spoiled are called as the truth says; a close one may stay undecided."""
    assert judged(name).outcome in allowed_outcomes(name)


@pytest.mark.parametrize("name", VALID)
def test_the_leak_is_right_within_its_own_uncertainty(name: str) -> None:
    """Leak and drop lie within three standard uncertainties of the truth."""
    result, truth = judged(name), TRUTH[name]
    leak, drop = result.leak, result.equivalent_drop
    assert leak is not None
    assert drop is not None
    assert abs(leak.value * STD_CC_MIN - truth["leak_std_cm3_min"]) <= 3.0 * leak.u * STD_CC_MIN
    # A hand gauge reads to a tenth of an inch: where the drop is the whole vacuum its u is nothing.
    off_pa = abs(drop.value - truth["equivalent_drop_inhg"] * INHG_PA)
    assert off_pa <= 3.0 * drop.u + 0.001 * INHG_PA


MATTERING = [
    name
    for name in LEAKY
    if name != "gross"
    and TRUTH[name]["leak_std_cm3_min"] > LIMIT_CC_MIN / 5.0
    and limit_slope_pa_min(name) >= 2000.0
]
"""Leaks over a fifth of the limit, in volumes where one at the limit shows by 2 kPa a minute; one
that is down to ambient in seconds is too fast to ask it of."""
QUIET = [
    name
    for name in VALID
    if name != "gross"
    and recorded(name).volume_m3 == pytest.approx(75e-6)
    and white_noise_pa(recorded(name).pressure_pa) < 10.0
    and float(np.max(np.diff(recorded(name).time_s))) < 0.1
]
"""Holds in 75 cm3 with 8 Pa of noise and no gap."""


@pytest.mark.parametrize("name", MATTERING)
def test_a_leak_that_matters_is_measured_to_a_tenth(name: str) -> None:
    """A leak large enough, in a volume small enough to show it, is right within 10 %."""
    leak, true = judged(name).leak, TRUTH[name]["leak_std_cm3_min"]
    assert leak is not None
    assert leak.value * STD_CC_MIN == pytest.approx(true, rel=0.1)


@pytest.mark.parametrize("name", QUIET)
def test_the_uncertainty_is_small_enough_to_be_of_use(name: str) -> None:
    """In 75 cm3 with 8 Pa of noise and no gap, u is at most 15 % of the flow at the limit."""
    leak = judged(name).leak
    assert leak is not None
    assert leak.u * STD_CC_MIN <= 0.15 * LIMIT_CC_MIN


def test_the_curves_ask_for_something() -> None:
    """The classes above are not empty by a mistake in how they are chosen."""
    assert len(MATTERING) >= 10
    assert len(QUIET) >= 12
    assert len(TIGHT) >= 3


@pytest.mark.parametrize("name", TIGHT)
def test_a_tight_part_is_said_to_have_no_leak(name: str) -> None:
    """Settling alone, of whatever kind, is no leak."""
    assert judged(name).leak_kind == "none"


@pytest.mark.parametrize("name", LEAKY)
def test_a_law_is_named_only_where_it_is_the_true_one(name: str) -> None:
    """A leak is told from zero; its law is the true one or called unclear, never another."""
    assert judged(name).leak_kind in {TRUTH[name]["kind"], "unclear"}


def test_the_moment_the_hose_came_off_is_found() -> None:
    """The finding names the moment at which the curve itself runs off, within half a second."""
    file = recorded("hose_pops_off")
    # 100 Pa from one sample to the next is more than ten times the noise and any leak here.
    off_s = file.time_s[int(np.argmax(np.diff(file.pressure_pa) > 100.0))]
    (found,) = [f for f in judged("hose_pops_off").reasons if f.code == "hose_off"]
    assert found.figures["time_s"] == pytest.approx(off_s, abs=0.5)


def test_the_moment_the_reading_froze_is_found() -> None:
    """The finding names the first sample that never changes again, and how long it lasts."""
    file = recorded("sensor_sticks")
    last_change = int(np.flatnonzero(np.diff(file.pressure_pa))[-1]) + 1
    frozen_s = float(file.time_s[last_change])
    (found,) = [f for f in judged("sensor_sticks").reasons if f.code == "frozen"]
    assert found.figures["time_s"] == pytest.approx(frozen_s, abs=0.05)
    assert found.figures["lasting_s"] == pytest.approx(file.time_s[-1] - frozen_s, abs=0.05)


def test_what_a_dial_would_have_read_is_the_curves_own_drop() -> None:
    """The drop observed is that of the record over the limit's 20 s, settling and volume included.

    For a good part whose rubber creeps it is over the limit, and the result says who was misled.
    """
    file, result = recorded("tight_creep"), judged("tight_creep")

    def level(at_s: float) -> float:
        return float(np.median(file.pressure_pa[np.abs(file.time_s - at_s) < 0.2]))

    # The first readings still settle: the level at the start is known to 0.05 inHg.
    assert result.observed_drop_pa == pytest.approx(level(20.0) - level(0.1), abs=0.05 * INHG_PA)
    assert (result.dial_outcome, result.outcome) == ("fail", "pass")
    assert "dial_misled" in {finding.code for finding in result.reasons}


def test_the_large_volume_is_called_misleading() -> None:
    """A dial on 420 cm3 reads a small drop of a bad part: the result says that it misleads."""
    result = judged("big_rig_hides_leak")
    assert (result.dial_outcome, result.outcome) == ("pass", "fail")
    assert "dial_misled" in {finding.code for finding in result.reasons}


@pytest.mark.parametrize(
    "name",
    ["gap", "hose_pops_off", "near_limit", "orifice_bad", "sensor_sticks", "spikes", "tight"],
)
def test_the_command_says_the_same(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    """`rig analyse --json` on the file ends with the same outcome, status and leak."""
    limit = ("--from=15inHg", "--max-drop=1inHg", "--within=20s", "--reference-volume=45cc")
    status = run(["analyse", str(DATA / f"{name}.csv"), *limit, "--json"])
    said = json.loads(capsys.readouterr().out)
    result = judged(name)
    assert said["outcome"] == result.outcome
    assert status == EXIT_STATUS[result.outcome]
    assert said["leak_kind"] == result.leak_kind
    assert [f["code"] for f in said["findings"]] == [f.code for f in result.reasons]
    if result.leak is None:
        assert said["leak_std_cm3_min"] is None
        assert said["equivalent_drop_inhg"] is None
    else:
        leak = said["leak_std_cm3_min"]
        assert leak["value"] == pytest.approx(result.leak.value * STD_CC_MIN, rel=1e-4, abs=1e-4)
        assert leak["u"] == pytest.approx(result.leak.u * STD_CC_MIN, rel=1e-4)


def test_the_json_object_has_every_key() -> None:
    """As a process of its own: one JSON object with the documented keys, and the exit status."""
    limit = ["--from=15inHg", "--max-drop=1inHg", "--within=20s", "--reference-volume=45cc"]
    code = "from rig.cli.main import main; main()"
    command = [sys.executable, "-c", code, "analyse", DATA / "orifice_bad.csv", *limit, "--json"]
    ended = subprocess.run(
        command, capture_output=True, text=True, check=False, timeout=60, cwd=DATA.parents[2]
    )
    assert (ended.returncode, ended.stderr) == (1, "")
    said = json.loads(ended.stdout)
    assert set(said) >= {
        "outcome",
        "probability_of_conformity",
        "leak_std_cm3_min",
        "equivalent_drop_inhg",
        "observed_drop_inhg",
        "dial_and_stopwatch",
        "leak_kind",
        "settling",
        "reasons",
        "findings",
        "limit",
        "hold",
        "conditions",
        "noise",
        "candidates",
        "decided_at_s",
    }
    assert set(said["leak_std_cm3_min"]) == {"value", "u", "sources"}
    assert said["probability_of_conformity"] < 0.05
