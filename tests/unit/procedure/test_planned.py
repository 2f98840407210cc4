"""Tests of the way from a plan to its procedure: limits, what is known, and what is said of it."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType

import pytest

from rig.config import Bench, parse_bench
from rig.errors import InputError, LimitError
from rig.procedure.dry_run import dry_run
from rig.procedure.planned import (
    ASSUMED_RIG_VOLUME,
    RIG_VOLUME,
    SELF_TEST,
    context_of,
    drop_limit,
    notes_on_setup,
    procedure_of,
)
from rig.readings import ChannelSpec
from rig.records import Estimate, Purpose
from rig.runs import KnownOwnLeak, KnownVolume, RunPlan, RunSetup, TestPlan
from tests.support.bench_files import FULL

INHG = 3386.389
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
BENCH = parse_bench(FULL, "bench.toml")
ADC_16 = ChannelSpec(BENCH.channels["p_a"].input, 16, 6.144, signed=True)
SETTINGS = MappingProxyType(
    {
        "target_vacuum_pa": 12.0 * INHG,
        "drop_within_s": 30.0,
        "settle_s": 5.0,
        "hold_s": 60.0,
        "port_max_vacuum_pa": 25.0 * INHG,
        "typical_volume_m3": 16.5e-6,
        "typical_volume_u_m3": 4.9e-6,
        "least_volume_m3": 2e-6,
    }
)
DROP = {
    "shape": "drop",
    "from": "15 inHg",
    "within": "20 s",
    "at_most": "1 inHg",
    "source": "rig default, not a specification",
}


def hold(limit: Mapping[str, str] | None = None, **settings: float) -> TestPlan:
    """Plan a hold."""
    figures = MappingProxyType({**SETTINGS, **settings})
    return TestPlan("hold", "hold", MappingProxyType(dict(limit or {})), figures)


def plan(*tests: TestPlan, purpose: Purpose = Purpose.BEFORE_FITTING) -> RunPlan:
    """Plan a run."""
    return RunPlan("N01", "choke_pull_off", "direct", purpose, tests, ("nipple_clear",))


def setup(**known: object) -> RunSetup:
    """Set a run up on the bench."""
    base: dict[str, object] = {
        "bench_text": FULL,
        "channels": (ADC_16,),
        "board": "board",
        "firmware": "1",
        "program": "1",
        "boot_id": "boot",
        "began_mono_s": 100.0,
        "began_utc": NOW,
        "clock_was_set": True,
    }
    return RunSetup(**{**base, **known})  # type: ignore[arg-type]


def test_a_limit_is_judged_as_printed() -> None:
    """Vacuum, seconds, drop and volume are those of the table, the confidence the purpose's."""
    limit = drop_limit(hold({**DROP, "reference_volume": "45 cm3"}), Purpose.FOR_SALE)
    assert limit.from_vacuum_pa == pytest.approx(15.0 * INHG)
    assert limit.within_s == 20.0
    assert limit.max_drop_pa == pytest.approx(1.0 * INHG)
    assert limit.reference_volume_m3 == pytest.approx(45e-6)
    assert limit.confidence == 0.99


def test_a_limit_without_a_volume_is_meant_in_the_parts_and_25_cm3() -> None:
    """Until the part's is measured the typical one stands in, and the context says so."""
    test = hold(DROP)
    known = context_of(test, plan(test), setup(), BENCH, None)
    assert known.limit.reference_volume_m3 == pytest.approx(41.5e-6)
    assert known.beyond_part_m3 == 25e-6
    named = hold({**DROP, "reference_volume": "45 cm3"})
    assert context_of(named, plan(named), setup(), BENCH, None).beyond_part_m3 is None


@pytest.mark.parametrize(("reference_m3", "beyond_m3"), [(None, 25e-6), (60e-6, None)])
def test_what_is_only_measured_is_stated_as_its_limit_would_be(
    reference_m3: float | None, beyond_m3: float | None
) -> None:
    """Without a limit vacuum, seconds and volume are those that the plan took from the family's."""
    settings = {} if reference_m3 is None else {"reference_volume_m3": reference_m3}
    test = hold(None, **settings)
    known = context_of(test, plan(test, purpose=Purpose.JUST_MEASURE), setup(), BENCH, None)
    assert known.limit.from_vacuum_pa == 12.0 * INHG
    assert known.limit.within_s == 30.0
    assert known.limit.max_drop_pa is None
    assert known.limit.reference_volume_m3 == pytest.approx(reference_m3 or 41.5e-6)
    assert known.beyond_part_m3 == beyond_m3


