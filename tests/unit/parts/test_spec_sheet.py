"""Tests of how a user's spec sheet is read, and of what is said of a bad one."""

import pytest

from rig.errors import InputError
from rig.parts.spec_sheet import parse_spec_sheet

SHEET = """\
part_number = "UM-P11"
make = "Umbrevan"

[limits.hold]
shape = "drop"
from = "15 inHg"
within = "20 s"
at_most = "0.97 inHg (3.3 kPa)"
source = "Umbrevan workshop manual"
page = 812

[limits.hold_taped]
shape = "remaining"
from = "15 inHg"
after = "10 s"
at_least = "5 inHg"
source = "Umbrevan workshop manual"
page = "8-13"
"""


def test_a_sheet_gives_its_limits_by_test_as_texts() -> None:
    """What is printed is kept letter by letter, a page that is a number too, as a run keeps it."""
    sheet = parse_spec_sheet(SHEET, "um-p11.toml")
    assert (sheet.part_number, sheet.make) == ("UM-P11", "Umbrevan")
    assert list(sheet.limits) == ["hold", "hold_taped"]
    assert sheet.limits["hold"] == {
        "shape": "drop",
        "from": "15 inHg",
        "within": "20 s",
        "at_most": "0.97 inHg (3.3 kPa)",
        "source": "Umbrevan workshop manual",
        "page": "812",
    }
    assert sheet.limits["hold_taped"]["page"] == "8-13"


# What is changed in the sheet, and the line, key and words that must be named.
WRONG = [
    ('part_number = "UM-P11"', "", 1, "part_number", "missing"),
    ('make = "Umbrevan"', "make = 7", 2, "make", "text in quotes"),
    ('make = "Umbrevan"', 'maker = "Umbrevan"', 2, "maker", "Did you mean 'make'?"),
    ('"0.97 inHg (3.3 kPa)"', '"10 inHg (69 kPa)"', 8, "limits.hold.at_most", "misprint"),
    ('"0.97 inHg (3.3 kPa)"', '"0.97"', 8, "limits.hold.at_most", "no unit"),
    ('from = "15 inHg"\nwithin', 'from = "65.9 inHg"\nwithin', 4, "limits.hold", "cannot exist"),
    ('within = "20 s"', 'withni = "20 s"', 7, "limits.hold.withni", "Did you mean 'within'?"),
    ('within = "20 s"', "within = 20", 7, "limits.hold.within", "no unit"),
    ('within = "20 s"\n', "", 4, "limits.hold", "'within'"),
    ('shape = "drop"', 'shape = "dropp"', 5, "limits.hold.shape", "Did you mean 'drop'?"),
    ('shape = "drop"\n', "", 4, "limits.hold.shape", "has no shape"),
    ('source = "Umbrevan workshop manual"\npage = 812', "", 4, "limits.hold.source", "whose"),
]


@pytest.mark.parametrize(("old", "new", "line", "key", "words"), WRONG)
def test_a_fault_is_named_with_file_line_key_and_what_to_write(
    old: str, new: str, line: int, key: str, words: str
) -> None:
    """Whoever wrote the sheet finds the place at once, and the reason beside it."""
    assert SHEET.count(old) == 1
    with pytest.raises(InputError) as caught:
        parse_spec_sheet(SHEET.replace(old, new), "um-p11.toml")
    said = [each for each in caught.value.errors if f"line {line}, {key}:" in each]
    assert len(said) == 1, caught.value.errors
    assert said[0].startswith("um-p11.toml, line ")
    assert words in said[0]


def test_all_faults_are_told_at_once() -> None:
    """One look at the file mends them all: they come in its order."""
    text = SHEET.replace('"5 inHg"', '"16 inHg"').replace('"20 s"', '"20"').replace("make", "mak")
    with pytest.raises(InputError) as caught:
        parse_spec_sheet(text, "um-p11.toml")
    keys = [said.split(", ")[2].split(":")[0] for said in caught.value.errors]
    assert keys == ["make", "mak", "limits.hold.within", "limits.hold_taped"]


def test_a_sheet_without_limits_is_no_sheet() -> None:
    """Nothing to judge by is said, not passed over."""
    with pytest.raises(InputError, match=r"limits: there is none\. Write one"):
        parse_spec_sheet('part_number = "UM-P11"\nmake = "Umbrevan"\n', "um-p11.toml")


def test_what_is_no_toml_is_said_with_its_line() -> None:
    """A quote that was forgotten is found where it was forgotten."""
    with pytest.raises(InputError, match=r"um-p11\.toml, line 2"):
        parse_spec_sheet(SHEET.replace('"Umbrevan"\n', "Umbrevan\n"), "um-p11.toml")
