"""Tests of the firmware: hello, samples, configuration, faults."""

import ast
import os
import random
import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from rig.link.frames import BoardFault
from rig.link.session import Connected, Event, Lost, Restarted, State
from rig.readings import ChannelSpec, Samples
from tests.firmware.conftest import PATIENCE_S, Board, Host
from tests.unit.link import wire

README = Path(__file__).parents[2] / "firmware_notes" / "README.md"


def _connected(event: Event) -> bool:
    return isinstance(event, Connected)


def _fault(code: str) -> Callable[[Event], bool]:
    return lambda event: isinstance(event, BoardFault) and event.code == code


def _samples(events: list[Event]) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Put all samples together: numbers, times, counts, and how many are missing."""
    batches = [event for event in events if isinstance(event, Samples)]
    return (
        np.concatenate([batch.sequence for batch in batches]),
        np.concatenate([batch.mcu_us for batch in batches]),
        np.vstack([batch.counts for batch in batches]),
        sum(batch.missing for batch in batches),
    )


def _table_of_channels() -> tuple[ChannelSpec, ...]:
    """Read the channels that README.md promises."""
    rows = re.findall(
        r"^\| `(\w+)` \| GP\d+ \| (\d+) \|", README.read_text(encoding="utf-8"), re.MULTILINE
    )
    return tuple(ChannelSpec(name, int(bits), 3.3) for name, bits in rows)


def test_the_board_introduces_itself(board: Board, make_host: Callable[..., Host]) -> None:
    """Its identity is that of its chip, its channels are those of README.md."""
    board.start()
    (connected,) = (each for each in make_host().until(_connected) if _connected(each))
    assert connected.hello.board == "e66138528342172a"
    assert connected.hello.firmware == "stillgauge-1.0"
    assert re.fullmatch("[0-9a-f]{8}", connected.hello.boot)
    assert connected.hello.channels == _table_of_channels()
    assert len(connected.hello.channels) == 3


def test_samples_come_without_a_gap_and_without_drift(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """200 a second: none missing, and the raster of the last is that of the first to 2 ms."""
    board.outside("converter", "1234")
    board.start()
    host = make_host(rate_hz=200)
    host.until(_connected)
    number, mcu_us, counts, missing = _samples(host.run(1.0))
    assert missing == 0
    assert np.diff(number).tolist() == [1] * (len(number) - 1)
    assert len(number) > 150
    off_raster_us = mcu_us - 5000 * number
    late_us = off_raster_us - off_raster_us.min()
    assert abs(int(late_us[:80].min()) - int(late_us[-80:].min())) < 2000
    assert set(counts.ravel().tolist()) == {4 * 1234}


def test_a_full_converter_is_the_largest_count(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """Four times 4095 fits the 14 bits that the hello promises, and is believed."""
    board.outside("converter", "4095")
    board.start()
    host = make_host()
    events = host.until(lambda event: isinstance(event, Samples))
    assert events[-1].counts[0].tolist() == [16380] * 3
    assert host.session.refused == 0


def test_a_rate_that_divides_no_second_does_not_drift(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """300 a second is 3333 1/3 microseconds: the thirds add up to whole ones."""
    board.start()
    host = make_host(rate_hz=300)
    host.until(_connected)
    number, mcu_us, _, missing = _samples(host.run(0.7))
    assert missing == 0
    late_us = mcu_us - number * 10_000 / 3
    late_us -= late_us.min()
    assert abs(late_us[:80].min() - late_us[-80:].min()) < 2000


def test_time_runs_on_past_the_wrap_of_the_ticks(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """The ticks begin 0.3 s before their end: samples, time and supply do not notice."""
    board.start(ticks=(1 << 30) - 300_000)
    host = make_host()
    host.until(_connected)
    number, mcu_us, _, missing = _samples(host.run(0.6))
    assert missing == 0
    assert mcu_us[0] < 300_000
    assert 400_000 < mcu_us[-1] < 10_000_000
    late_us = mcu_us - 5000 * number
    assert int(late_us.max() - late_us.min()) < 100_000
    assert not any(isinstance(event, BoardFault) for event in host.events)


def test_a_rate_out_of_range_is_not_taken(board: Board, make_host: Callable[..., Host]) -> None:
    """The board says what it may be; the program hands the sentence on."""
    board.start()
    host = make_host(rate_hz=5000)
    *_, lost = host.until(lambda event: isinstance(event, Lost))
    assert "5000 samples a second" in lost.cause
    assert "rate 20 to 1000 a second, lease 200 to 2000 ms" in lost.cause


def test_garbage_on_its_input_does_not_stop_it(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """Control characters, torn and endless lines: told once a second, and no sample is lost."""
    board.start()
    host = make_host()
    host.until(_connected)
    noise = random.Random(7)  # noqa: S311 - noise, no secret
    for _ in range(20):
        host.port.write(noise.randbytes(100) + b"\x03\x04\x11\x13\x00\n")
        host.poll()
    host.port.write(b"x" * 3000 + wire.line("beat x") + wire.line("beat") + wire.line("dance 1"))
    events = host.until(_fault("garbled"))
    assert host.session.state is State.STREAMING
    number, _, _, missing = _samples([*host.events, *host.run(0.3)])
    assert missing == 0
    assert np.all(np.diff(number) > 0)
    assert re.fullmatch(r"\d+ lines refused", events[-1].detail)


def test_a_restart_is_noticed(board: Board, make_host: Callable[..., Host]) -> None:
    """In the middle of the stream: Restarted with a new identity, greeted anew, numbers from 0."""
    board.start()
    host = make_host()
    *_, first = host.until(_connected)
    host.run(0.2)
    board.switch_off()
    board.start()
    *_, restarted = host.until(lambda event: isinstance(event, Restarted))
    assert restarted.hello.boot != first.hello.boot
    assert restarted.hello.board == first.hello.board
    heard = len(host.events)
    *_, again = host.until(_connected)
    assert again.hello.boot == restarted.hello.boot
    host.run(0.2)
    number, _, _, missing = _samples(host.events[heard:])
    assert (number[0], missing) == (0, 0)
    assert not any(isinstance(event, Lost) for event in host.events)


def test_a_program_that_comes_back_finds_the_board_as_it_is(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """The board streams on meanwhile; the second program greets the same start of it."""
    board.start()
    host = make_host()
    *_, first = host.until(_connected)
    host.run(0.2)
    host.session.close()
    second = make_host(rate_hz=100)
    *_, again = second.until(_connected)
    assert again.hello.boot == first.hello.boot
    number, mcu_us, _, missing = _samples(second.run(0.4))
    assert missing == 0
    assert np.median(np.diff(mcu_us)) == pytest.approx(10_000, abs=1500)
    assert number[0] > 0, "numbers count from the board's start"


def test_a_converter_that_fails_is_told_by_its_channel(
    board: Board, make_host: Callable[..., Host]
) -> None:
    """No count is invented: the samples are missing until it answers again."""
    board.start()
    host = make_host()
    host.until(_connected)
    board.outside("converter", "fail")
    *_, fault = host.until(_fault("input_failed"))
    assert fault == BoardFault("input_failed", "p0", "errno 5")
    host.run(0.1)
    board.outside("converter", "17")
    *_, samples = host.until(lambda event: isinstance(event, Samples) and event.counts[-1, 0] == 68)
    assert 15 < sum(event.missing for event in host.events if isinstance(event, Samples)) < 1000
    assert samples.counts[-1].tolist() == [68] * 3


def test_held_for_upkeep_it_does_not_begin(board: Board) -> None:
    """With pin 22 to ground the program ends at once, and nothing was claimed or said."""
    board.outside("upkeep", "")
    board.start()
    assert board.process.wait(PATIENCE_S) == 0
    assert not (board.folder / "pins").exists()
    assert os.listdir(board.folder) == ["upkeep"]


@pytest.mark.parametrize("path", sorted(README.parent.glob("*.py")), ids=lambda path: path.name)
def test_the_firmware_knows_no_fractions(path: Path) -> None:
    """A small board's floats have 24 bits: no division, no fraction, no float in its files."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        assert not isinstance(node, ast.Div)
        assert not (isinstance(node, ast.Constant) and isinstance(node.value, float))
        assert not (isinstance(node, ast.Name) and node.id in {"float", "round", "math"})


def test_the_interpreter_is_the_real_one(board: Board) -> None:
    """It wraps nothing: the language, not the program's own Python, runs the firmware."""
    board.outside("upkeep", "")
    board.start()
    told = subprocess.run(
        [board.process.args[0], "-c", "import sys; print(sys.implementation.name)"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert told.stdout == "micropython\n"
