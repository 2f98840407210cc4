"""Tests of TOML that a person wrote: every key is found in its line, every fault is kept."""

import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.toml_text import KeyPath, Span, TomlText, nearest
from rig.units import Kind

SPEED = Span(Kind.VACUUM, "10 kPa/s", "1000 kPa/s", "400 kPa/s", per="/s")


def lines_of(text: str, *paths: str) -> list[int]:
    """Return the lines in which dotted keys are said to stand."""
    toml = TomlText(text, "x", InputError)
    said = [toml.where(tuple(path.split("."))) for path in paths]
    return [int(each.split(", ")[1].removeprefix("line ")) for each in said]


def test_keys_stand_in_the_lines_where_a_person_sees_them() -> None:
    """Headings, dotted and quoted keys, inline tables, values of many lines, comments: by hand."""
    text = """\
# [not.a.heading]
a = 1  # b = 2
"quoted key" = "[x]"
deep.down.here = 3

many = [
  "one",  # [two]
  "]",
]
story = '''
[valves]
pin = 3
'''
inline = { pin = 4, more = { at = 5 } }
[valves.pump]   # the pump
pin = "GPIO17"
level.high = true
[ valves . "vent" ]
pin = "=[{"
[valves]
last = 6
"""
    toml = TomlText(text, "x", InputError)
    assert toml.where(("quoted key",)) == "x, line 3, 'quoted key'"
    keys = {
        "a": 2,
        "b": 1,
        "deep": 4,
        "deep.down.here": 4,
        "many": 6,
        "story": 10,
        "story.pin": 10,
        "inline": 14,
        "inline.pin": 14,
        "inline.more.at": 14,
        "valves": 15,
        "valves.pump": 15,
        "valves.pump.pin": 16,
        "valves.pump.level.high": 17,
        "valves.vent": 18,
        "valves.vent.pin": 19,
        "valves.last": 21,
    }
    assert lines_of(text, *keys) == list(keys.values())


_NAMES = st.sampled_from(["a", "b", "c_d", '"e f"', "'[g]'", '"h.i"', '"#j"'])
_VALUES = st.sampled_from(
    ["1", '"x = 2"', "true", "[1, 2]", "[\n  1, # one\n  2\n]", '"""\n[a]\nb = 1\n"""', "{ k = 1 }"]
)
_STATEMENTS = st.one_of(
    st.just(""),
    st.just("# c_d = 1"),
    st.builds(lambda parts: f"[{'.'.join(parts)}]", st.lists(_NAMES, min_size=1, max_size=3)),
    st.builds(
        lambda parts, value: f"{'.'.join(parts)} = {value}",
        st.lists(_NAMES, min_size=1, max_size=2),
        _VALUES,
    ),
)


def _paths(table: dict[str, object]) -> list[KeyPath]:
    paths: list[KeyPath] = []
    for key, value in table.items():
        paths.append((key,))
        if isinstance(value, dict):
            paths += [(key, *path) for path in _paths(value)]
    return paths


@given(st.lists(_STATEMENTS, min_size=1, max_size=7))
@settings(max_examples=150, derandomize=True, deadline=None)
def test_a_key_stands_in_the_statement_that_brings_it_in(statements: list[str]) -> None:
    """The first statement after which tomllib itself knows the key begins in the line told."""
    kept: list[str] = []
    begins: dict[KeyPath, int] = {}
    for statement in statements:
        try:
            known = _paths(tomllib.loads("\n".join([*kept, statement])))
        except tomllib.TOMLDecodeError:
            continue
        line = "\n".join(kept).count("\n") + 2 if kept else 1
        for path in known:
            begins.setdefault(path, line)
        kept.append(statement)
    toml = TomlText("\n".join(kept), "x", InputError)
    for path, line in begins.items():
        assert toml.where(path).startswith(f"x, line {line}, ")


def test_faults_are_kept_once_each_and_raised_in_the_order_of_the_file() -> None:
    """Reading goes on after a fault with an empty value."""
    toml = TomlText("a = 1\n[b]\nc = 'x'\nd = 2", "x", InputError)
    below = toml.root.table("b")
    assert math.isnan(below.quantity("d", Kind.VOLTAGE, "1 V"))
    assert math.isnan(below.quantity("d", Kind.VOLTAGE, "1 V"))
    assert math.isnan(below.number("c", 0.0, 1.0, "0.5"))
    assert toml.root.text("a", "words") == ""
    with pytest.raises(InputError) as caught:
        toml.refuse()
    assert [said.split(": ")[0] for said in caught.value.errors] == [
        "x, line 1, a",
        "x, line 3, b.c",
        "x, line 4, b.d",
    ]


def test_nothing_is_raised_where_nothing_is_wrong() -> None:
    """A sound text passes."""
    toml = TomlText("a = 1", "x", InputError)
    assert toml.root.number("a", 0.0, 2.0, "1") == 1.0
    toml.root.finish()
    toml.refuse()


@pytest.mark.parametrize(
    ("text", "value_si"),
    [("400 kPa/s", 4e5), ("400kPa / s", 4e5), ("10 kPa/s", 1e4), ("200 inHg/s", 677_277.8)],
)
def test_a_quantity_a_second_is_read(text: str, value_si: float) -> None:
    """Blanks do not matter, bounds belong to the span, any unit of the kind will do."""
    toml = TomlText(f'fastest = "{text}"', "x", InputError)
    assert toml.root.within("fastest", SPEED) == pytest.approx(value_si)
    toml.refuse()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("400 kPa", "does not end in /s"),
        ("9.99 kPa/s", "not within 10 kPa/s to 1000 kPa/s"),
        ("1000.1 kPa/s", "not within"),
        ("-400 kPa/s", "negative"),
        ("400 V/s", "gives voltage"),
        ("0e400 kPa/s", "not within"),
        ("1e999 kPa/s", "not a finite number"),
        ("1" * 80 + " kPa/s", "no number with its unit"),
        ("400 kPa\\u0007/s", "no number with its unit"),
    ],
)
def test_what_is_no_such_quantity_is_told(text: str, said: str) -> None:
    """Each way to go wrong has its sentence, with an example."""
    toml = TomlText(f'fastest = "{text}"', "x", InputError)
    assert math.isnan(toml.root.within("fastest", SPEED))
    with pytest.raises(InputError, match=said):
        toml.refuse()


def test_a_default_is_taken_where_the_key_is_not_there() -> None:
    """It is written as a person would write it."""
    toml = TomlText("", "x", InputError)
    assert toml.root.within("fastest", SPEED, default="0.5 bar/s") == 50_000.0
    assert toml.root.number("ratio", 0.0, 1.0, "0.5", default=0.25) == 0.25
    assert toml.root.whole("rate", 0, 10, default=3) == 3
    toml.refuse()


def test_the_nearest_known_word_is_offered_or_else_all() -> None:
    """A slip of the finger is told from another word."""
    assert nearest("pmup", ("pump", "vent")) == "Did you mean 'pump'?"
    assert nearest("xyz", ("pump", "vent")) == "Use one of: pump, vent."
