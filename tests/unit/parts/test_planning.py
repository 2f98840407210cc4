"""Tests of what a run makes and is held to, and of every reason not to make it."""

from collections.abc import Collection, Mapping
from dataclasses import replace

import pytest

from rig.parts.families import shipped_families
from rig.parts.family import Family, Means
from rig.parts.family_file import read_family
from rig.parts.limit_text import limit_from_table
from rig.parts.planning import (
    PlanError,
    bench_means,
    hold_settings,
    missing_means,
    not_tested,
    open_questions,
    plan,
    required_tests,
)
from rig.records import Purpose
from rig.runs import RunPlan, TestPlan

INHG = 3386.389
PULL_OFF = read_family(shipped_families()["choke_pull_off"], "choke_pull_off")
DIRECT = PULL_OFF.variants["direct"]
HOLD = DIRECT.tests["hold"]
FULL = frozenset(Means)
ANSWERED = ("no_bleed", "no_delay", "one_stage", "nipple_clear")
OWN = {
    "shape": "drop",
    "from": "20 inHg",
    "within": "30 s",
    "at_most": "0.8 inHg",
    "source": "Umbrevan workshop manual",
    "page": "8-12",
}


def with_second_test(family: Family = PULL_OFF, *, with_limit: bool = True) -> Family:
    """Give the family a second test, of movement, that a purpose of its own requires."""
    moves = replace(
        HOLD,
        name="moves",
        title="moves",
        needs=((Means.TRAVEL_SENSOR, Means.MARK),),
        required_for=(Purpose.FOR_SALE,),
    )
    if not with_limit:
        moves = replace(moves, limit=None, limit_table={})
    direct = replace(DIRECT, tests={"hold": HOLD, "moves": moves})
    return replace(family, variants={"direct": direct})


def planned(
    family: Family = PULL_OFF,
    purpose: Purpose = Purpose.BEFORE_FITTING,
    bench_has: Collection[Means] = FULL,
    chosen: Collection[str] | None = None,
    own: Mapping[str, Mapping[str, str]] | None = None,
) -> tuple[TestPlan, ...]:
    """Plan a run of the direct variant with every question answered."""
    return plan(
        family,
        "direct",
        purpose,
        bench_has,
        chosen_tests=chosen,
        own_limits=own,
        confirmed=ANSWERED,
    )


def refused(
    family: Family = PULL_OFF,
    purpose: Purpose = Purpose.BEFORE_FITTING,
    bench_has: Collection[Means] = FULL,
    chosen: Collection[str] | None = None,
    own: Mapping[str, Mapping[str, str]] | None = None,
) -> tuple[str, ...]:
    """Plan a run that cannot be made, and get the reasons."""
    with pytest.raises(PlanError) as caught:
        planned(family, purpose, bench_has, chosen, own)
    return caught.value.errors


def test_a_pull_off_is_held_from_15_inhg_against_the_rigs_default() -> None:
    """At most 1 inHg in 20 s from 15 inHg in 45 cm3, and said to be no specification."""
    (hold,) = planned()
    assert (hold.name, hold.procedure) == ("hold", "hold")
    limit = limit_from_table(hold.limit, "plan").as_drop_limit(1.0)
    assert limit.from_vacuum_pa == pytest.approx(15 * INHG)
    assert limit.within_s == 20.0
    assert limit.reference_volume_m3 == pytest.approx(45e-6)
    assert limit.max_drop_pa == pytest.approx(1 * INHG)
    assert hold.limit["source"] == "rig default, not a specification"


def test_a_hold_is_given_all_the_figures_that_its_procedure_asks_for() -> None:
    """In SI, by the names under which `rig.procedure` asks; volumes from 8 to 25 cm3."""
    (hold,) = planned()
    assert hold.settings == pytest.approx(
        {
            "target_vacuum_pa": 15 * INHG,
            "drop_within_s": 20.0,
            "reference_volume_m3": 45e-6,
            "settle_s": 5.0,
            "hold_s": 60.0,
            "port_max_vacuum_pa": 25 * INHG,
            "port_max_pressure_pa": 6894.757,
            "typical_volume_m3": 16.5e-6,
            "typical_volume_u_m3": 4.907477e-6,
            "least_volume_m3": 2e-6,
        }
    )


