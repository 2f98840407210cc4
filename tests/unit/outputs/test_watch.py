"""Tests of the limits that readings are held against."""

import numpy as np
import pytest

from rig.config import SafetySettings
from rig.outputs.interlocks import Port, RunLimits
from rig.outputs.watch import MAX_PRESSURE_PA, Watch
from rig.records import Finding
from tests.unit.outputs.bench_kit import RIG_MAX_PA, ROOM_PA, readings_of

BATH_K = 368.15
INHG_PA = 3386.389


def _watch() -> Watch:
    return Watch(SafetySettings(RIG_MAX_PA, BATH_K, (11.0, 15.0)), 100.0)


def _run(limits: RunLimits, ambient_pa: float | None = ROOM_PA) -> Watch:
    watch = _watch()
    watch.begin(limits)
    if ambient_pa is not None:
        watch.set_ambient(ambient_pa)
    return watch


def _look(watch: Watch, now_s: float = 101.0, **values: float) -> tuple[Finding, ...]:
    return watch.look(readings_of(now_s, **values), True, now_s)


def test_the_part_s_maximum_vacuum_is_the_last_that_is_borne() -> None:
    """At its maximum of 1 inHg a canister is within; a hair beyond it is not."""
    watch = _run(RunLimits(max_vacuum_pa={"p_a": INHG_PA}))
    assert _look(watch, p_a=ROOM_PA - INHG_PA) == ()
    (beyond,) = _look(watch, p_a=ROOM_PA - INHG_PA - 1.0)
    assert beyond.code == "over_vacuum"
    assert beyond.figures == {
        "channel": "p_a",
        "vacuum_pa": pytest.approx(INHG_PA + 1.0),
        "max_vacuum_pa": INHG_PA,
    }


def test_one_reading_beyond_a_limit_is_enough() -> None:
    """The deepest reading of a batch counts, wherever in it it stands; unusable ones do not."""
    watch = _run(RunLimits(max_vacuum_pa={"p_a": INHG_PA}))
    readings = readings_of(101.0, p_a=ROOM_PA)
    readings.values["p_a"][0] = ROOM_PA - 2.0 * INHG_PA
    assert [each.code for each in watch.look(readings, True, 101.0)] == ["over_vacuum"]
    readings.values["p_a"][0] = np.nan
    assert watch.look(readings, True, 101.0) == ()


def test_each_port_has_its_own_maximum() -> None:
    """A maximum of port B says nothing of port A, where the rig's own holds."""
    watch = _run(RunLimits(max_vacuum_pa={"p_b": INHG_PA}))
    assert _look(watch, p_a=ROOM_PA - 20.0 * INHG_PA, p_b=ROOM_PA) == ()
    beyond = _look(watch, p_a=ROOM_PA, p_b=ROOM_PA - 1.1 * INHG_PA)
    assert [(each.code, each.figures["channel"]) for each in beyond] == [("over_vacuum", "p_b")]


def test_a_part_never_widens_the_rig_s_own_maximum() -> None:
    """However much a part is said to bear, the rig bears 25 inHg and 3 psi."""
    watch = _run(RunLimits(max_vacuum_pa={"p_a": 90_000.0}, max_pressure_pa={"p_a": 50_000.0}))
    assert _look(watch, p_a=ROOM_PA - RIG_MAX_PA + 1.0) == ()
    assert [each.code for each in _look(watch, p_a=ROOM_PA - RIG_MAX_PA - 1.0)] == ["over_vacuum"]
    assert abs(MAX_PRESSURE_PA - 3 * 6894.757) < 0.1
    assert [each.code for each in _look(watch, p_a=ROOM_PA + 20_700.0)] == ["over_pressure"]


def test_the_part_s_maximum_pressure() -> None:
    """Above the room's air a part bears what its family says."""
    watch = _run(RunLimits(max_pressure_pa={"p_a": 7000.0}))
    assert _look(watch, p_a=ROOM_PA + 7000.0) == ()
    assert _look(watch, p_a=ROOM_PA + 7001.0) == (
        Finding("over_pressure", {"channel": "p_a", "above_pa": 7001.0, "max_above_pa": 7000.0}),
    )


def test_the_rig_s_maximum_holds_outside_a_run_too() -> None:
    """Before anything is known of the room, sea level is taken for the rig's own maximum."""
    watch = _watch()
    sea_pa = 101_325.0
    assert _look(watch, p_a=sea_pa - RIG_MAX_PA + 1.0) == ()
    assert [each.code for each in _look(watch, p_a=sea_pa - RIG_MAX_PA - 1.0)] == ["over_vacuum"]


