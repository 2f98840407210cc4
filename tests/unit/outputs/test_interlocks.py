"""Tests of the interlocks as a table: each rule refuses its case, and that case alone."""

from collections.abc import Mapping
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.outputs.interlocks import RULES, Port, Refused, RunLimits, Situation, broken
from rig.records import Finding

OUTPUTS = ("pump", "vent", "part", "port_b", "coil", "electric_pump")
FINE = Port(age_s=0.01, vacuum_pa=0.0, max_vacuum_pa=50_000.0)


def _situation(*newly: str, energised: tuple[str, ...] = ()) -> Situation:
    """Make the situation of a run in which all is well, and these are to be energised."""
    return Situation(
        energised={name: name in newly or name in energised for name in OUTPUTS},
        newly=frozenset(newly),
        tripped_by=None,
        armed=RunLimits(),
        flushed=False,
        supply_on=True,
        data_age_s=0.01,
        ports={"p_a": FINE, "p_b": FINE},
    )


def _codes(now: Situation) -> list[str]:
    return [each.code for each in broken(now)]


PULL = _situation("pump", energised=("vent",))


@pytest.mark.parametrize(
    "now",
    [
        PULL,
        _situation("vent"),
        _situation("vent", "part", "port_b"),
        _situation("coil"),
        _situation("electric_pump"),
        _situation("electric_pump", "pump", "vent"),
        _situation(),
    ],
)
def test_a_run_in_which_all_is_well_is_refused_nothing(now: Situation) -> None:
    """Pulling, holding, volume steps, coil and electric pump are granted."""
    assert broken(now) == ()


FUEL = RunLimits(fuel_vapour=True)


@pytest.mark.parametrize(
    ("now", "code", "figures"),
    [
        (replace(PULL, tripped_by="over_vacuum"), "held_by_trip", {"trip": "over_vacuum"}),
        (replace(PULL, armed=None), "not_armed", {}),
        (replace(PULL, data_age_s=1.5), "no_data", {"age_s": 1.5}),
        (replace(PULL, supply_on=False), "no_supply", {}),
        (_situation("pump"), "pump_and_vent_open", {}),
        (_situation(energised=("pump",)), "pump_and_vent_open", {}),
        (replace(_situation("coil"), armed=FUEL), "fuel_vapour", {"output": "coil"}),
        (
            replace(_situation("electric_pump"), armed=FUEL),
            "fuel_vapour",
            {"output": "electric_pump"},
        ),
        (
            replace(PULL, ports={"p_a": replace(FINE, age_s=1.1)}),
            "port_unseen",
            {"channel": "p_a"},
        ),
        (
            replace(_situation("port_b"), ports={"p_a": FINE, "p_b": replace(FINE, age_s=9.0)}),
            "port_unseen",
            {"channel": "p_b"},
        ),
        (
            replace(PULL, ports={"p_a": replace(FINE, vacuum_pa=None)}),
            "ambient_unknown",
            {"channel": "p_a"},
        ),
        (
            replace(PULL, ports={"p_a": replace(FINE, vacuum_pa=50_001.0)}),
            "port_at_maximum",
            {"channel": "p_a", "vacuum_pa": 50_001.0, "max_vacuum_pa": 50_000.0},
        ),
    ],
)
def test_each_rule_refuses_its_case_alone(
    now: Situation, code: str, figures: Mapping[str, float | str]
) -> None:
    """One thing amiss gives one reason, with the figures that its sentence needs."""
    assert broken(now) == (Finding(code, figures),)


@pytest.mark.parametrize(
    "now",
    [
        replace(PULL, data_age_s=1.0),
        replace(PULL, ports={"p_a": replace(FINE, age_s=1.0)}),
        replace(PULL, ports={"p_a": replace(FINE, vacuum_pa=50_000.0)}),
        replace(_situation("coil"), armed=FUEL, flushed=True),
        replace(PULL, armed=FUEL),
        replace(_situation("part"), ports={"p_a": replace(FINE, vacuum_pa=99_999.0)}),
        replace(_situation("port_b"), ports={"p_a": replace(FINE, age_s=9.0)}),
    ],
)
def test_what_only_just_keeps_a_rule_is_granted(now: Situation) -> None:
    """A second is not stale, a maximum is not beyond itself; fuel bars only what sparks."""
    assert broken(now) == ()


def test_all_reasons_are_told_the_gravest_first() -> None:
    """Whoever is refused learns everything that stands against it, in the table's order."""
    now = replace(
        _situation("pump", "coil"),
        tripped_by="stop_pressed",
        armed=None,
        supply_on=False,
        data_age_s=3.0,
    )
    codes = _codes(now)
    assert codes == [
        "held_by_trip",
        "not_armed",
        "no_data",
        "no_supply",
        "pump_and_vent_open",
    ]
    order = [rule.code for rule in RULES]
    assert codes == sorted(codes, key=order.index)
    assert len(set(order)) == len(order)


def test_a_refusal_carries_its_reasons() -> None:
    """The error names codes and figures for a log; a page writes the sentences of `findings`."""
    reasons = (Finding("no_data", {"age_s": 1.5}), Finding("no_supply"))
    refused = Refused(reasons)
    assert refused.findings == reasons
    assert str(refused) == "refused: no_data {'age_s': 1.5}; no_supply {}"


_AGES = st.sampled_from([0.0, 1.0, 1.01, float("inf")])
_PORTS = st.builds(
    Port, age_s=_AGES, vacuum_pa=st.sampled_from([None, 0.0, 60_000.0]), max_vacuum_pa=st.just(5e4)
)


_SITUATIONS = st.builds(
    Situation,
    energised=st.sets(st.sampled_from(OUTPUTS)).map(
        lambda on: {name: name in on for name in OUTPUTS}
    ),
    newly=st.just(frozenset()),
    tripped_by=st.sampled_from([None, "stop_pressed"]),
    armed=st.sampled_from([None, RunLimits(), FUEL]),
    flushed=st.booleans(),
    supply_on=st.booleans(),
    data_age_s=_AGES,
    ports=st.fixed_dictionaries({"p_a": _PORTS, "p_b": _PORTS}),
)


@settings(derandomize=True, max_examples=300)
@given(_SITUATIONS)
def test_the_way_to_rest_is_never_barred(now: Situation) -> None:
    """A request that energises nothing is refused only if it opened pump and vent together."""
    both_open = now.energised["pump"] and not now.energised["vent"]
    assert _codes(now) == (["pump_and_vent_open"] if both_open else [])
