"""Tests of the list of steps that a test would make."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from rig.procedure.context import Context
from rig.procedure.dry_run import dry_run
from rig.procedure.hold import hold_test
from rig.procedure.planned import RIG_VOLUME, SELF_TEST
from rig.procedure.rig_volume import Syringe, rig_volume_test
from rig.procedure.self_test import SelfTestContext, self_test
from rig.procedure.steps import Procedure
from tests.unit.procedure.contexts import LIMIT, MEASURED, context

VOLUMES = [
    *("zero", "rest.pull", "rest.before", "rest.after", "rest.vent"),
    *("first.pull", "stop.standing"),
    *("stop.pull", "stop.before", "stop.after", "stop.vent"),
]
HOLD = ["one.pull", "one.hold"]
END = ["vent", "zero.again"]


def _self_test(known: Context) -> Procedure:
    return self_test(SelfTestContext(known, {"p_a": 300.0}))


def _rig_volume(known: Context) -> Procedure:
    return rig_volume_test(known, Syringe())


@pytest.mark.parametrize("limit", [LIMIT, MEASURED])
@pytest.mark.parametrize(
    ("has_part_valve", "names"),
    [(True, [*VOLUMES, *HOLD, "one.manifold", *END]), (False, ["zero", *HOLD, *END])],
)
def test_a_hold_lists_its_steps_in_order(
    limit: object, has_part_valve: bool, names: list[str]
) -> None:
    """With and without part valve, judged or measured: those of a part that just holds."""
    known = context(limit, has_part_valve=has_part_valve)  # type: ignore[arg-type]
    assert [step.name for step in dry_run(hold_test(known), known)] == names


@pytest.mark.parametrize("has_part_valve", [True, False])
@pytest.mark.parametrize(
    ("procedure", "test", "names"),
    [
        (
            _self_test,
            SELF_TEST,
            [
                *("zero", "cap", "blank.pull", "blank.hold"),
                *("pump.before", "pump.strokes", "pump.after"),
                *("vent.opens", "lease.pull", "lease.withdrawn", "vent"),
            ],
        ),
        (
            _rig_volume,
            RIG_VOLUME,
            [
                *("syringe", "vented", "read.0", "mark.1", "read.1", "mark.2", "read.2"),
                *("mark.3", "read.3", "mark.4", "read.4", "mark.5", "read.5"),
                *("part.shut", "part.vented", "part.alone", "part.opened", "vent"),
            ],
        ),
    ],
)
def test_the_rigs_own_tests_list_their_steps_in_order(
    procedure: Callable[[Context], Procedure],
    test: object,
    names: list[str],
    has_part_valve: bool,
) -> None:
    """They know no typical volume, and need none."""
    known = replace(context(has_part_valve=has_part_valve), test=test)  # type: ignore[arg-type]
    there = [name for name in names if has_part_valve or not name.startswith("part.")]
    assert [step.name for step in dry_run(procedure(known), known)] == there


def test_what_is_listed_says_what_is_asked_of_whom() -> None:
    """Every pull has its target and a prompt; every name stands once."""
    known = context()
    steps = list(dry_run(hold_test(known), known))
    assert len({step.name for step in steps}) == len(steps)
    for step in steps:
        if step.name.endswith(".pull"):
            assert step.target_pa is not None
            assert step.prompt is not None