def test_high_up_and_not_yet_vented_a_run_is_not_ended_by_its_own_air() -> None:
    """At 80 kPa of ambient the vented rig is no vacuum of 6 inHg, even where 1 is the maximum."""
    watch = _run(RunLimits(max_vacuum_pa={"p_a": INHG_PA}), ambient_pa=None)
    assert _look(watch, p_a=80_000.0) == ()
    assert watch.ports(101.0)["p_a"].vacuum_pa is None
    watch.set_ambient(80_000.0)
    assert _look(watch, p_a=80_000.0 - 0.9 * INHG_PA) == ()
    assert [it.code for it in _look(watch, p_a=80_000.0 - 1.1 * INHG_PA)] == ["over_vacuum"]


def test_low_down_and_not_yet_vented_a_run_is_not_ended_by_its_own_air() -> None:
    """In a high of 104 kPa the vented rig is no pressure, even where 1 kPa is the maximum."""
    watch = _run(RunLimits(max_pressure_pa={"p_a": 1000.0}), ambient_pa=None)
    assert _look(watch, p_a=104_000.0) == ()
    watch.set_ambient(104_000.0)
    assert _look(watch, p_a=105_000.0) == ()
    assert [it.code for it in _look(watch, p_a=105_001.0)] == ["over_pressure"]


def test_the_rig_s_own_reading_of_the_room_goes_before_others() -> None:
    """Ambient is what the vented rig read in this run, else the barometer, else what was known."""
    watch = _watch()
    watch.begin(RunLimits(ambient_pa=99_000.0))
    _look(watch, p_a=90_000.0)
    assert watch.ports(101.0)["p_a"].vacuum_pa == 9000.0
    _look(watch, p_a=90_000.0, barometer=98_000.0)
    assert watch.ports(101.0)["p_a"].vacuum_pa == 8000.0
    watch.set_ambient(97_000.0)
    assert watch.ports(101.0)["p_a"].vacuum_pa == 7000.0
    watch.end()
    watch.begin(RunLimits())
    assert watch.ports(101.0)["p_a"].vacuum_pa == 8000.0


def test_a_port_is_known_by_age_and_distance() -> None:
    """What interlocks are told of a port: how old, how deep, how deep it may be."""
    watch = _run(RunLimits(max_vacuum_pa={"p_a": 60_000.0, "p_b": INHG_PA}))
    _look(watch, 101.0, p_a=40_000.0)
    assert watch.ports(101.5) == {
        "p_a": Port(age_s=0.5, vacuum_pa=60_000.0, max_vacuum_pa=60_000.0),
        "p_b": Port(age_s=float("inf"), vacuum_pa=None, max_vacuum_pa=INHG_PA),
    }


def test_readings_of_a_second_ago_say_nothing_of_now() -> None:
    """Data are stale beyond 1 s, before the first reading too; their age counts from the start."""
    watch = _watch()
    assert watch.is_stale(100.0)
    assert watch.unseen(100.5) == (Finding("data_stale", {"age_s": 0.5}),)
    _look(watch, 101.0, p_a=ROOM_PA)
    assert not watch.is_stale(102.0)
    assert watch.is_stale(102.001)
    assert watch.unseen(103.0) == (Finding("data_stale", {"age_s": 2.0}),)


def test_a_batch_without_frames_is_no_data() -> None:
    """An empty batch neither counts as fresh nor fails."""
    watch = _watch()
    empty = readings_of(101.0)
    none = type(empty)(empty.samples, np.zeros(0), {"p_a": np.zeros(0)})
    assert watch.look(none, True, 101.0) == ()
    assert watch.is_stale(101.0)


def test_a_port_with_a_maximum_must_stay_readable() -> None:
    """Frames that come with an unusable pressure are no watch over a maximum."""
    watch = _run(RunLimits(max_vacuum_pa={"p_b": INHG_PA}))
    _look(watch, 101.0, p_a=ROOM_PA, p_b=ROOM_PA)
    for now_s in (101.5, 102.0, 102.5):
        _look(watch, now_s, p_a=ROOM_PA, p_b=float("nan"))
    assert watch.unseen(102.0) == ()
    assert watch.unseen(102.5) == (Finding("port_unseen", {"channel": "p_b"}),)
    watch.end()
    assert watch.unseen(102.5) == ()


