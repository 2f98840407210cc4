"""Tests of the bench file: what it says in SI, and what is told of one that cannot be used."""

import dataclasses
import math
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.config import (
    KEYS,
    Bench,
    InputSettings,
    LinkSettings,
    OutputSettings,
    PinSettings,
    PressureSettings,
    SafetySettings,
    ThermistorSettings,
    TravelSettings,
    ValveSettings,
    VoltageSettings,
    load_bench,
    parse_bench,
)
from rig.errors import BenchError
from tests.support.bench_files import FULL, changed, without

LEAST = """\
name = "Back room"
data = "~/vacuum"
[link]
port = "/dev/ttyACM0"
[pins]
factory = "lgpio"
[valves.pump]
pin = "GPIO17"
at_rest = "shut"
active_high = true
[valves.vent]
pin = "GPIO27"
at_rest = "open"
active_high = true
[channels.p_a]
kind = "pressure"
input = "p0"
low = ["0.5 V", "0 kPa"]
high = ["4.5 V", "115 kPa"]
span_u = "1.5 %"
zero_u = "2 mbar"
[safety]
max_vacuum = "60 kPa"
"""


def refused(text: str) -> tuple[str, ...]:
    """Return the sentences that a text is refused with."""
    with pytest.raises(BenchError) as caught:
        parse_bench(text, "bench.toml")
    assert str(caught.value) == "\n".join(caught.value.errors)
    return caught.value.errors


def test_a_whole_file_is_read_into_si() -> None:
    """Every key arrives, in volts, pascals, metres, kelvin and seconds, worked out by hand."""
    bench = parse_bench(FULL, "bench.toml")
    assert bench.name == "Low Yard, bench 1"
    assert bench.data == Path("/srv/stillgauge")
    assert bench.link == LinkSettings("/dev/serial/by-id/usb-board", 250, 0.4)
    assert bench.pins == PinSettings("mock", Path("/srv/stillgauge/pins.log"))
    assert bench.valves == {
        "pump": ValveSettings("GPIO17", "shut", True),
        "vent": ValveSettings("GPIO18", "open", False),
        "part": ValveSettings("GPIO22", "open", True),
        "port_b": ValveSettings("GPIO23", "open", True),
    }
    assert bench.outputs == {
        "coil": OutputSettings("GPIO24", True),
        "electric_pump": OutputSettings("GPIO25", True),
        "lamp": OutputSettings("GPIO5", True),
        "buzzer": OutputSettings("GPIO6", False),
    }
    assert bench.inputs == {
        "mark": InputSettings("GPIO12", "low"),
        "stop": InputSettings("GPIO13", "open"),
    }
    assert bench.channels["p_a"] == PressureSettings(
        "p0", 1.0, 0.5, 0.0, 4.5, 115_000.0, 0.01, 300.0, 5.0, 400_000.0
    )
    assert bench.channels["p_b"] == PressureSettings(
        "p1", 1.0, 0.5, 0.0, 4.5, 115_000.0, 0.02, 300.0, None, 400_000.0
    )
    assert bench.channels["t_gas"] == ThermistorSettings(
        *("t0", 1.0, 10_000.0, 5.0, "to_ground"),
        *((0.001129241, 0.0002341077, 8.775468e-08), None, None, 0.5),
    )
    assert bench.channels["t_bath"] == ThermistorSettings(
        *("t1", 1.0, 4700.0, 5.0, "to_reference", None, 10_000.0, 3950.0, pytest.approx(0.5))
    )
    assert bench.channels["supply"] == VoltageSettings("v0", 6.0)
    assert bench.channels["travel"] == TravelSettings("x0", 1.0, 0.5, 0.0, 4.5, 0.025)
    assert bench.safety.max_vacuum_pa == pytest.approx(25 * 3386.389)
    assert bench.safety.max_bath_k == pytest.approx(368.15)
    assert bench.safety.supply_v == (11.0, 15.0)
    assert bench.text == FULL