def test_a_users_own_limit_takes_the_place_of_the_default() -> None:
    """The whole of it: start, time and bound; no reference volume is left over from the rig's."""
    (hold,) = planned(own={"hold": OWN})
    assert hold.limit == OWN
    assert hold.settings["target_vacuum_pa"] == pytest.approx(20 * INHG)
    assert hold.settings["drop_within_s"] == 30.0
    assert "reference_volume_m3" not in hold.settings


def test_just_measuring_judges_nothing_and_states_the_drop_alike() -> None:
    """No limit goes with the test, nothing need be confirmed, and the same conditions hold."""
    (hold,) = plan(PULL_OFF, "direct", Purpose.JUST_MEASURE, frozenset())
    assert hold.limit == {}
    assert hold.settings == planned()[0].settings


def test_without_any_limit_a_part_can_only_be_measured() -> None:
    """On the first day most parts have no known limit; none is made up for them."""
    family = with_second_test(with_limit=False)
    assert refused(family, Purpose.FOR_SALE) == (
        "moves: no limit is known. Give that of the service manual, or just measure.",
    )
    hold, moves = planned(family, Purpose.JUST_MEASURE)
    assert moves.limit == {}
    assert moves.settings["target_vacuum_pa"] == pytest.approx(15 * INHG)
    assert moves.settings["drop_within_s"] == 20.0
    assert "reference_volume_m3" not in moves.settings
    assert planned(family, Purpose.FOR_SALE, own={"moves": OWN})[1].limit == OWN
    assert hold.name == "hold"


def test_a_test_without_its_means_is_refused_with_the_reason() -> None:
    """Any one of what would do is enough, and each that would do is named."""
    family = with_second_test()
    assert refused(family, bench_has={Means.PART_VALVE}, chosen=["moves"]) == (
        "moves: this needs a travel sensor, or your mark, and the bench has none.",
    )
    for enough in (Means.MARK, Means.TRAVEL_SENSOR):
        assert [each.name for each in planned(family, bench_has={enough}, chosen=["moves"])]
    pumped = replace(HOLD, needs=((Means.ELECTRIC_PUMP,), (Means.PART_VALVE,)))
    assert missing_means(pumped, {Means.PART_VALVE}) == ((Means.ELECTRIC_PUMP,),)


def test_what_a_purpose_requires_is_planned_even_where_the_bench_cannot() -> None:
    """A test that is required is never left out in silence; one that is not may be."""
    family = with_second_test()
    direct = family.variants["direct"]
    assert required_tests(direct, Purpose.BEFORE_FITTING) == ("hold",)
    assert required_tests(direct, Purpose.FOR_SALE) == ("hold", "moves")
    assert required_tests(direct, Purpose.JUST_MEASURE) == ()
    assert [each.name for each in planned(family)] == ["hold", "moves"]
    assert [each.name for each in planned(family, bench_has=())] == ["hold"]
    assert "needs a travel sensor" in refused(family, Purpose.FOR_SALE, bench_has=())[0]


def test_chosen_tests_are_made_in_the_order_of_the_family() -> None:
    """A run may hold one test only, and the order is not the caller's."""
    family = with_second_test()
    assert [each.name for each in planned(family, chosen=["moves"])] == ["moves"]
    assert [each.name for each in planned(family, chosen=["moves", "hold"])] == ["hold", "moves"]


def test_a_part_is_not_judged_before_it_is_known_what_it_is() -> None:
    """A bleed makes a good part leak: each question is put, with what to do otherwise."""
    with pytest.raises(PlanError) as caught:
        plan(PULL_OFF, "direct", Purpose.FOR_SALE, {Means.PART_VALVE}, confirmed=["one_stage"])
    assert len(caught.value.errors) == 2
    assert caught.value.errors[0].startswith("Before it is judged, confirm 'no_bleed': Cover and")
    assert "just measure" in caught.value.errors[0]
    assert "'no_delay'" in caught.value.errors[1]


def test_a_bench_that_finds_out_by_itself_does_not_ask() -> None:
    """With a part valve the rig sees whether anything is behind the nipple; without, you must."""
    without = [each.code for each in open_questions(DIRECT, ())]
    assert without == ["no_bleed", "no_delay", "one_stage", "nipple_clear"]
    assert [each.code for each in open_questions(DIRECT, {Means.PART_VALVE})] == without[:3]
    assert open_questions(DIRECT, (), ANSWERED) == ()


