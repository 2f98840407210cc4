"""Own what a simulated bench takes for granted: part, intake, answers; never at a real one."""

from dataclasses import replace

from rig.cli.at_bench import BenchChoice
from rig.daemon.desk import family_of
from rig.errors import InputError
from rig.parts.intake import DRAINED, PURGED, Intake, PartCondition, PartNumber
from rig.sim.shelf import SHELF
from rig.store.store import Store
from rig.web.desk import TestRequest

_FAMILY, _VARIANT = "choke_pull_off", "direct"
_MADE_UP = PartNumber(None, "a simulated part has none")


def at_hand(choice: BenchChoice, tag: str) -> BenchChoice:
    """Take the simulated part that has the name of the tag, where no other is asked for."""
    if choice.part is not None or choice.plant is not None:
        return choice
    if tag not in SHELF:
        raise InputError(
            f"there is no simulated part '{tag}': name one with --part. There are"
            f" {', '.join(SHELF)}."
        )
    return replace(choice, part=tag)


def taken_in(store: Store, tag: str) -> None:
    """Take a simulated part in that is not on record yet."""
    try:
        if store.part(tag).intake is not None:
            return
    except InputError:
        pass
    store.add_part(
        Intake(
            tag,
            _FAMILY,
            _VARIANT,
            _MADE_UP,
            _MADE_UP,
            make="",
            date_code="",
            condition=PartCondition.USED,
            source="simulated bench",
        )
    )


def confirmed_by_simulation(asked: TestRequest, store: Store) -> TestRequest:
    """Confirm all that the part's kind asks before it is judged, where nothing else was said.

    That the nipple is clear is left to whoever looked: it turns a spoiled test into a fail.
    """
    intake = store.part(asked.tag).intake
    if asked.confirmed or intake is None:
        return asked
    questions = family_of(intake.family).variants[intake.variant].questions
    codes = [each.code for each in questions if each.code != "nipple_clear"]
    return replace(asked, confirmed=(*codes, DRAINED, PURGED))