def test_the_least_bench_needs_little(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """One sensor, two valves, one port; what is left out has the values that the help names."""
    monkeypatch.setenv("HOME", str(tmp_path))
    bench = parse_bench(LEAST, "bench.toml")
    assert bench.data == tmp_path / "vacuum"
    assert bench.link == LinkSettings("/dev/ttyACM0", 200, 0.5)
    assert bench.pins == PinSettings("lgpio", None)
    assert list(bench.valves) == ["pump", "vent"]
    assert not bench.outputs
    assert not bench.inputs
    assert list(bench.channels) == ["p_a"]
    assert bench.safety == SafetySettings(60_000.0, pytest.approx(368.15), None)


def test_a_bench_cannot_be_changed_once_read() -> None:
    """It crosses threads: neither its fields nor its tables take another value."""
    bench = parse_bench(FULL, "bench.toml")
    with pytest.raises(dataclasses.FrozenInstanceError):
        bench.name = "another"  # type: ignore[misc]
    with pytest.raises(TypeError):
        bench.valves["pump"] = bench.valves["vent"]  # type: ignore[index]


VALVES = ("pump", "vent", "part", "port_b")


@pytest.mark.parametrize("valve", VALVES)
def test_unpowered_is_open(valve: str) -> None:
    """Pump shut and every other valve open at rest; the other way round is refused with why."""
    bench = parse_bench(FULL, "bench.toml")
    right = "shut" if valve == "pump" else "open"
    assert bench.valves[valve].at_rest == right
    wrong = "open" if valve == "pump" else "shut"
    start = FULL.index(f"[valves.{valve}]")
    text = FULL[:start] + FULL[start:].replace(f'"{right}"', f'"{wrong}"', 1)
    (error,) = refused(text)
    line = text[:start].count("\n") + 3
    assert error.startswith(f"bench.toml, line {line}, valves.{valve}.at_rest: ")
    assert "when the power fails" in error
    assert f'write at_rest = "{right}"' in error


# What is wrong: the text, what its line begins with and the key, what is said of it.
FAULTS = {
    "unknown key": (
        changed("rate_hz = 250", "rate_hx = 250"),
        ("rate_hx", "link.rate_hx"),
        ("no such key", "Did you mean 'rate_hz'?"),
    ),
    "unknown table": (
        changed("[safety]", "[safty]\n[safety]"),
        ("[safty]", "safty"),
        ("no such key", "Did you mean 'safety'?"),
    ),
    "unknown valve": (
        changed("[valves.port_b]", "[valves.portb]"),
        ("[valves.portb]", "valves.portb"),
        ("Did you mean 'port_b'?",),
    ),
    "unknown output": (
        changed("[outputs.lamp]", "[outputs.lampe]"),
        ("[outputs.lampe]", "outputs.lampe"),
        ("Did you mean 'lamp'?",),
    ),
    "unknown channel": (
        changed("[channels.barometer]", "[channels.barometre]"),
        ("[channels.barometre]", "channels.barometre"),
        ("no such channel", "Did you mean 'barometer'?"),
    ),
    "key of another kind": (
        changed('input = "s0"', 'input = "s0"\nzero_u = "1 Pa"'),
        ('zero_u = "1 Pa"', "channels.signal.zero_u"),
        ("no such key", "kind, input_ratio, input"),
    ),
    "wrong kind": (
        changed('kind = "travel"', 'kind = "voltage"'),
        ('kind = "voltage"\ninput = "x0"', "channels.travel.kind"),
        ("travel is no voltage", 'Write kind = "travel"'),
    ),
    "missing key": (
        changed('port = "/dev/serial/by-id/usb-board"\n', ""),
        ("[link]", "link.port"),
        ("missing", 'Write it like port = "/dev/serial/by-id/usb-...".'),
    ),
    "no pin factory by default": (
        changed('factory = "mock"\njournal = "pins.log"\n', ""),
        ("[pins]", "pins.factory"),
        ("missing", 'factory = "lgpio"'),
    ),
    "no pin level by default": (
        changed(
            'pin = "GPIO17"\nat_rest = "shut"\nactive_high = true',
            'pin = "GPIO17"\nat_rest = "shut"',
        ),
        ("[valves.pump]", "valves.pump.active_high"),
        ("missing", "active_high = true or false"),
    ),
    "no level of an output by default": (
        changed('pin = "GPIO24"\nactive_high = true', 'pin = "GPIO24"'),
        ("[outputs.coil]", "outputs.coil.active_high"),
        ("missing",),
    ),
    "missing valve": (
        without("valves.vent"),
        ("[valves.pump]", "valves.vent"),
        ("missing", "[valves.vent] with pin, at_rest", '"open"'),
    ),
    "missing manifold sensor": (
        without("channels.p_a"),
        ("[channels.p_b]", "channels.p_a"),
        ("missing", "[channels.p_a] with kind"),
    ),
    "number for a text": (
        changed('"Low Yard, bench 1"', "17"),
        ("name = 17", "name"),
        ("text in quotes", 'name = "Low Yard, bench 1"'),
    ),
    "empty text": (
        changed('"Low Yard, bench 1"', '" "'),
        ('name = " "', "name"),
        ("text in quotes",),
    ),
    "text of two lines": (
        changed('"Low Yard, bench 1"', '"Low\\nYard"'),
        ('name = "Low', "name"),
        ("one plain line",),
    ),
    "text for a number": (
        changed("rate_hz = 250", 'rate_hz = "250"'),
        ('rate_hz = "250"', "link.rate_hz"),
        ("whole number from 20 to 1000",),
    ),
    "fraction for a whole number": (
        changed("lease_ms = 400", "lease_ms = 400.5"),
        ("lease_ms", "link.lease_ms"),
        ("whole number from 200 to 2000",),
    ),
    "truth for a number": (
        changed("input_ratio = 6.0", "input_ratio = true"),
        ("input_ratio = true", "channels.supply.input_ratio"),
        ("a number from 0.001 to 1000",),
    ),
    "not a number": (
        changed("input_ratio = 6.0", "input_ratio = nan"),
        ("input_ratio = nan", "channels.supply.input_ratio"),
        ("a number from",),
    ),
    "number beyond floating point": (
        changed("fixed_ohm = 4700", f"fixed_ohm = 1{'0' * 400}"),
        ("fixed_ohm = 10000000", "channels.t_bath.fixed_ohm"),
        ("a number from 10 to 1e+07",),
    ),
    "truth in words": (
        changed("active_high = false\n\n[valves.part]", 'active_high = "no"\n\n[valves.part]'),
        ('active_high = "no"', "valves.vent.active_high"),
        ("true or false, without quotes",),
    ),
    "too slow": (
        changed("rate_hz = 250", "rate_hz = 19"),
        ("rate_hz = 19", "link.rate_hz"),
        ("20 to 1000",),
    ),
    "too long a lease": (
        changed("lease_ms = 400", "lease_ms = 2001"),
        ("lease_ms", "link.lease_ms"),
        ("200 to 2000",),
    ),
    "unknown factory": (
        changed('factory = "mock"\njournal = "pins.log"', 'factory = "lgpo"'),
        ("factory =", "pins.factory"),
        ("'lgpo' is not known", "Did you mean 'lgpio'?"),
    ),
    "journal of real pins": (
        changed('factory = "mock"', 'factory = "lgpio"'),
        ("journal =", "pins.journal"),
        ('only factory = "mock"', "Take this line out"),
    ),
    "relative folder": (
        changed('"/srv/stillgauge"', '"stillgauge"'),
        ("data =", "data"),
        ("where the program is started", "from / or ~/"),
    ),
    "home of nobody": (
        changed('"/srv/stillgauge"', '"~no-such-user-here/x"'),
        ("data =", "data"),
        ("from / or ~/",),
    ),
    "no such pin": (
        changed('"GPIO22"', '"GPIO28"'),
        ('"GPIO28"', "valves.part.pin"),
        ("'GPIO28' is no pin", "GPIO2 to GPIO27"),
    ),
    "pin in another spelling": (
        changed('"GPIO22"', '"22"'),
        ('pin = "22"', "valves.part.pin"),
        ("GPIO2 to GPIO27",),
    ),
    "pin used twice": (
        changed('"GPIO12"', '"GPIO18"'),
        ('pin = "GPIO18"\npressed', "inputs.mark.pin"),
        ("GPIO18 is taken already", "bench.toml, line 19, valves.vent.pin"),
    ),
    "stop on a closing contact": (
        changed('pressed = "open"', 'pressed = "low"'),
        ('pressed = "low"\n\n[channels', "inputs.stop.pressed"),
        ("normally closed contact", 'pressed = "open"'),
    ),
    "mark on an open contact": (
        changed('pressed = "low"', 'pressed = "open"'),
        ('pressed = "open"\n\n[inputs', "inputs.mark.pressed"),
        ("'open' is not known", "low, high"),
    ),
    "input used twice": (
        changed('input = "p1"', 'input = "p0"'),
        (
            'input = "p0"\nlow = ["0.5 V", "0 kPa"]\nhigh = ["4.5 V", "115 kPa"]\nspan_u = "2 %"',
            "channels.p_b.input",
        ),
        ("'p0' belongs to channels.p_a already",),
    ),
    "pressure without unit": (
        changed('zero_u = "300 Pa"', 'zero_u = "300"'),
        ('zero_u = "300"', "channels.p_a.zero_u"),
        ("has no unit", "15 inHg"),
    ),
    "pressure as a plain number": (
        changed('zero_u = "300 Pa"', "zero_u = 300"),
        ("zero_u = 300\n", "channels.p_a.zero_u"),
        ("text in quotes", 'zero_u = "300 Pa"'),
    ),
    "wrong quantity": (
        changed('max_vacuum = "25 inHg"', 'max_vacuum = "25 V"'),
        ("max_vacuum", "safety.max_vacuum"),
        ("gives voltage where vacuum is needed",),
    ),
    "too deep a vacuum": (
        changed('max_vacuum = "25 inHg"', 'max_vacuum = "31 inHg"'),
        ("max_vacuum", "safety.max_vacuum"),
        ("not within 1 inHg to 30 inHg",),
    ),
    "boiling oil": (
        changed('max_bath = "95 degC"', 'max_bath = "400 degF"'),
        ("max_bath", "safety.max_bath"),
        ("not within 30 degC to 200 degC",),
    ),
    "bath watched without a limit": (
        changed('max_bath = "95 degC"\n', ""),
        ("[safety]", "safety.max_bath"),
        ("missing", 'max_bath = "95 degC"'),
    ),
    "speed without time": (
        changed('fastest = "400 kPa/s"', 'fastest = "400 kPa"'),
        ("fastest", "channels.p_a.fastest"),
        ("does not end in /s", "400 kPa/s"),
    ),
    "points in one value": (
        changed('low = ["0.5 V", "20 kPa"]', 'low = "0.5 V, 20 kPa"'),
        ('low = "0.5 V, 20 kPa"', "channels.barometer.low"),
        ("a list of texts", 'low = ["0.5 V", "0 kPa"]'),
    ),
    "three points in one": (
        changed('low = ["0.5 V", "20 kPa"]', 'low = ["0.5 V", "20 kPa", "1"]'),
        ('"20 kPa", "1"]', "channels.barometer.low"),
        ("a list of 2",),
    ),
    "empty point": (
        changed('low = ["0.5 V", "20 kPa"]', "low = []"),
        ("low = []", "channels.barometer.low"),
        ("a list of 2",),
    ),
    "points turned round": (
        changed('low = ["0.5 V", "20 kPa"]', 'low = ["0.5 V", "116 kPa"]'),
        ('high = ["4.5 V", "115 kPa"]\nspan_u = "0.2 %"', "channels.barometer.high"),
        ("above that of low",),
    ),
    "points at one voltage": (
        changed('low = ["0.5 V", "20 kPa"]', 'low = ["4.5 V", "20 kPa"]'),
        ('high = ["4.5 V", "115 kPa"]\nspan_u = "0.2 %"', "channels.barometer.high"),
        ("differ from those of low",),
    ),
    "unknown side": (
        changed('side = "to_ground"', 'side = "ground"'),
        ('side = "ground"', "channels.t_gas.side"),
        ("Did you mean 'to_ground'?",),
    ),
    "two numbers for a curve": (
        changed("curve = [0.001129241, 0.0002341077, 8.775468e-08]", "curve = [0.001, 0.0002]"),
        ("curve =", "channels.t_gas.curve"),
        ("a list of 3 numbers",),
    ),
    "curve of texts": (
        changed("0.001129241", '"0.001129241"'),
        ("curve =", "channels.t_gas.curve"),
        ("a list of 3 numbers",),
    ),
    "curve and beta": (
        changed(
            'reference = "5.0 V"\nside = "to_ground"',
            'reference = "5.0 V"\nside = "to_ground"\nbeta_k = 3950',
        ),
        ("curve =", "channels.t_gas.curve"),
        ("say the same again",),
    ),
    "half a beta": (
        changed("beta_k = 3950\n", ""),
        ("[channels.t_bath]", "channels.t_bath.beta_k"),
        ("missing", "beta_k = 3950"),
    ),
    "supply turned round": (
        changed('["11 V", "15 V"]', '["15 V", "11 V"]'),
        ("supply = [", "safety.supply"),
        ("least comes first",),
    ),
    "supply that nothing measures": (
        without("channels.supply"),
        ("supply = [", "safety.supply"),
        ("[channels.supply]",),
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_is_told_with_its_line_its_key_and_what_to_write(fault: str) -> None:
    """One sentence names file, line, dotted key, what is wrong and what to write instead."""
    text, (beginning, key), parts = FAULTS[fault]
    assert text.count(beginning) == 1
    line = text[: text.index(beginning)].count("\n") + 1
    (error,) = refused(text)
    assert error.startswith(f"bench.toml, line {line}, {key}: ")
    for part in parts:
        assert part in error


def test_all_faults_are_told_at_once_in_the_order_of_the_file() -> None:
    """A person mends a file in one go."""
    text = FULL
    for old, new in [
        ("rate_hz = 250", "rate_hz = 5"),
        ('"GPIO22"', '"GPIO17"'),
        ('span_u = "0.2 %"', 'span_u = "50 %"'),
        ('side = "to_ground"', 'side = "up"'),
        ('max_vacuum = "25 inHg"', 'max_vacum = "25 inHg"'),
    ]:
        text = changed(old, new, text)
    errors = refused(text)
    keys = [re.match(r"bench\.toml, line \d+, ([a-z_.]+): ", error) for error in errors]
    assert [key and key[1] for key in keys] == [
        "link.rate_hz",
        "valves.part.pin",
        "channels.barometer.span_u",
        "channels.t_gas.side",
        "safety.max_vacuum",
        "safety.max_vacum",
    ]


def test_a_value_in_place_of_a_heading_is_told_with_what_belongs_below() -> None:
    """The heading is asked for, and the keys under it that have no default."""
    text = LEAST.replace('[link]\nport = "/dev/ttyACM0"\n', "link = 3\n")
    assert refused(text) == (
        "bench.toml, line 3, link.port: this key is missing. Write it like port ="
        ' "/dev/serial/by-id/usb-...".',
        "bench.toml, line 3, link: this must be a heading, [link].",
    )


def test_an_empty_file_is_told_what_a_bench_needs() -> None:
    """Everything that has no default is named."""
    keys = [re.match(r"bench\.toml, line 1, ([a-z_.]+): ", error) for error in refused("")]
    assert {key and key[1] for key in keys} == {
        "name",
        "data",
        "link.port",
        "pins.factory",
        "valves.pump",
        "valves.vent",
        "channels.p_a",
        "safety.max_vacuum",
    }


@pytest.mark.parametrize(
    ("text", "place", "what"),
    [
        ('name = "x"\ndata = /srv\n', "line 2, column 8", "Invalid value"),
        ('name = "x"\nname = "y"\n', "line 2, column 11", "Cannot overwrite a value"),
        ("[link]\n[pins]\n[link]\n", "line 3, column 6", "Cannot declare"),
        ("low = [1,\n  2", "line 2, column 4", "Unclosed array"),
        ("port", "line 1, column 5", "Expected '='"),
        ("port = " + "[" * 5000, "deep", "brackets"),
        ("port = " + "9" * 5000, "line 1", "4300 digits"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line_and_column(text: str, place: str, what: str) -> None:
    """The place is where reading stopped; nothing of it but a BenchError gets out."""
    (error,) = refused(text)
    assert error.startswith("bench.toml")
    assert place in error
    assert what in error


def test_keys_may_be_written_as_toml_allows() -> None:
    """Dotted keys, inline tables and quoted keys say the same as headings."""
    text = changed(
        '[valves.part]\npin = "GPIO22"\nat_rest = "open"\nactive_high = true\n\n',
        '[valves]\npart = { pin = "GPIO22", at_rest = "open", active_high = true }\n\n',
    )
    text = changed('[inputs.mark]\npin = "GPIO12"\n', "[inputs]\nmark.\"pin\" = 'GPIO12'\n", text)
    text = changed('pressed = "low"', 'mark.pressed = "low"', text)
    mended, plain = parse_bench(text, "b"), parse_bench(FULL, "b")
    assert mended == dataclasses.replace(plain, text=text)


def test_a_file_is_read_with_its_byte_order_mark_and_its_line_ends(tmp_path: Path) -> None:
    """An editor on another system adds both."""
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xef\xbb\xbf" + FULL.replace("\n", "\r\n").encode())
    bench = load_bench(path)
    assert bench.safety == parse_bench(FULL, "b").safety
    path.write_bytes(changed("rate_hz = 250", "rate_hz = 1").replace("\n", "\r\n").encode())
    with pytest.raises(BenchError, match=f"^{re.escape(str(path))}, line 6, link.rate_hz: "):
        load_bench(path)


def test_a_file_that_is_not_utf8_is_told_with_line_and_byte(tmp_path: Path) -> None:
    """An accent saved in an old encoding is found."""
    path = tmp_path / "bench.toml"
    path.write_bytes(b'name = "x"\ndata = "/srv/caf\xe9"\n')
    with pytest.raises(BenchError, match=r"bench\.toml, line 2: the byte 0xe9 is not UTF-8"):
        load_bench(path)


@pytest.mark.parametrize(("name", "why"), [("absent.toml", "No such file"), (".", "directory")])
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str, why: str) -> None:
    """Missing file and folder each say what they are."""
    with pytest.raises(BenchError, match=why) as caught:
        load_bench(tmp_path / name)
    assert str(tmp_path / name) in str(caught.value)


def test_a_key_is_found_again_for_a_later_error() -> None:
    """What only the board can tell is told with file, line and key, too."""
    bench = parse_bench(FULL, "bench.toml")
    line = FULL.split("\n").index("[channels.supply]") + 1
    here = f"bench.toml, line {line + 2}, channels.supply.input"
    assert bench.where("channels", "supply", "input") == here
    assert bench.where("channels", "supply", "u") == f"bench.toml, line {line}, channels.supply.u"


def _keys_of(table: dict[str, object], names: tuple[str, ...] = ()) -> set[str]:
    """List the dotted keys of a table, with a star for what a person or the bench names."""
    keys: set[str] = set()
    for name, value in table.items():
        here = (*names, name)
        if isinstance(value, dict):
            keys |= _keys_of(value, here)
        elif len(here) == 3:
            keys.add(f"{here[0]}.*.{here[2]}")
        else:
            keys.add(".".join(here))
    return keys


def test_every_key_has_its_help_and_every_help_its_key() -> None:
    """The file with every key has those of the table, and each table of it takes no other key."""
    assert _keys_of(tomllib.loads(FULL)) == set(KEYS)
    taken: set[str] = set()
    for heading in [None, *re.findall(r"^\[(.+)\]$", FULL, re.MULTILINE)]:
        start = "" if heading is None else f"[{heading}]\n"
        text = "qqqqq = 1\n" + FULL if heading is None else changed(start, start + "qqqqq = 1\n")
        (error,) = refused(text)
        known = error.partition("Use one of: ")[2].rstrip(".").split(", ")
        names = [] if heading is None else heading.split(".")
        taken |= {".".join([*names[:1], *["*"] * len(names[1:]), key]) for key in known}
    assert taken - {"link", "pins", "valves", "outputs", "inputs", "channels", "safety"} == set(
        KEYS
    )


def test_help_is_one_sentence_a_key() -> None:
    """Each begins with a capital, ends in a full stop, and is plain text."""
    for key, said in KEYS.items():
        assert re.fullmatch(r"[A-Z][ -~]*\.", said), key
        assert not re.search(r"[.!?] [A-Z]", said), key


@given(st.text())
@settings(max_examples=150, derandomize=True, deadline=None)
def test_no_text_raises_anything_but_a_bench_error(text: str) -> None:
    """Whatever a file holds, it is read or refused."""
    with pytest.raises(BenchError):
        parse_bench(text, "bench.toml")


_SCALARS = (
    st.none().map(lambda _: "1979-05-27T07:32:00Z")
    | st.integers().map(str)
    | st.floats().map(lambda value: f"{value}")
    | st.sampled_from(["true", "{}", "[]", '""', '"0e400 V"', '"-1 V"', '"1e-400 kPa/s"', "'µ'"])
    | st.text(st.characters(categories=["L", "N", "P", "S", "Zs"])).map(
        lambda text: '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
    )
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]")
        | inner.map(lambda value: f"{{ pin = {value} }}")
    ),
    max_leaves=4,
)
_LINES = [place for place, line in enumerate(FULL.split("\n")) if "=" in line]


@given(st.data())
@settings(max_examples=200, derandomize=True, deadline=None)
def test_no_value_raises_anything_but_a_bench_error(data: st.DataObject) -> None:
    """A sound file with values replaced by any others is read, or refused by key and line."""
    lines = FULL.split("\n")
    for place in data.draw(st.lists(st.sampled_from(_LINES), min_size=1, max_size=3)):
        key = lines[place].partition(" = ")[0]
        lines[place] = f"{key} = {data.draw(_VALUES)}"
    try:
        bench = parse_bench("\n".join(lines), "bench.toml")
    except BenchError as error:
        for said in error.errors:
            assert re.match(r"bench\.toml, line \d+, ", said)
            assert "\n" not in said
    else:
        assert isinstance(bench, Bench)
        assert math.isfinite(bench.safety.max_vacuum_pa)


@given(st.lists(st.sampled_from(FULL.split("\n")), max_size=12))
@settings(max_examples=150, derandomize=True, deadline=None)
def test_no_jumble_of_its_lines_raises_anything_but_a_bench_error(lines: list[str]) -> None:
    """Lines in any order, twice or missing are a bench or a list of what is wrong."""
    with pytest.raises(BenchError):
        parse_bench("\n".join(lines), "bench.toml")
