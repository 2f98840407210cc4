"""Tests of how a family file is read: all that it says, and all that can be wrong with it."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.parts.families import shipped_families
from rig.parts.family import Family, FamilyError, Fitting, Means, Method, Nouns
from rig.parts.family_file import read_family
from rig.parts.intake import LookOver
from rig.parts.limits import Source
from rig.parts.shapes import Shape
from rig.records import Finding, Purpose

INHG = 3386.389
PSI = 6894.757
FILE = """\
title = "relay valve"
aliases = ["two-port valve"]
does = '''Lets one
          vacuum open the way for another.'''
fuel_vapour = false
cautions = ["Fingers clear of the lever."]
look_over = ["rust", "cracked nipple"]
does_not_show = ["how it holds hot"]

[ports.a]
name = "control nipple"
looks = "the nipple in the middle"
max_vacuum = "22 inHg"
max_pressure = "1 psi"
typical_volume = ["5 cm3", "15 cm3"]
least_volume = "1 cm3"
source = "Umbrevan workshop manual"

[ports.b]
name = "source nipple"
looks = "the nipple at the side"
max_vacuum = "10 inHg"
max_pressure = "2 psi"
typical_volume = ["1 cm3", "3 cm3"]
least_volume = "0.5 cm3"
source = "rig default, not a specification"

[questions.dry]
statement = "No liquid runs out."
otherwise = "Drain it."

[questions.clear]
statement = "The nipple is clear."
otherwise = "Probe it."
unless_bench_has = "part valve"

[variants.plain]
title = "plain"
tell = "Nothing on the cover."
tests = { hold = {}, seat = {} }
questions = ["clear"]

[variants.bled]
title = "with a bleed"
tell = "A hole in the cover."
questions = ["dry", "clear"]

[variants.bled.tests.hold]
settle = "8 s"
plumbing = { a = "hose", b = "taped" }

[tests.hold]
title = "control side holds"
procedure = "hold"
needs = ["part valve", "travel sensor or mark"]
required_for = ["for sale"]
settle = "5 s"
hold = "90 s"

[tests.hold.nouns]
part = "valve"
port = "middle nipple"
moving = "lever"

[tests.hold.plumbing]
a = "hose"
b = "open"

[tests.hold.limit]
shape = "remaining"
from = "15 inHg"
after = "10 s"
at_least = "14 inHg"
source = "Umbrevan workshop manual"
page = 12

[tests.seat]
title = "seat holds"
procedure = "hold"
needs = []
required_for = []
vacuum = "8 inHg"
settle = "3 s"
plumbing = { a = "capped", b = "hose" }
nouns = { part = "valve", port = "side nipple" }
"""


def read(text: str = FILE) -> Family:
    """Read the text as that of one file."""
    return read_family(text, "cars/relay_valve.toml")


def faults(text: str) -> tuple[str, ...]:
    """Read a text that is wrong and get all that is said of it."""
    with pytest.raises(FamilyError) as caught:
        read(text)
    return caught.value.errors


def test_a_family_is_what_its_file_says() -> None:
    """Names, texts in one line, flags and lists arrive as written; the file's name names it."""
    family = read()
    assert family.name == "relay_valve"
    assert family.title == "relay valve"
    assert family.aliases == ("two-port valve",)
    assert family.does == "Lets one vacuum open the way for another."
    assert not family.fuel_vapour
    assert family.cautions == (Finding("caution", {"text": "Fingers clear of the lever."}),)
    assert family.look_over == (LookOver.RUST, LookOver.CRACKED_NIPPLE)
    assert family.does_not_show == ("how it holds hot",)


def test_ports_come_with_what_they_bear_in_si_and_whose_figure_it_is() -> None:
    """The maxima guard the part: a wrong unit or factor here would break it."""
    port = read().ports["a"]
    assert (port.name, port.looks) == ("control nipple", "the nipple in the middle")
    assert port.max_vacuum_pa == pytest.approx(22 * INHG)
    assert port.max_pressure_pa == pytest.approx(PSI)
    assert (port.least_typical_m3, port.most_typical_m3) == pytest.approx((5e-6, 15e-6))
    assert port.least_volume_m3 == pytest.approx(1e-6)
    assert port.source == Source("Umbrevan workshop manual")
    assert read().ports["b"].source.is_rig_default


