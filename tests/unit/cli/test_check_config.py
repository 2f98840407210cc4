"""Tests of `rig check-config`: which kind a file is, every fault of it, and what it says."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.cli.main import run
from rig.config import KEYS
from rig.parts.families import shipped_families
from tests.support.bench_files import FULL

Rig = Callable[..., tuple[int, str, str]]
SHEET = """\
part_number = "UM-P11"
make = "Umbrevan"

[limits.hold]
shape = "drop"
from = "15 inHg"
within = "20 s"
at_most = "0.8 inHg"
reference_volume = "45 cm3"
source = "Umbrevan workshop manual"
page = "8-12"
"""
SHEET_TOLD = """\
{file}: a sound spec sheet, UM-P11.

make                Umbrevan
limit for hold      drop at most 0.8 inHg, from 15 inHg, within 20 s, in 45 cm3 (Umbrevan
                    workshop manual, page 8-12)
"""


@pytest.fixture(name="rig")
def _rig(capsys: pytest.CaptureFixture[str]) -> Rig:
    def rig(*arguments: object) -> tuple[int, str, str]:
        status = run([str(each) for each in arguments])
        said = capsys.readouterr()
        return status, said.out, said.err

    return rig


def _file(folder: Path, text: str, name: str = "file.toml") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def test_a_sound_sheet_is_told_as_it_is_printed(tmp_path: Path, rig: Rig) -> None:
    """Whose it is, and each limit with its source and page."""
    file = _file(tmp_path, SHEET, "s.toml")
    expected = SHEET_TOLD.format(file=file)
    status, out, err = rig("check-config", file)
    assert (status, err) == (0, "")
    # The path of a temporary folder wraps where it will.
    assert out.partition("\n\n")[2] == expected.partition("\n\n")[2]
    assert " ".join(out.partition("\n\n")[0].split()) == expected.partition("\n")[0]
    assert json.loads(rig("check-config", file, "--json")[1]) == {
        "file": str(file),
        "kind": "sheet",
        "sound": True,
        "errors": [],
    }


def test_what_is_doubtful_about_a_sound_limit_is_said(tmp_path: Path, rig: Rig) -> None:
    """28 inHg may be a true limit, and no hand pump reaches it."""
    _, out, _ = rig("check-config", _file(tmp_path, SHEET.replace("15 inHg", "28 inHg")))
    assert "please note         The limit starts from 28 inHg" in out


def test_a_sound_bench_is_told_by_what_it_has(tmp_path: Path, rig: Rig) -> None:
    """Where its record is, what hangs on which pin, and what it can do."""
    status, out, _ = rig("check-config", _file(tmp_path, FULL))
    assert status == 0
    for line in (
        "record              /srv/stillgauge",
        "valves              pump: GPIO17, shut without power",
        "channels            p_a: pressure, from input p0",
    ):
        assert line in out.splitlines()
    assert "Low Yard, bench 1." in out
    assert "lease of the supply 0.4 s" in " ".join(out.split())
    assert "part valve" in out.partition("beyond the least")[2]


def test_a_family_is_told_with_its_cautions(tmp_path: Path, rig: Rig) -> None:
    """The same lines as `rig families` has."""
    (name, text), *_ = shipped_families().items()
    status, out, _ = rig("check-config", _file(tmp_path, text, f"{name}.toml"))
    assert status == 0
    _, listed, _ = rig("families", name)
    assert out.partition("\n\n")[2] == listed.partition("\n\n")[2]
    assert "fingers clear of" in out


@pytest.mark.parametrize(
    ("text", "kind", "faults"),
    [
        (
            FULL.replace("rate_hz = 250", "rate_hz = 5").replace('"mock"', '"mok"', 1),
            "bench",
            ["link.rate_hz", "pins.factory"],
        ),
        (SHEET.replace("0.8 inHg", "65.9 inHg"), "sheet", ["limits.hold"]),
        (SHEET.replace('make = "Umbrevan"', ""), "sheet", ["make"]),
        (
            'title = "choke pull-off"\n[ports.a]\n',
            "family",
            ["aliases", "ports.a.name", "variants"],
        ),
    ],
)
def test_every_fault_is_told_at_once(
    tmp_path: Path, rig: Rig, text: str, kind: str, faults: list[str]
) -> None:
    """Each with file, line and key, in a paragraph of its own; the same as a list to a program."""
    file = _file(tmp_path, text, "some_file.toml")
    status, out, err = rig("check-config", file)
    assert (status, err) == (3, "")
    told = json.loads(rig("check-config", file, "--json")[1])
    assert (told["kind"], told["sound"]) == (kind, False)
    for key in faults:
        assert any("some_file.toml, line " in each and key in each for each in told["errors"])
    head, *paragraphs = out.rstrip("\n").split("\n\n")
    assert [" ".join(each.split()) for each in paragraphs] == told["errors"]
    count = "one thing is" if len(paragraphs) == 1 else f"{len(paragraphs)} things are"
    assert " ".join(head.split()).endswith(f"and {count} wrong with it:")


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"colour = 'blue'\n", "none of ours"),
        (b"[valves\n", "line 1"),
        (b"\xff\xfe", "not UTF-8"),
        (b"#" * 1_000_001, "larger than 1 MB"),
        (None, "cannot be read"),
    ],
)
def test_what_is_no_file_of_ours_is_one_sentence(
    tmp_path: Path, rig: Rig, content: bytes | None, part: str
) -> None:
    """Neither of the three, no TOML, no text, far too large, not there."""
    file = tmp_path / "file.toml"
    if content is not None:
        file.write_bytes(content)
    status, out, err = rig("check-config", file)
    assert (status, out, err.count("\n")) == (3, "", 1)
    assert part in err
    assert json.loads(rig("check-config", file, "--json")[1])["exit_status"] == 3


def test_every_key_of_a_bench_file_is_listed(rig: Rig) -> None:
    """With its help, to a person and to a program; a file beside --keys is refused."""
    _, out, _ = rig("check-config", "--keys")
    listed = " ".join(out.split())
    for key, text in KEYS.items():
        assert f"{key} {text}" in listed
    assert json.loads(rig("check-config", "--keys", "--json")[1]) == {"keys": dict(KEYS)}
    assert rig("check-config", "--keys", "file.toml")[0] == 2
    assert rig("check-config")[0] == 2


def test_families_are_told_to_a_program(rig: Rig) -> None:
    """Ports with what they bear in Pa, kinds with tests, limits and what must be confirmed."""
    status, out, _ = rig("families", "choke_pull_off", "--json")
    assert status == 0
    (family,) = json.loads(out)["families"]
    assert family["ports"]["a"]["max_vacuum_pa"] == pytest.approx(25.0 * 3386.389)
    direct = family["variants"]["direct"]
    assert direct["tests"]["hold"]["limit"]["at_most"] == "1 inHg"
    assert direct["tests"]["hold"]["required_for"] == ["before-fitting", "for-sale"]
    assert "no_bleed" in [each["code"] for each in direct["questions"]]
    assert len(json.loads(rig("families", "--json")[1])["families"]) == len(shipped_families())


def test_a_family_that_is_not_there_is_refused(rig: Rig) -> None:
    """With the nearest name."""
    status, _, err = rig("families", "choke_puloff")
    assert (status, "Did you mean 'choke_pull_off'?" in err) == (3, True)
