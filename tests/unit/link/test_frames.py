"""Tests of the messages of a board and of their lines."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.link.frames import (
    Ack,
    BoardFault,
    Decoder,
    Echo,
    Hello,
    Message,
    OtherProtocol,
    SupplyCause,
    SupplyState,
    encode_ack,
    encode_fault,
    encode_hello,
    encode_samples,
    encode_supply,
)
from rig.readings import ChannelSpec, Samples
from tests.unit.link import wire

BOARD = Hello(
    1,
    "stillgauge-1.0",
    "e661",
    "3f9a1c07",
    0,
    0,
    (ChannelSpec("p0", 14, 3.3), ChannelSpec("d0", 12, 2.5, signed=True)),
)
OTHERS = {
    "ack 0 52007 a10bce0b": Ack(0xA10BCE0B),
    "supply 5 1073770112 on": SupplyState(on=True, cause=None),
    "supply 0 52007 off beats": SupplyState(on=False, cause=SupplyCause.BEATS),
    "supply 36 1073926020 off stop": SupplyState(on=False, cause=SupplyCause.STOP),
    "fault 5 1073771013 input_failed d0 errno 5": BoardFault("input_failed", "d0", "errno 5"),
    "fault 36 1 late - 31 samples left out": BoardFault("late", None, "31 samples left out"),
    "fault 36 1 late -": BoardFault("late", None, ""),
    "beat 7": Echo(),
}


def _greeted() -> Decoder:
    decoder = Decoder()
    assert decoder.feed(wire.hello(), 0.0) == [BOARD]
    return decoder


def _plain(message: Message) -> object:
    """Make a message comparable: arrays do not compare as one."""
    if not isinstance(message, Samples):
        return message
    return [array.tolist() for array in (message.sequence, message.mcu_us, message.counts)]


# hello


def test_a_hello_is_believed_whole() -> None:
    """Four lines by hand give one hello, with the channels in the order of their indices."""
    decoder = Decoder()
    text = wire.hello()
    cut = len(text) - 20
    assert decoder.feed(text[:cut], 0.0) == []
    assert decoder.feed(text[cut:], 0.0) == [BOARD]
    assert (decoder.accepted, decoder.refused) == (4, 0)


def test_no_sample_is_believed_before_a_hello() -> None:
    """Counts mean nothing without their channels."""
    decoder = Decoder()
    assert decoder.feed(wire.line("0 100 1 1"), 0.0) == []
    messages = decoder.feed(wire.hello() + wire.line("1 200 1 1"), 0.0)
    assert [type(message) for message in messages] == [Hello, Samples]
    assert decoder.missing == 0


HEAD = "hello 0 1 1 fw b boot 200 500"
P0 = "channel 0 1 boot 0 p0 14 unsigned 3300000"
D0 = "channel 0 1 boot 1 d0 12 signed 2500000"


@pytest.mark.parametrize(
    "bodies",
    [
        (P0, D0, "ready 0 1 boot 2"),
        (HEAD, D0, "ready 0 1 boot 2"),
        (HEAD, P0, "ready 0 1 boot 2"),
        (HEAD, P0, D0, "ready 0 1 boot 1"),
        (HEAD, P0, D0, "ready 0 1 other 2"),
        (HEAD, P0, D0.replace("boot", "other"), "ready 0 1 boot 2"),
        (HEAD, P0, P0, "ready 0 1 boot 2"),
        (HEAD, P0, D0.replace("d0", "p0"), "ready 0 1 boot 2"),
        (HEAD, D0, P0, "ready 0 1 boot 2"),
        (HEAD, "ready 0 1 boot 0"),
        (HEAD, P0.replace("14", "0"), "ready 0 1 boot 1"),
        (HEAD, P0.replace("14", "25"), "ready 0 1 boot 1"),
        (HEAD, P0.replace("3300000", "0"), "ready 0 1 boot 1"),
        (HEAD, P0.replace("3300000", "1000000001"), "ready 0 1 boot 1"),
        (HEAD, P0.replace("unsigned", "both"), "ready 0 1 boot 1"),
        (HEAD, P0.replace("p0", "p 0"), "ready 0 1 boot 1"),
        (HEAD.replace(" 500", ""), P0, "ready 0 1 boot 1"),
        (HEAD.replace("boot", "b" * 25), P0, "ready 0 1 boot 1"),
        (
            HEAD,
            *(f"channel 0 1 boot {n} c{n} 8 unsigned 1" for n in range(17)),
            "ready 0 1 boot 17",
        ),
    ],
)
def test_half_a_hello_is_none(bodies: tuple[str, ...]) -> None:
    """A missing, torn, repeated or impossible line spoils the hello, and the next one is whole."""
    decoder = Decoder()
    assert decoder.feed(wire.lines(*bodies), 0.0) == []
    assert decoder.refused > 0
    assert decoder.feed(wire.hello(), 0.0) == [BOARD]


def test_sixteen_channels_are_the_most() -> None:
    """As many fit, each with its name."""
    channels = (f"channel 0 1 boot {n} c{n} 24 signed 1" for n in range(16))
    (hello,) = Decoder().feed(wire.lines(HEAD, *channels, "ready 0 1 boot 16"), 0.0)
    assert isinstance(hello, Hello)
    assert [channel.name for channel in hello.channels] == [f"c{n}" for n in range(16)]


def test_a_second_hello_of_the_same_start_changes_nothing() -> None:
    """An answer too many interrupts no count of samples."""
    decoder = _greeted()
    text = wire.line("9 100 1 1") + wire.hello() + wire.line("12 110 1 1")
    first, hello, second = decoder.feed(text, 0.0)
    assert hello == BOARD
    assert isinstance(first, Samples)
    assert isinstance(second, Samples)
    assert second.missing == 2


def test_a_board_that_began_anew_counts_anew() -> None:
    """Neither its numbers nor its time are held against those of the start before."""
    decoder = _greeted()
    decoder.feed(wire.lines("9000 100000 1 1", "9002 100010 1 1"), 0.0)
    text = wire.hello("99999999", "0 20") + wire.line("0 25 3 3")
    _, samples = decoder.feed(text, 0.0)
    assert isinstance(samples, Samples)
    assert (samples.sequence.tolist(), samples.mcu_us.tolist()) == ([0], [25])
    assert samples.missing == 0
    assert decoder.missing == 1, "what was missing before is not forgotten"


def test_from_the_first_line_of_another_start_nothing_old_is_believed() -> None:
    """Until its hello is whole, samples may be those of other channels."""
    decoder = _greeted()
    first = wire.hello("99999999").split(b"\n")[0] + b"\n"
    assert decoder.feed(first + wire.line("1 300 1 1"), 0.0) == []


@pytest.mark.parametrize("rest", [" stillgauge-2.0 and what nobody knows yet", ""])
def test_another_version_is_told_and_not_understood(rest: str) -> None:
    """Version and firmware stand where they always will; no sample is believed after that."""
    decoder = _greeted()
    firmware = "stillgauge-2.0" if rest else ""
    text = wire.lines(f"hello 0 1 2{rest}", "1 300 1 1")
    assert decoder.feed(text, 0.0) == [OtherProtocol(2, firmware)]


# all that is no hello


@pytest.mark.parametrize(("body", "message"), OTHERS.items())
def test_a_line_says_what_the_page_says(body: str, message: Message) -> None:
    """Lines written by hand; they need no hello, since they mean the same on every board."""
    assert Decoder().feed(wire.line(body), 0.0) == [message]


@pytest.mark.parametrize(
    "body",
    [
        *("supply 0 1 maybe", "supply 0 1 off", "supply 0 1 off lunch", "supply 0 1 on beats"),
        *("supply x 1 on", "supply 0 on", "supply 0 1  on", "ack 0 1 A10BCE0B", "ack 0 1 1"),
        *("fault 0 1 late", "fault 0 1", "greetings 0 1 x", "Supply 0 1 on", "supply", "~"),
    ],
)
def test_a_line_with_other_words_is_refused(body: str) -> None:
    """The right checksum does not make sense of nonsense."""
    decoder = Decoder()
    assert decoder.feed(wire.line(body), 0.0) == []
    assert decoder.refused == 1


def test_what_stands_together_becomes_one() -> None:
    """Samples of one feed are one batch, unless something else was said between them."""
    decoder = _greeted()
    text = wire.lines("1 10 1 1", "2 20 2 2", "supply 3 25 on", "3 30 3 3")
    first, supply, second = decoder.feed(text, 7.0)
    assert isinstance(first, Samples)
    assert first.sequence.tolist() == [1, 2]
    assert first.host_mono_s == 7.0
    assert supply == SupplyState(on=True, cause=None)
    assert isinstance(second, Samples)
    assert second.sequence.tolist() == [3]


FRAMES = [line + b"\n" for line in wire.hello().splitlines()] + [
    wire.line(body) for body in ("8 5000 16383 -2048", "8 5000 0 0", *OTHERS)
]


@pytest.mark.parametrize("frame", FRAMES, ids=lambda frame: frame[9:25].decode())
def test_no_flipped_bit_passes(frame: bytes) -> None:
    """Each bit of each kind of line: the line is refused, and the next one is read."""
    after = wire.line("9 6000 1 -1")
    expected = [[[9], [6000], [[1, -1]]]]
    for bit in range(8 * len(frame)):
        flipped = bytearray(frame)
        flipped[bit // 8] ^= 1 << (bit % 8)
        decoder = _greeted()
        messages = decoder.feed(bytes(flipped) + b"\n" + after, 0.0)
        assert [_plain(message) for message in messages] == expected, f"bit {bit}"
        assert decoder.refused >= 1


# any bytes, any values

NAME = st.from_regex(r"[A-Za-z0-9_.-]{1,24}", fullmatch=True)
CHANNEL = st.builds(
    ChannelSpec,
    name=NAME,
    bits=st.integers(1, 24),
    full_scale_v=st.integers(1, 1_000_000_000).map(lambda micro: micro / 1_000_000),
    signed=st.booleans(),
)
HELLO = st.builds(
    Hello,
    protocol=st.just(1),
    firmware=NAME,
    board=NAME,
    boot=NAME,
    rate_hz=st.integers(0, 1000),
    lease_ms=st.integers(0, 2000),
    channels=st.lists(CHANNEL, min_size=1, max_size=16, unique_by=lambda it: it.name).map(tuple),
)
NUMBER = st.integers(0, 10**6)
TIME = st.integers(0, 10**18 - 1)
DETAIL = st.from_regex(r"([!-~]+( [!-~]+){0,5})?", fullmatch=True).filter(lambda it: len(it) < 90)


@given(HELLO, NUMBER, TIME)
@settings(derandomize=True, max_examples=60, deadline=None)
def test_a_hello_comes_back(hello: Hello, number: int, mcu_us: int) -> None:
    """What a board says of itself arrives as it was, full scale to the microvolt."""
    assert Decoder().feed(encode_hello(hello, number, mcu_us), 0.0) == [hello]


@given(NAME, NAME.filter(lambda it: it != "-"), DETAIL, NUMBER, TIME)
@settings(derandomize=True, max_examples=60, deadline=None)
def test_a_fault_comes_back(code: str, channel: str, detail: str, number: int, at: int) -> None:
    """With its channel and its text, or without."""
    for fault in (BoardFault(code, channel, detail), BoardFault(code, None, "")):
        assert Decoder().feed(encode_fault(fault, number, at), 0.0) == [fault]


def test_states_and_acknowledgements_come_back() -> None:
    """Each state of the supply; the least and the greatest checksum."""
    states = [SupplyState(on=True, cause=None)]
    states += [SupplyState(on=False, cause=cause) for cause in SupplyCause]
    for state in states:
        assert Decoder().feed(encode_supply(state, 1, 2), 0.0) == [state]
    for ack in (Ack(0), Ack(0xFFFFFFFF)):
        assert Decoder().feed(encode_ack(ack, 1, 2), 0.0) == [ack]


@given(st.data(), st.lists(CHANNEL, min_size=1, max_size=16, unique_by=lambda it: it.name))
@settings(derandomize=True, max_examples=60, deadline=None)
def test_samples_come_back(data: st.DataObject, channels: list[ChannelSpec]) -> None:
    """Any counts within their channels, any rising times, any numbers that leave some out."""
    hello = Hello(1, "f", "b", "s", 0, 0, tuple(channels))
    decoder = Decoder()
    decoder.feed(encode_hello(hello, 0, 0), 0.0)
    spans = [
        (-(1 << (it.bits - 1)), (1 << (it.bits - 1)) - 1) if it.signed else (0, (1 << it.bits) - 1)
        for it in channels
    ]
    row = st.tuples(*(st.integers(low, high) for low, high in spans))
    counts = data.draw(st.lists(row, min_size=1, max_size=8))
    steps = data.draw(st.lists(st.integers(1, 9), min_size=len(counts), max_size=len(counts)))
    numbers = np.cumsum(steps) + data.draw(st.integers(0, 65535))
    times_us = 1000 * np.cumsum(steps) + data.draw(st.integers(0, 10**17))
    text = b"".join(
        encode_samples(int(number), int(at), values)
        for number, at, values in zip(numbers, times_us, counts, strict=True)
    )
    (samples,) = decoder.feed(text, 1.0)
    assert isinstance(samples, Samples)
    assert samples.counts.tolist() == [list(values) for values in counts]
    assert samples.mcu_us.tolist() == times_us.tolist()
    assert np.diff(samples.sequence).tolist() == steps[1:]
    assert samples.sequence[0] == numbers[0] % 65536
    assert samples.missing == sum(steps[1:]) - len(steps[1:])


ANYTHING = st.one_of(
    st.binary(max_size=60),
    st.text("0123456789 -", max_size=40).map(wire.line),
    st.sampled_from(sorted(OTHERS)).map(wire.line),
    st.sampled_from(["", "hello ", "channel ", "ready ", "fault ", "supply ", "ack "])
    .flatmap(lambda word: st.text("0123456789 -abz", max_size=40).map(lambda rest: word + rest))
    .map(wire.line),
    st.just(wire.hello()),
    st.binary(max_size=60).map(lambda body: wire.line(body.replace(b"\n", b""))),
)


@given(st.lists(ANYTHING, max_size=12), st.integers(1, 40))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_nothing_stops_the_decoder(pieces: list[bytes], cut: int) -> None:
    """Any bytes in any pieces: no error, and a hello and a sample after them are read."""
    decoder = Decoder()
    data = b"".join(pieces)
    for start in range(0, len(data), cut):
        decoder.feed(data[start : start + cut], 0.0)
    text = b"\n" + wire.hello("afterwards", "0 0") + wire.line("7 900000000000000000 1 1")
    messages = decoder.feed(text, 0.0)
    assert [type(message) for message in messages[-2:]] == [Hello, Samples]
    assert _plain(messages[-1]) == [[7], [900000000000000000], [[1, 1]]]
