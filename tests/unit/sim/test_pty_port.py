"""Check that the simulated port behaves as a board's USB port does."""

import os
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.errors import BenchError
from rig.sim.pty_port import PtyPort


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    """Plug a port in under the name `board`."""
    made = PtyPort(tmp_path / "ports" / "board")
    yield made
    made.unplug()


def _open(tmp_path: Path) -> int:
    host = os.open(tmp_path / "ports" / "board", os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(host)
    return host


def test_bytes_go_both_ways_unchanged(port: PtyPort, tmp_path: Path) -> None:
    """Any byte but the ends of a terminal's own lines would do: the port is raw, without echo."""
    host = _open(tmp_path)
    everything = bytes(range(256))
    port.write(everything)
    assert os.read(host, 1000) == everything
    os.write(host, everything)
    assert port.read() == everything
    assert port.read() == b""
    with pytest.raises(BlockingIOError):
        os.read(host, 1000)
    os.close(host)


def test_what_nobody_listens_to_is_dropped(port: PtyPort, tmp_path: Path) -> None:
    """Before the host opens the port, and after it closed it; nothing stale is left for it."""
    port.write(b"before\n")
    host = _open(tmp_path)
    port.write(b"while\n")
    assert os.read(host, 1000) == b"while\n"
    os.close(host)
    port.write(b"after\n")
    host = _open(tmp_path)
    port.write(b"again\n")
    assert os.read(host, 1000) == b"again\n"
    os.close(host)
    assert port.dropped == len(b"before\nafter\n")


def test_a_host_that_does_not_read_never_blocks_the_board(port: PtyPort, tmp_path: Path) -> None:
    """A megabyte goes nowhere, at once; the first whole line after that is whole."""
    host = _open(tmp_path)
    for number in range(20_000):
        port.write(b"%049d\n" % number)
    assert port.dropped > 900_000
    backlog = b""
    while chunk := _read(host):
        backlog += chunk
    port.write(b"whole\n")
    lines = (backlog + _read(host)).split(b"\n")
    assert lines[0] == b"%049d" % 0
    assert lines[-2] == b"whole"
    os.close(host)


def _read(host: int) -> bytes:
    try:
        return os.read(host, 65_536)
    except BlockingIOError:
        return b""


def test_an_unplugged_port_is_lost_and_comes_back_under_its_name(
    port: PtyPort, tmp_path: Path
) -> None:
    """The host's end hangs up, the name is gone, and a new terminal has it afterwards."""
    host = _open(tmp_path)
    port.unplug()
    assert not port.is_plugged_in
    assert not (tmp_path / "ports" / "board").exists()
    with pytest.raises(OSError, match="Input/output error"):
        os.write(host, b"x")
    os.close(host)
    port.write(b"nobody\n")
    assert port.read() == b""
    port.plug_in()
    port.plug_in()
    host = _open(tmp_path)
    port.write(b"back\n")
    assert os.read(host, 100) == b"back\n"
    os.close(host)


def test_a_name_that_is_taken_is_left_alone(tmp_path: Path) -> None:
    """A file of somebody's is no port, and stays; a stale link of an earlier board is replaced."""
    (tmp_path / "notes").write_text("mine")
    with pytest.raises(BenchError, match="name another port"):
        PtyPort(tmp_path / "notes")
    assert (tmp_path / "notes").read_text() == "mine"
    (tmp_path / "board").symlink_to("/dev/pts/99999")
    port = PtyPort(tmp_path / "board")
    assert (tmp_path / "board").is_char_device()
    port.unplug()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """The error says which name the port cannot have."""
    (tmp_path / "file").write_text("")
    with pytest.raises(BenchError, match="cannot have this name"):
        PtyPort(tmp_path / "file" / "board")
