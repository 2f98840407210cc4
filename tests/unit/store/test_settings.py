"""Tests of the files that keep what was measured of the rig, apart from the database."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.analysis.hold import OwnLeak
from rig.errors import StoreError
from rig.records import Estimate
from rig.runs import KnownOwnLeak, KnownVolume
from rig.store.settings import KnownAmbient, MeasuredOwnLeak, Settings
from tests.unit.store.kept import START

VOLUME = KnownVolume(Estimate.from_sources(2.51e-5 / 3.0, {"syringe": 1e-7}), START, "syringe")
TIMES_S = np.arange(60) / 3.0
LEAK = MeasuredOwnLeak(
    KnownOwnLeak(Estimate.from_sources(1.1e-9 / 7.0, {"random": 2e-10}), START, 3),
    OwnLeak(1.1e-9 / 7.0, 2e-10, TIMES_S, 1e-3 * np.sqrt(TIMES_S)),
)
AMBIENT = KnownAmbient(100_123.456789, START)


def _assert_leak(found: MeasuredOwnLeak | None) -> None:
    assert found is not None
    assert found.known == LEAK.known
    assert (found.curve.flow_m3_s, found.curve.u_m3_s) == (1.1e-9 / 7.0, 2e-10)
    assert found.curve.curve_time_s is not None
    assert found.curve.curve_rise_m3_pa is not None
    np.testing.assert_array_equal(found.curve.curve_time_s, TIMES_S)
    np.testing.assert_array_equal(found.curve.curve_rise_m3_pa, 1e-3 * np.sqrt(TIMES_S))


def test_what_was_measured_comes_back_exactly(tmp_path: Path) -> None:
    """Every digit, the split of the uncertainty, the curve and the wall time."""
    settings = Settings(tmp_path)
    settings.keep_rig_volume(VOLUME)
    settings.keep_own_leak(LEAK)
    settings.keep_ambient(AMBIENT)
    settings.keep_last_run(77)
    again = Settings(tmp_path)
    assert again.rig_volume() == VOLUME
    _assert_leak(again.own_leak())
    assert again.ambient() == AMBIENT
    assert again.last_run() == 77


def test_what_was_never_measured_is_none(tmp_path: Path) -> None:
    """An empty folder, even a missing one, knows nothing, and that is no error."""
    for folder in (tmp_path, tmp_path / "nowhere"):
        settings = Settings(folder)
        assert settings.rig_volume() is None
        assert settings.own_leak() is None
        assert settings.ambient() is None
        assert settings.last_run() == 0


def test_what_may_be_unknown_comes_back_unknown(tmp_path: Path) -> None:
    """A volume from before the clock was set, and an own leak without its curve."""
    settings = Settings(tmp_path)
    settings.keep_rig_volume(replace(VOLUME, measured_utc=None))
    settings.keep_own_leak(replace(LEAK, curve=OwnLeak(1e-9, 2e-10)))
    settings.keep_ambient(replace(AMBIENT, measured_utc=None))
    volume, leak, ambient = settings.rig_volume(), settings.own_leak(), settings.ambient()
    assert volume is not None
    assert volume.measured_utc is None
    assert leak is not None
    assert leak.curve == OwnLeak(1e-9, 2e-10)
    assert ambient == KnownAmbient(AMBIENT.pressure_pa, None)


DAMAGES = {
    "empty": lambda content: content[:0],
    "cut off": lambda content: content[: len(content) // 2],
    "zeros": lambda content: bytes(len(content)),
    "a digit": lambda content: content.replace(b"8.36", b"8.37"),
    "not text": lambda content: b"\xff\xfe" + content,
    "a list": lambda content: b"[" + content + b"]",
    "another key": lambda content: content.replace(b'"kept"', b'"left"'),
    "newer": lambda content: content.replace(b'"form": 1', b'"form": 2'),
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_file_is_named_with_the_way_out(tmp_path: Path, damage: str) -> None:
    """It is never read as something else; the error names it, and the content kept before it."""
    settings = Settings(tmp_path)
    settings.keep_rig_volume(replace(VOLUME, source="the first"))
    settings.keep_rig_volume(VOLUME)
    file = tmp_path / "rig-volume.json"
    sound = file.read_bytes()
    damaged = DAMAGES[damage](sound)
    assert damaged != sound
    file.write_bytes(damaged)
    with pytest.raises(StoreError, match=r"rig-volume\.json is damaged") as told:
        settings.rig_volume()
    assert "Measure the rig's volume again" in str(told.value)
    assert f"cp {file}.before {file}" in str(told.value)
    # the way out works
    file.write_bytes(Path(f"{file}.before").read_bytes())
    volume = settings.rig_volume()
    assert volume is not None
    assert volume.source == "the first"


def test_a_damaged_file_does_not_take_the_place_of_the_one_before(tmp_path: Path) -> None:
    """What is kept before the last content is always one that can be read."""
    settings = Settings(tmp_path)
    for source in ("the first", "the second"):
        settings.keep_rig_volume(replace(VOLUME, source=source))
    (tmp_path / "rig-volume.json").write_bytes(b"damaged")
    settings.keep_rig_volume(replace(VOLUME, source="the third"))
    assert '"the first"' in (tmp_path / "rig-volume.json.before").read_text()
    found = settings.rig_volume()
    assert found is not None
    assert found.source == "the third"


def test_without_anything_before_it_only_measuring_again_is_offered(tmp_path: Path) -> None:
    """No file is named that is not there or cannot be read."""
    settings = Settings(tmp_path)
    settings.keep_ambient(AMBIENT)
    (tmp_path / "ambient.json").write_bytes(b"")
    with pytest.raises(StoreError, match=r"ambient\.json") as told:
        settings.ambient()
    assert "cp " not in str(told.value)


def test_keeping_the_same_twice_does_not_lose_what_was_before(tmp_path: Path) -> None:
    """A write that is repeated after a failing disk leaves the same two files."""
    settings = Settings(tmp_path)
    for pressure_pa in (100_000.0, 101_000.0, 101_000.0):
        settings.keep_ambient(KnownAmbient(pressure_pa, None))
    before = json.loads((tmp_path / "ambient.json.before").read_text())
    assert before["kept"]["pressure_pa"] == 100_000.0


def test_a_time_without_its_zone_is_refused(tmp_path: Path) -> None:
    """A label must not be taken for the time of another place."""
    with pytest.raises(ValueError, match="time zone"):
        Settings(tmp_path).keep_ambient(KnownAmbient(1e5, START.replace(tzinfo=None)))