def test_a_test_is_what_its_file_says() -> None:
    """Method, needs, nouns, plumbing, times and limit arrive in SI."""
    test = read().variants["plain"].tests["hold"]
    assert (test.name, test.title, test.method) == ("hold", "control side holds", Method.HOLD)
    assert test.needs == ((Means.PART_VALVE,), (Means.TRAVEL_SENSOR, Means.MARK))
    assert test.nouns == Nouns("valve", "middle nipple", "lever")
    assert test.plumbing == {"a": Fitting.HOSE, "b": Fitting.OPEN}
    assert test.required_for == (Purpose.FOR_SALE,)
    assert (test.settle_s, test.hold_s) == (5.0, 90.0)
    assert test.vacuum_pa == pytest.approx(15 * INHG)
    assert test.limit is not None
    assert test.limit.shape is Shape.REMAINING
    assert test.limit_table == {
        "shape": "remaining",
        "from": "15 inHg",
        "after": "10 s",
        "at_least": "14 inHg",
        "source": "Umbrevan workshop manual",
        "page": "12",
    }


def test_a_test_without_a_limit_says_itself_where_its_hold_begins() -> None:
    """Such a test can only be measured; a hold lasts a minute where nothing else is said."""
    test = read().variants["plain"].tests["seat"]
    assert test.limit is None
    assert test.limit_table == {}
    assert test.vacuum_pa == pytest.approx(8 * INHG)
    assert test.hold_s == 60.0
    assert test.nouns.moving is None


def test_a_variant_says_what_differs_and_keeps_the_rest() -> None:
    """A test keeps its name, limit and means in every variant, so that sheets fit them all."""
    family = read()
    plain, bled = family.variants["plain"], family.variants["bled"]
    assert (bled.title, bled.tell) == ("with a bleed", "A hole in the cover.")
    assert list(plain.tests) == ["hold", "seat"]
    assert list(bled.tests) == ["hold"]
    assert bled.tests["hold"].settle_s == 8.0
    assert bled.tests["hold"].plumbing == {"a": Fitting.HOSE, "b": Fitting.TAPED}
    assert bled.tests["hold"].limit == plain.tests["hold"].limit
    assert plain.tests["hold"].plumbing["b"] is Fitting.OPEN


def test_a_variant_asks_its_own_questions_in_their_order() -> None:
    """What must be known of one kind of part need not be asked of another."""
    family = read()
    assert [each.code for each in family.variants["plain"].questions] == ["clear"]
    dry, clear = family.variants["bled"].questions
    assert (dry.code, dry.statement, dry.otherwise) == ("dry", "No liquid runs out.", "Drain it.")
    assert (dry.unless, clear.unless) == (None, Means.PART_VALVE)


@pytest.mark.parametrize("change", [("\n", "\r\n"), ("title", "\ufefftitle")])
def test_a_file_of_any_editor_is_read(change: tuple[str, str]) -> None:
    """Line ends of other systems and a mark at the very beginning change nothing."""
    old, new = change
    assert read(FILE.replace(old, new, 1 if new != "\r\n" else -1)) == read()


def test_the_word_brakes_is_enough_for_their_caution() -> None:
    """And a file that denies it, of a part that its title gives away, carries it all the same."""
    brakes = Finding("caution_brakes")
    assert brakes in read("brakes = true\n" + FILE).cautions
    assert (
        brakes in read("brakes = false\n" + FILE.replace("relay valve", "booster valve")).cautions
    )