def test_a_limit_that_is_none_of_a_hold_is_refused() -> None:
    """A temperature at which something switches is not judged from a hold."""
    table = {
        "shape": "switch_temperature",
        "closed_below": "103 degF",
        "open_above": "128 degF",
        "source": "rig default, not a specification",
    }
    with pytest.raises(LimitError):
        drop_limit(hold(table), Purpose.BEFORE_FITTING)


def test_what_is_known_of_the_rig_comes_from_setup_and_bench() -> None:
    """Volume, ambient, zero, span and valves; one count of a 16-bit converter is 5.4 Pa.

    6.144 V over 32768 codes at 28.75 kPa a volt.
    """
    volume = KnownVolume(Estimate(24.1e-6, 0.2e-6), NOW, "run 3")
    known = context_of(
        SELF_TEST, plan(SELF_TEST), setup(rig_volume=volume, last_ambient_pa=99_000.0), BENCH, None
    )
    sensor = BENCH.channels["p_a"]
    assert known.rig_volume_m3 == volume.volume_m3
    assert known.last_ambient_pa == 99_000.0
    assert (known.zero_u_pa, known.span_u) == (sensor.zero_u_pa, sensor.span_u)
    assert known.has_part_valve
    assert known.confirmed == ("nipple_clear",)
    step_pa = 6.144 * sensor.input_ratio / 32_768 * 115_000.0 / 4.0
    assert known.converter_step_pa == pytest.approx(step_pa, rel=1e-9)


def test_a_board_without_the_input_tells_no_converter_step() -> None:
    """The run is refused elsewhere; here nothing is made up."""
    assert (
        context_of(SELF_TEST, plan(SELF_TEST), setup(channels=()), BENCH, None).converter_step_pa
        == 0.0
    )


def test_a_rig_that_was_never_measured_is_assumed_and_that_is_said() -> None:
    """Its volume is that of manifold and standard hose with their tolerance."""
    test = hold(DROP)
    assert context_of(test, plan(test), setup(), BENCH, None).rig_volume_m3 == ASSUMED_RIG_VOLUME
    assert [each.code for each in notes_on_setup(setup())] == ["rig_volume_assumed", "no_self_test"]


@pytest.mark.parametrize(
    ("age", "clock_was_set", "told"),
    [
        (timedelta(days=29), True, []),
        (timedelta(days=31), True, ["self_test_old"]),
        (timedelta(days=31), False, []),  # a clock that was not set tells no age
    ],
)
def test_an_old_self_test_is_said_where_its_age_is_known(
    age: timedelta, clock_was_set: bool, told: list[str]
) -> None:
    """Older than 30 days: the rig's own leak may have changed."""
    known = setup(
        rig_volume=KnownVolume(Estimate(25e-6, 0.2e-6), NOW, "run 3"),
        own_leak=KnownOwnLeak(Estimate(1e-10, 1e-11), NOW - age, 4),
        clock_was_set=clock_was_set,
    )
    assert [each.code for each in notes_on_setup(known)] == told


@pytest.mark.parametrize("test", [hold(DROP), hold(), SELF_TEST, RIG_VOLUME])
def test_every_planned_test_has_a_procedure_that_can_be_listed(test: TestPlan) -> None:
    """From the plan and the setup alone: its steps begin vented and end vented."""
    run = plan(test)
    known = context_of(test, run, setup(), BENCH, None)
    steps = list(dry_run(procedure_of(test, run, setup(), BENCH, None), known))
    assert steps[0].valves["vent"] == "open"
    vents = [step.valves["vent"] for step in steps if "vent" in step.valves]
    assert vents[-1] == "open"


def test_a_procedure_that_there_is_not_is_refused_by_name() -> None:
    """The error lists those that there are."""
    test = TestPlan("sweep", "sweep")
    with pytest.raises(InputError, match=r"sweep.*hold, self_test, rig_volume"):
        procedure_of(test, plan(test), setup(), BENCH, None)


def test_a_bench_without_part_valve_is_known_as_one() -> None:
    """Its hold makes no volume steps."""
    lines = FULL.split("\n\n")
    text = "\n\n".join(block for block in lines if not block.startswith("[valves.part]"))
    bench: Bench = parse_bench(text, "bench.toml")
    test = hold(DROP)
    known = context_of(test, plan(test), setup(), bench, None)
    assert not known.has_part_valve
