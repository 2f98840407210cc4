"""Tests of the protocol's page: what it shows is what the program reads and the firmware says."""

import ast
import dataclasses
import json
import re
from pathlib import Path

import pytest

from rig.link.commands import CommandReader
from rig.link.frames import Decoder
from rig.link.lines import MAX_LINE_BYTES
from rig.link.talk import (
    ASK_EVERY_S,
    BEATS_A_LEASE,
    CONFIG_EVERY_S,
    CONFIG_TIMES,
    HELLO_WITHIN_S,
    SILENCE_S,
)
from rig.readings import Samples
from tests.unit.link import wire

FOLDER = Path(__file__).parents[3] / "firmware_notes"
PAGE = (FOLDER / "protocol.md").read_text(encoding="utf-8")
FIRMWARE = (FOLDER / "main.py").read_text(encoding="utf-8")
VECTORS = re.search(r"^```vectors\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)[1].splitlines()
LINES = [line[2:].encode("ascii") for line in VECTORS if line[0] in "<>"]


def _plain(message: object) -> dict[str, object]:
    """Make a message what its JSON on the page is."""
    if isinstance(message, Samples):
        names = ("sequence", "mcu_us", "counts")
        fields = {name: getattr(message, name).tolist() for name in names}
        fields["missing"] = message.missing
    else:
        fields = dataclasses.asdict(message)
    return {type(message).__name__: json.loads(json.dumps(fields))}


def test_every_vector_says_what_stands_below_it() -> None:
    """One decoder from the first line on, one reader of commands; each answers as on the page."""
    decoder, reader = Decoder(), CommandReader()
    for line, meaning in zip(VECTORS[::2], VECTORS[1::2], strict=True):
        side, content = line[:2], line[2:].encode("ascii") + b"\n"
        assert meaning.startswith("= ")
        of_this = decoder if side == "< " else reader
        refused = of_this.refused
        said = decoder.feed(content, 0.0) if side == "< " else reader.feed(content)
        found = [_plain(message) for message in said] or [None]
        if of_this.refused > refused:
            found = ["refused"]
        assert found == [json.loads(meaning[2:])], line


def test_the_checksums_of_the_page_are_right() -> None:
    """Bit by bit, all but those that are wrong on purpose; and no line is too long."""
    wrong = [line for line in LINES if wire.line(line[9:]) != line + b"\n"]
    assert wrong == [b"0bc058a8 4 1073766831 12 -1", b"281DD207 beat 2"]
    assert max(map(len, LINES)) < MAX_LINE_BYTES
    assert f"At most {MAX_LINE_BYTES} bytes" in PAGE


@pytest.mark.parametrize(
    "word", ["hello", "channel", "ready", "ack", "supply", "fault", "ask", "config", "beat"]
)
def test_every_kind_of_line_has_its_row_and_its_vector(word: str) -> None:
    """What may be sent is described, and shown once."""
    assert re.search(rf"^\| `{word} number", PAGE, re.MULTILINE)
    assert any(line[9:].startswith(word.encode()) for line in LINES)


def test_every_fault_of_the_firmware_is_on_the_page() -> None:
    """The table of faults holds just the codes that the firmware sends."""
    rows = re.search(r"^\| fault \|.*\n\|[-|]+\|\n((?:\|.*\n)+)", PAGE, re.MULTILINE)[1]
    described = set(re.findall(r"^\| `(\w+)`", rows, re.MULTILINE))
    sent = set(re.findall(r'_fault\(b"(\w+)"', FIRMWARE))
    sent |= set(re.findall(r'b"fault", b"(\w+) "', FIRMWARE))
    assert described == sent


def _constant(name: str) -> object:
    for node in ast.parse(FIRMWARE).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == name:
            return ast.literal_eval(node.value)
    raise AssertionError(name)


def test_the_figures_of_the_page_are_those_in_force() -> None:
    """Times and ranges, the program's and the firmware's."""
    text = " ".join(PAGE.split())
    low, high = _constant("RATES_HZ")
    assert f"({low} to {high})" in text
    low, high = _constant("LEASES_MS")
    assert f"({low} to {high} ms)" in text
    assert f"asks every {ASK_EVERY_S:g} s" in text
    assert f"None for {HELLO_WITHIN_S:g} s" in text
    assert f"configuration every {CONFIG_EVERY_S:g} s" in text
    assert (CONFIG_TIMES, BEATS_A_LEASE) == (5, 8)
    assert "after five it gives up" in text
    assert "at most eight in a lease" in text
    assert f"No whole line for {SILENCE_S:g} s" in text
    assert _constant("CAUGHT_UP_US") == 100_000
    assert "late by up to 0.1 s" in text


def test_the_firmware_speaks_the_version_of_the_page() -> None:
    """Page, program and firmware are of one version."""
    assert PAGE.startswith(f"# The board's protocol, version {_constant('PROTOCOL')}\n")