def test_a_bath_over_its_limit_stays_hot_until_well_below() -> None:
    """The limit itself is borne; once beyond it, 2 degC below it or no reading decides."""
    watch = _watch()
    assert _look(watch, t_bath=BATH_K) == ()
    assert not watch.bath_hot
    assert _look(watch, t_bath=BATH_K + 0.5) == (
        Finding(
            "bath_too_hot",
            {"bath_temperature_k": BATH_K + 0.5, "max_bath_temperature_k": BATH_K},
        ),
    )
    assert watch.bath_hot
    assert _look(watch, t_bath=BATH_K - 1.9) == ()
    assert watch.bath_hot
    assert _look(watch, t_bath=float("nan")) == ()
    assert watch.bath_hot
    assert _look(watch, t_bath=BATH_K - 2.1) == ()
    assert not watch.bath_hot


def test_a_supply_out_of_range_may_settle_before_it_counts() -> None:
    """For 0.3 s after it is switched on, or in an inrush, the supply may be elsewhere."""
    watch = _watch()
    out = Finding("supply_out_of_range", {"supply_v": 9.0, "low_v": 11.0, "high_v": 15.0})
    for step in range(31):
        assert _look(watch, 100.0 + 0.01 * step, supply=9.0) == ()
    assert _look(watch, 100.31, supply=9.0) == (out,)
    assert _look(watch, 100.32, supply=11.0) == ()
    assert _look(watch, 100.60, supply=15.1) == ()
    assert [each.code for each in _look(watch, 100.63, supply=15.1)] == ["supply_out_of_range"]


def test_a_supply_that_is_off_is_not_judged() -> None:
    """Behind an open relay the channel reads nothing, and that is no fault."""
    watch = _watch()
    for now_s in (101.0, 102.0, 103.0):
        assert watch.look(readings_of(now_s, supply=0.0), False, now_s) == ()
    unwatched = Watch(SafetySettings(RIG_MAX_PA, BATH_K, None), 100.0)
    for now_s in (101.0, 102.0, 103.0):
        assert _look(unwatched, now_s, supply=0.0) == ()


@pytest.mark.parametrize(
    ("code", "trouble", "cure"),
    [
        ("over_vacuum", {"p_a": ROOM_PA - 90_000.0}, {"p_a": ROOM_PA}),
        ("over_pressure", {"p_a": ROOM_PA + 30_000.0}, {"p_a": ROOM_PA}),
        ("bath_too_hot", {"p_a": ROOM_PA, "t_bath": 400.0}, {"p_a": ROOM_PA, "t_bath": 300.0}),
        ("supply_out_of_range", {"p_a": ROOM_PA, "supply": 3.0}, {"p_a": ROOM_PA, "supply": 12.0}),
    ],
)
def test_a_cause_stands_until_it_is_seen_to_be_gone(
    code: str, trouble: dict[str, float], cure: dict[str, float]
) -> None:
    """At a reset a cause is told as it stands now; with its cure read, it stands no more."""
    watch = _run(RunLimits())
    _look(watch, 101.0, **trouble)
    standing = watch.standing(Finding(code), True, 101.0)
    assert standing is not None
    assert standing.code == code
    assert standing.figures
    _look(watch, 101.5, **cure)
    assert watch.standing(Finding(code), True, 101.5) is None


def test_what_cannot_be_seen_is_not_taken_for_gone() -> None:
    """Without readings nobody knows whether a vacuum was vented."""
    watch = _run(RunLimits())
    _look(watch, 101.0, p_a=ROOM_PA - 90_000.0)
    stale = watch.standing(Finding("over_vacuum"), True, 103.0)
    assert stale == Finding("data_stale", {"age_s": 2.0})
    for code in ("data_stale", "port_unseen", "link_lost", "board_restarted"):
        assert watch.standing(Finding(code), True, 103.0) == stale
        _look(watch, 101.0, p_a=ROOM_PA)
        assert watch.standing(Finding(code), True, 101.5) is None


def test_a_supply_that_the_trip_took_away_is_no_cause_left() -> None:
    """Once the lease has dropped, the voltage behind it says nothing; other trips are not known."""
    watch = _watch()
    _look(watch, 101.0, supply=3.0)
    assert watch.standing(Finding("supply_out_of_range"), False, 101.0) is None
    assert watch.standing(Finding("supply_off"), False, 101.0) is None