# What is changed in the file, the key and words that must be named; the line is that of the change.
WRONG = [
    ('title = "relay valve"', "title = 5", "title", "text in quotes"),
    ('title = "relay valve"', 'title = " "', "title", "text in quotes"),
    ('title = "relay valve"', 'titel = "relay valve"', "titel", "Did you mean 'title'?"),
    ('["two-port valve"]', "[5]", "aliases", "list of texts"),
    ("false", '"no"', "fuel_vapour", "without quotes"),
    ('["Fingers clear of the lever."]', "[]", "cautions", "Write one at least"),
    ('"rust"', '"rusty"', "look_over", "Did you mean 'rust'?"),
    ('"22 inHg"', '"22"', "ports.a.max_vacuum", "no unit"),
    ('"22 inHg"', '"22 s"', "ports.a.max_vacuum", "gives time"),
    ('"22 inHg"', '"0 inHg"', "ports.a.max_vacuum", "more than zero"),
    ('"22 inHg"', '"65.9 inHg"', "ports.a.max_vacuum", "cannot exist"),
    ('"1 psi"', '"43 psi"', "ports.a.max_pressure", "no more than 3 psi"),
    ('"5 cm3", "15 cm3"', '"15 cm3", "5 cm3"', "ports.a.typical_volume", "the least and the most"),
    ('"5 cm3", "15 cm3"', '"10 cm3"', "ports.a.typical_volume", "the least and the most"),
    ('"1 cm3"\nsource', '"6 cm3"\nsource', "ports.a.least_volume", "below the least typical"),
    ("[ports.b]", "[ports.left]", "ports.left", "no port"),
    ('"part valve"', '"port valve"', "questions.clear.unless_bench_has", "'part valve'"),
    ('"Drain it."', '""', "questions.dry.otherwise", "text in quotes"),
    ('["clear"]', '["claer"]', "variants.plain.questions", "Did you mean 'clear'?"),
    ("seat = {}", "saet = {}", "variants.plain.tests.saet", "Did you mean 'seat'?"),
    ("{ hold = {}, seat = {} }", "{}", "variants.plain.tests", "no test"),
    ("{ hold = {}, seat = {} }", '["hold"]', "variants.plain.tests", "heading"),
    ('settle = "8 s"', 'setle = "8 s"', "variants.bled.tests.hold.setle", "'settle'"),
    ('settle = "8 s"', 'settle = "90 s"', "variants.bled.tests.hold.settle", "Write less"),
    ('procedure = "hold"', 'procedure = "holds"', "tests.hold.procedure", "Did you mean 'hold'?"),
    ('sensor or mark"', 'sensor or marks"', "tests.hold.needs", "Did you mean 'mark'?"),
    ('["for sale"]', '["sale"]', "tests.hold.required_for", "Did you mean 'for sale'?"),
    ('"90 s"', '"7 s"', "tests.hold.hold", "from 8 s"),
    ('"90 s"', '"5 h"', "tests.hold.hold", "to 1 h"),
    ('hold = "90 s"', 'vacuum = "12 inHg"', "tests.hold.vacuum", "Leave this out"),
    ('moving = "lever"', 'movin = "lever"', "tests.hold.nouns.movin", "Did you mean 'moving'?"),
    ('b = "open"', 'b = "opne"', "tests.hold.plumbing.b", "Did you mean 'open'?"),
    ('"14 inHg"', '"14"', "tests.hold.limit.at_least", "no unit"),
    ('from = "15 inHg"', 'frm = "15 inHg"', "tests.hold.limit.frm", "Did you mean 'from'?"),
    ('"8 inHg"', '"9.8 inHg"', "tests.seat.vacuum", "9.5 inHg at most"),
]


def line_of(text: str, sought: str) -> int:
    """Count to the line in which something stands for the first time."""
    return text.count("\n", 0, text.index(sought)) + 1


def wrong_at(text: str, line: int, key: str) -> str:
    """Read a text that is wrong, and get what is said of a key in one line."""
    said = [each for each in faults(text) if f", {key}: " in each]
    assert len(said) == 1, faults(text)
    assert said[0].startswith(f"cars/relay_valve.toml, line {line}, {key}: ")
    return said[0]


@pytest.mark.parametrize(("old", "new", "key", "words"), WRONG)
def test_a_fault_is_named_with_file_line_key_and_what_to_write(
    old: str, new: str, key: str, words: str
) -> None:
    """Whoever wrote the file finds the place at once, and what belongs there."""
    assert words in wrong_at(FILE.replace(old, new, 1), line_of(FILE, old), key)


# What is left out or changed, the heading or line that is named instead, key and words.
WRONG_ELSEWHERE = [
    ('title = "relay valve"\n', "", "aliases", "title", 'Write it like title = "'),
    ("fuel_vapour = false\n", "", "title", "fuel_vapour", "true or false"),
    ('max_vacuum = "22 inHg"\n', "", "[ports.a]", "ports.a.max_vacuum", "missing"),
    ('max_pressure = "1 psi"\n', "", "[ports.a]", "ports.a.max_pressure", "missing"),
    ('"0.5 cm3"\nsource', '"0.5 cm3"\nsurce', "[ports.b]", "ports.b.source", "missing"),
    (", seat = {}", "", "[tests.seat]", "tests.seat", "Name it in a variant's tests"),
    ('b = "open"\n', "", "[tests.hold.plumbing]", "tests.hold.plumbing.b", "missing"),
    ('"open"', '"hose"', "[tests.hold.plumbing]", "tests.hold.plumbing", "one port"),
    ('a = "hose"\n', 'a = "open"\n', "[tests.hold.plumbing]", "tests.hold.plumbing", "one port"),
    ('"14 inHg"', '"16 inHg"', "[tests.hold.limit]", "tests.hold.limit", "below the start"),
    ('"15 inHg"', '"65.9 inHg"', "[tests.hold.limit]", "tests.hold.limit", "cannot exist"),
    ('"15 inHg"', '"21.8 inHg"', "[tests.hold.limit]", "tests.hold.limit", "21.5 inHg at most"),
    ('vacuum = "8 inHg"\n', "", "[tests.seat]", "tests.seat.vacuum", "missing"),
]


