"""Tests of how the pins of a real computer are reached, with the library's lines played."""

import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import pytest
from gpiozero import PinUnknownPi
from gpiozero.pins.local import LocalPiFactory

from rig.config import Bench, PinSettings
from rig.errors import BenchError
from rig.outputs.factory import make_factory
from rig.outputs.valves import Outputs
from tests.unit.outputs.bench_kit import PINS, STOP, bench_of, in_another_thread
from tests.unit.outputs.lines import Lines

BACKEND = "gpiozero.pins.lgpio"
A_PI = 0xC03111


def _real(bench: Bench) -> Bench:
    return replace(bench, pins=PinSettings("lgpio", None))


def _number(pin: str) -> int:
    return int(pin.removeprefix("GPIO"))


@pytest.fixture(autouse=True)
def without_library(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[None]:
    """Start in a folder of one's own, with nothing loaded of what reaches real pins."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LG_WD", raising=False)
    monkeypatch.delitem(sys.modules, BACKEND, raising=False)
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", lambda: A_PI)
    yield
    sys.modules.pop(BACKEND, None)
    LocalPiFactory.pins.clear()
    LocalPiFactory._reservations.clear()


@pytest.fixture
def lines(monkeypatch: pytest.MonkeyPatch) -> Lines:
    """Play the library and a board's lines."""
    played = Lines()
    monkeypatch.setitem(sys.modules, "lgpio", played)
    return played


@pytest.mark.parametrize("active_high", [True, False], ids=["active_high", "active_low"])
def test_no_line_ever_drives_what_energises(lines: Lines, active_high: bool) -> None:
    """Each line is claimed at its level of rest at once: no pulse at start, in both polarities."""
    outputs = Outputs(_real(bench_of(active_high=active_high)), make_factory(_real(bench_of())))
    off, on = int(not active_high), int(active_high)
    assert {name: lines.drove(_number(pin)) for name, pin in PINS.items()} == {
        name: [off] for name in PINS
    }
    outputs.set_position("vent", "shut")
    outputs.close()
    assert lines.drove(_number(PINS["vent"])) == [off, on, off]
    assert lines.drove(_number(PINS["pump"])) == [off]
    assert not any(lines.is_output(_number(pin)) for pin in PINS.values())


def test_the_library_alone_would_pulse(lines: Lines) -> None:
    """The lines played are those of the fault: claimed low first, whatever level is wanted."""
    factory = make_factory(_real(bench_of()))
    own = sys.modules[BACKEND].LGPIOPin
    factory.pin_class = own
    Outputs(_real(bench_of(active_high=False)), factory).close()
    assert lines.drove(_number(PINS["vent"])) == [0, 1]


def test_an_error_of_the_library_keeps_no_other_line_from_rest(lines: Lines) -> None:
    """Its error is of a class of its own, and still no reason to leave another line energised."""
    outputs = Outputs(_real(bench_of()), make_factory(_real(bench_of())))
    for name in PINS:
        outputs.set_energised(name, True)
    lines.broken.add(_number(PINS["coil"]))
    assert outputs.safe() == ("coil",)
    assert {name: lines.drove(_number(pin)) for name, pin in PINS.items()} == {
        name: [0, 1] if name == "coil" else [0, 1, 0] for name in PINS
    }


def test_a_line_that_is_taken_is_told(lines: Lines) -> None:
    """A line of the kernel's own, or another program's, is named with its key."""
    lines.busy.add(_number(PINS["part"]))
    with pytest.raises(BenchError, match=r"valves.part.pin: GPIO22 cannot be claimed .*GPIO busy"):
        Outputs(_real(bench_of()), make_factory(_real(bench_of())))


def test_the_stop_contact_calls_from_the_library_s_thread(lines: Lines) -> None:
    """An edge on the line of the stop contact arrives, whichever thread brings it."""
    outputs = Outputs(_real(bench_of()), make_factory(_real(bench_of())))
    told: list[None] = []
    outputs.when_stopped(lambda: told.append(None))
    line = _number(STOP)
    assert outputs.stop_pressed(), "pulled up and nothing at it: a broken wire"
    in_another_thread(lambda: lines.press(line, 0))
    assert not outputs.stop_pressed()
    in_another_thread(lambda: lines.press(line, 1))
    assert outputs.stop_pressed()
    assert told == [None]


def test_the_simulated_pins_are_not_made_here() -> None:
    """A file of a simulated bench is refused, not run on whatever pins there are."""
    with pytest.raises(
        BenchError, match=r'line \d+, pins.factory: "mock" belongs to the simulated'
    ):
        make_factory(bench_of())


def test_no_library_is_told_and_nothing_else_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without lgpio there is an error that says what to install: no silent second choice."""
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    with pytest.raises(BenchError, match=r"lgpio is not installed\. Install .*\[pi\]"):
        make_factory(_real(bench_of()))


def test_an_empty_library_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Version 0.0.0.2 of the library is an empty file, which an installer may pick in silence."""
    monkeypatch.setitem(sys.modules, "lgpio", ModuleType("lgpio"))
    with pytest.raises(BenchError, match=r"empty or too old .*0\.2\.2 or newer"):
        make_factory(_real(bench_of()))


def test_an_unwritable_folder_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """By hand it works, as a service it does not: the error names the folder and the cure.

    In /proc nobody can make a file, not even root.
    """
    monkeypatch.chdir("/proc")
    with pytest.raises(BenchError, match=r"cannot in /proc \(.*WorkingDirectory="):
        make_factory(_real(bench_of()))


def test_a_folder_that_is_gone_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A folder deleted under the program is no place for a pipe."""
    gone = tmp_path / "gone"
    gone.mkdir()
    monkeypatch.chdir(gone)
    gone.rmdir()
    with pytest.raises(BenchError, match=r"pipe named \.lgd-nfy0"):
        make_factory(_real(bench_of()))


@pytest.mark.usefixtures("lines")
def test_the_library_s_own_folder_is_looked_at(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Where the library is told of another folder by LG_WD, that one must be writable."""
    monkeypatch.chdir("/proc")
    monkeypatch.setenv("LG_WD", str(tmp_path))
    make_factory(_real(bench_of()))
    assert os.listdir(tmp_path) == []
    monkeypatch.setenv("LG_WD", "/proc")
    with pytest.raises(BenchError, match="cannot in /proc"):
        make_factory(_real(bench_of()))


def test_a_pipe_of_another_user_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """What the library itself meets while it is loaded becomes the same clear error."""
    (tmp_path / "lgpio.py").write_text("open('no-such-folder/.lgd-nfy0', 'rb')\n")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(BenchError, match=r"remove a \.lgd-nfy0 that another user left"):
        make_factory(_real(bench_of()))


def test_a_chip_that_may_not_be_opened_is_told(lines: Lines) -> None:
    """No chip, or no right to it: the error says what the user needs."""
    lines.refuses_to_open = True
    with pytest.raises(BenchError, match=r"cannot be reached .*can not open.*group gpio"):
        make_factory(_real(bench_of()))


@pytest.mark.usefixtures("lines")
def test_another_computer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine that is no Raspberry Pi there are no such pins."""

    def unknown() -> int:
        raise PinUnknownPi("unable to locate Pi revision")

    monkeypatch.setattr("gpiozero.pins.local.get_pi_revision", unknown)
    with pytest.raises(BenchError, match=r"cannot be reached .*It takes a Raspberry Pi"):
        make_factory(_real(bench_of()))