# An own limit that will not do, and what is said of it.
NO_LIMIT_FOR_THIS = [
    ({**OWN, "from": "24.6 inHg"}, "begins at 24.6 inHg, and the vacuum nipple bears a hold from"),
    ({**OWN, "from": "65.9 inHg"}, "cannot exist"),
    ({**OWN, "at_most": "0.8"}, "the limit given, at_most: '0.8' has no unit"),
    ({**OWN, "at_moist": "0.8 inHg"}, "Did you mean 'at_most'?"),
    (
        {
            "shape": "switch_band",
            "closed_below": "100 degF",
            "open_above": "125 degF",
            "source": "Umbrevan workshop manual",
        },
        "not judged from one hold",
    ),
]


@pytest.mark.parametrize(("own", "words"), NO_LIMIT_FOR_THIS)
@pytest.mark.parametrize("purpose", [Purpose.BEFORE_FITTING, Purpose.JUST_MEASURE])
def test_an_own_limit_that_will_not_do_is_refused(
    purpose: Purpose, own: Mapping[str, str], words: str
) -> None:
    """It cannot be true, does not fit the test, or begins beyond what the port bears."""
    (said,) = refused(purpose=purpose, own={"hold": own})
    assert said.startswith("holds vacuum: ")
    assert words in said


def test_a_limit_may_begin_where_a_pump_still_has_room() -> None:
    """Half an inch below the port's 25 inHg, and no more."""
    (hold,) = planned(own={"hold": {**OWN, "from": "24.5 inHg"}})
    assert hold.settings["target_vacuum_pa"] == pytest.approx(24.5 * INHG)


def test_names_that_are_not_known_are_refused_with_the_nearest() -> None:
    """A test, a variant or a limit of a name misspelt is never passed over."""
    assert refused(chosen=["holt"]) == (
        "direct-acting, no bleed: there is no test 'holt'. Did you mean 'hold'?",
    )
    assert "no test 'hld'" in refused(own={"hld": OWN})[0]
    assert refused(chosen=[]) == ("No test was chosen that this bench can make. Choose one.",)
    with pytest.raises(PlanError, match=r"no variant 'dirct'\. Did you mean 'direct'"):
        plan(PULL_OFF, "dirct", Purpose.JUST_MEASURE, FULL)


def test_all_reasons_are_told_at_once() -> None:
    """Whoever plans the run mends them in one go."""
    said = refused(with_second_test(), Purpose.FOR_SALE, (), own={"hold": {}, "x": OWN})
    assert [each.split(":")[0] for each in said] == [
        "direct-acting, no bleed",
        "holds vacuum",
        "moves",
    ]


def test_what_a_run_leaves_out_is_listed_and_what_no_test_shows() -> None:
    """A buyer reads what was not tested beside what was."""
    family = with_second_test()
    run = RunPlan(
        "N01",
        "choke_pull_off",
        "direct",
        Purpose.BEFORE_FITTING,
        planned(family, chosen=["hold"]),
    )
    assert not_tested(run, family) == ("moves", *PULL_OFF.does_not_show)
    both = replace(run, tests=planned(family))
    assert not_tested(both, family) == PULL_OFF.does_not_show
    with pytest.raises(PlanError, match="no variant 'bled'"):
        not_tested(replace(run, variant="bled"), family)


def test_the_settings_of_a_hold_do_not_change_under_its_feet() -> None:
    """They are kept with the run as they were planned."""
    figures = hold_settings(HOLD, PULL_OFF.ports["a"], None)
    with pytest.raises(TypeError):
        figures["hold_s"] = 1.0  # type: ignore[index]


def test_a_bench_has_the_means_that_its_file_names() -> None:
    """Valves, channels, inputs and outputs by their names there; others are no means of a test."""
    names = ("pump", "vent", "part", "port_b", "p_a", "t_gas", "p_b", "travel", "mark", "stop")
    assert bench_means(names) == {
        Means.PART_VALVE,
        Means.PORT_B_VALVE,
        Means.PORT_B_SENSOR,
        Means.TRAVEL_SENSOR,
        Means.MARK,
    }
    rest = ("barometer", "t_bath", "signal", "coil", "electric_pump", "lamp")
    assert bench_means((*names, *rest)) == frozenset(Means)
