"""Tests of how the bench file's channels find their inputs on a board."""

import pytest

from rig.config import parse_bench
from rig.errors import BenchError, LinkError
from rig.readings import ChannelSpec
from rig.sensing.board_channels import board_channels, thermistor_curves
from tests.support.bench_files import FULL, INPUTS, changed

TABLE = [ChannelSpec(name, 12, 5.0) for name in INPUTS]


def test_every_channel_finds_its_input_wherever_it_stands() -> None:
    """The board's order is its own; inputs that the bench does not name are passed over."""
    bench = parse_bench(FULL, "bench.toml")
    table = [ChannelSpec("spare", 12, 5.0), *reversed(TABLE)]
    columns = {each.name: each.column for each in board_channels(bench, table)}
    assert list(columns) == list(bench.channels)
    assert columns["signal"] == 1
    assert columns["p_a"] == 9


def test_inputs_that_the_board_lacks_are_all_named() -> None:
    """Channel, line and key, and what the board has; one sentence a channel."""
    bench = parse_bench(FULL, "bench.toml")
    with pytest.raises(BenchError) as caught:
        board_channels(bench, [spec for spec in TABLE if spec.name not in ("p1", "x0")])
    first, second = caught.value.errors
    line = FULL[: FULL.index('input = "p1"')].count("\n") + 1
    assert first == (
        f"bench.toml, line {line}, channels.p_b.input: the board has no input 'p1'; it has p0, p2,"
        " t0, t1, v0, v1, s0. Write the name that the board gives, or take [channels.p_b] out."
    )
    assert "channels.travel.input: the board has no input 'x0'" in second
    with pytest.raises(BenchError, match="it has none at all"):
        board_channels(bench, [])


def test_an_input_that_cannot_be_is_the_board_s_fault() -> None:
    """A converter of 40 bits means firmware that does not belong to the board."""
    bench = parse_bench(FULL, "bench.toml")
    table = [ChannelSpec("p0", 40, 5.0), *TABLE[1:]]
    with pytest.raises(LinkError, match=r"input 'p0' .*40 bits.*Flash firmware"):
        board_channels(bench, table)


@pytest.mark.parametrize("curve", ["[0.001, -0.0002, -1e-7]", "[1.0, 0.0, 0.0]", "[0.0, 0.0, 0.0]"])
def test_a_curve_that_cannot_be_is_told_with_its_line(curve: str) -> None:
    """Coefficients on which no temperature falls with resistance are refused by key."""
    old = "[0.001129241, 0.0002341077, 8.775468e-08]"
    text = changed(old, curve)
    bench = parse_bench(text, "bench.toml")
    line = text[: text.index(curve)].count("\n") + 1
    with pytest.raises(BenchError) as caught:
        thermistor_curves(bench)
    (error,) = caught.value.errors
    assert error.startswith(f"bench.toml, line {line}, channels.t_gas.curve: ")


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        (
            *("[0.001129241, 0.0002341077, 8.775468e-08]", "[0.0016, 0.0000115, 0.0]"),
            "not the temperature of a room",
        ),
        ("fixed_ohm = 10000", "fixed_ohm = 10", "as a broken wire or a short does"),
    ],
)
def test_a_curve_and_a_resistor_that_do_not_fit_are_told_with_their_line(
    old: str, new: str, why: str
) -> None:
    """A curve of an oven, a resistor in the wrong unit."""
    bench = parse_bench(changed(old, new), "bench.toml")
    line = FULL[: FULL.index("fixed_ohm = 10000")].count("\n") + 1
    with pytest.raises(BenchError, match=why) as caught:
        board_channels(bench, TABLE)
    assert str(caught.value).startswith(f"bench.toml, line {line}, channels.t_gas.fixed_ohm: ")
