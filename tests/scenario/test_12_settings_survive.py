"""Fault 12: settings are lost together with the high-rate data.

What must hold: what was measured of the rig (its volume, its own leak with the curve, the air of
the room) stands in files of its own, and outlives the loss of the database and power that fails at
any moment of writing; a file that is damaged is named with what to do, and what was kept before it
is still there.
"""

import os
import shlex
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.hold import OwnLeak
from rig.clock import SystemClock
from rig.errors import StoreError
from rig.records import Estimate
from rig.runs import KnownOwnLeak, KnownVolume
from rig.store.opening import begin_anew
from rig.store.settings import KnownAmbient, MeasuredOwnLeak, Settings
from rig.store.store import Store
from tests.unit.store.kept import START

VOLUME = KnownVolume(Estimate.from_sources(2.5e-5, {"syringe": 1e-7}), START, "syringe")
TIMES_S = np.arange(200) / 10.0
RISES_M3_PA = 1e-3 * np.log1p(TIMES_S)
OWN_LEAK = MeasuredOwnLeak(
    KnownOwnLeak(Estimate(1.1e-9, 2e-10), START, 1), OwnLeak(1.1e-9, 2e-10, TIMES_S, RISES_M3_PA)
)
ROOT = Path(__file__).parents[2]
WRITER = """
import itertools, sys
from pathlib import Path
from rig.store.settings import KnownAmbient, Settings
settings = Settings(Path(sys.argv[1]))
for number in itertools.count():
    settings.keep_ambient(KnownAmbient(100_000.0 + number, None))
    print(number, flush=True)
"""


def _assert_all(settings: Settings) -> None:
    assert settings.rig_volume() == VOLUME
    assert settings.ambient() == KnownAmbient(100_000.5, START)
    leak = settings.own_leak()
    assert leak is not None
    assert leak.known == OWN_LEAK.known
    assert leak.curve.curve_time_s is not None
    assert leak.curve.curve_rise_m3_pa is not None
    np.testing.assert_array_equal(leak.curve.curve_time_s, TIMES_S)
    np.testing.assert_array_equal(leak.curve.curve_rise_m3_pa, RISES_M3_PA)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a record whose rig was measured."""
    with Store.open(tmp_path, SystemClock()) as store:
        store.keep_rig_volume(VOLUME)
        store.keep_own_leak(OWN_LEAK)
        store.keep_ambient(KnownAmbient(100_000.5, START))
    return tmp_path


def test_settings_outlive_the_database(folder: Path) -> None:
    """The database is lost for good and begun anew: the rig need not be measured again."""
    _assert_all(Settings(folder))
    (folder / "record.db").write_bytes(b"torn")
    _assert_all(Settings(folder))
    begin_anew(folder, SystemClock())
    with Store.open(folder, SystemClock()) as store:
        _assert_all(store.settings)
    for file in folder.glob("record*"):
        file.unlink()
    _assert_all(Settings(folder))


def test_settings_outlive_an_end_at_any_moment_of_writing(tmp_path: Path) -> None:
    """Killed while it replaces a file again and again: the file always holds one whole content."""
    newest = -1
    for _ in range(8):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)],
            stdout=subprocess.PIPE,
            cwd=ROOT,
            text=True,
        ) as program:
            assert program.stdout is not None
            for line in program.stdout:
                newest = int(line)
                if newest >= 11:
                    break
            os.kill(program.pid, signal.SIGKILL)
            told = [int(line) for line in program.stdout if line.endswith("\n")]
        newest = max([newest, *told])
        ambient = Settings(tmp_path).ambient()
        assert ambient is not None
        assert ambient.pressure_pa - 100_000.0 in (newest, newest + 1)


def test_a_damaged_file_is_named_and_the_one_before_it_kept(folder: Path) -> None:
    """The others are read as ever; the way out that is named works."""
    with Store.open(folder, SystemClock()) as store:
        store.keep_rig_volume(replace(VOLUME, source="measured again"))
        store.flush()
        os.truncate(folder / "rig-volume.json", 50)
        with pytest.raises(StoreError, match=r"rig-volume\.json is damaged") as told:
            store.settings.rig_volume()
        assert store.settings.ambient() is not None
        command = str(told.value).split("kept before it: ")[1]
        subprocess.run(shlex.split(command), check=True)
        assert store.settings.rig_volume() == VOLUME