@pytest.mark.parametrize(("old", "new", "heading", "key", "words"), WRONG_ELSEWHERE)
def test_what_is_missing_or_belongs_to_a_table_is_named_at_its_heading(
    old: str, new: str, heading: str, key: str, words: str
) -> None:
    """There the key is to be written, or the figures stand that do not go together."""
    text = FILE.replace(old, new, 1)
    assert text != FILE
    assert words in wrong_at(text, line_of(text, heading), key)


def test_a_limit_that_no_hold_can_judge_is_refused() -> None:
    """The procedure and the shape of the limit must fit each other."""
    start, end = FILE.index('shape = "remaining"'), FILE.index('source = "Umbrevan', 900)
    band = 'shape = "switch_band"\nclosed_below = "103 degF"\nopen_above = "128 degF"\n'
    line = line_of(FILE, 'shape = "remaining"')
    said = wrong_at(FILE[:start] + band + FILE[end:], line, "tests.hold.limit.shape")
    assert "'switch_band' is not judged from one hold" in said


def test_all_faults_are_told_at_once_in_the_order_of_the_file() -> None:
    """One look at the file mends them all."""
    text = FILE.replace('"rust"', '"rusty"').replace('"22 inHg"', '"22"').replace('"90 s"', "90")
    lines = [said.split(", ")[1] for said in faults(text)]
    assert lines == [f"line {line_of(text, wrong)}" for wrong in ('"rusty"', '"22"', "hold = 90")]


def test_a_fault_of_a_test_that_many_variants_share_is_told_once() -> None:
    """It stands in one place of the file."""
    assert len(faults(FILE.replace('title = "control side holds"', "title = 1"))) == 1


@pytest.mark.parametrize("heading", ["[ports.a]", "[variants.plain]", "[questions.dry]"])
def test_a_heading_without_anything_below_lists_what_belongs_there(heading: str) -> None:
    """Every key that is missing is named with an example of how to write it."""
    said = faults(f"{heading}\n")
    name = heading.strip("[]")
    missing = [each for each in said if f"line 1, {name}." in each]
    assert missing
    assert all("Write" in each for each in missing)


def test_an_empty_file_is_told_what_belongs_into_it() -> None:
    """The keys of the top and the variants are asked for; nothing else can be said yet."""
    asked = {said.split(", ")[2].split(":")[0] for said in faults("")}
    needed = {"title", "aliases", "does", "fuel_vapour", "cautions", "look_over", "does_not_show"}
    assert asked == needed | {"variants"}


def test_questions_that_are_named_must_be_written() -> None:
    """A file without any question cannot refer to one."""
    start, end = FILE.index("[questions.dry]"), FILE.index("[variants.plain]")
    assert any("variants.plain.questions" in said for said in faults(FILE[:start] + FILE[end:]))


def test_a_heading_that_stands_twice_is_found() -> None:
    """TOML itself refuses it, and its line is passed on."""
    (said,) = faults(FILE.replace("[ports.b]", "[ports.a]"))
    assert said.startswith(f"cars/relay_valve.toml, line {line_of(FILE, '[ports.b]')}, ")
    assert said.endswith("every key stands once.")


@pytest.mark.parametrize("name", ["Relay Valve.toml", "cars\\2valve.toml", ".toml", "ventil\u00e9"])
def test_a_file_whose_name_cannot_name_a_family_is_refused(name: str) -> None:
    """The name is stored with every run, so it is plain."""
    with pytest.raises(FamilyError, match="small letters, digits and underscores"):
        read_family(FILE, name)


SHIPPED = shipped_families()["choke_pull_off"]


@settings(max_examples=200, derandomize=True, deadline=None)
@given(st.data())
def test_a_file_that_was_spoiled_is_read_or_refused_and_nothing_else(data: st.DataObject) -> None:
    """Whatever an editor or a bad card did to it, the answer is a family or a list of faults."""
    start = data.draw(st.integers(0, len(SHIPPED)))
    length = data.draw(st.integers(0, 40))
    instead = data.draw(st.text('"[]{}=#.,\n a1\0\u00e9', max_size=8))
    spoiled = SHIPPED[:start] + instead + SHIPPED[start + length :]
    said: tuple[str, ...] = ()
    try:
        assert read_family(spoiled, "choke_pull_off.toml").file_cautions
    except FamilyError as error:
        said = error.errors
    assert all(each.startswith("choke_pull_off.toml, line ") for each in said)
