"""Own how plan and setup of a run are written as JSON and read back; never know who asks for it."""

import json
from datetime import datetime
from types import MappingProxyType

from rig.readings import ChannelSpec
from rig.records import Purpose
from rig.runs import RunPlan, RunSetup, TestPlan
from rig.store.plain import from_own_leak, from_volume, to_own_leak, to_volume


def from_plan(plan: RunPlan) -> str:
    """Write a plan."""
    tests = [
        {
            "name": test.name,
            "procedure": test.procedure,
            "limit": {
                key: text if isinstance(text, str) else list(text)
                for key, text in test.limit.items()
            },
            "settings": {name: float(value) for name, value in test.settings.items()},
        }
        for test in plan.tests
    ]
    return json.dumps(
        {
            "tag": plan.tag,
            "family": plan.family,
            "variant": plan.variant,
            "purpose": plan.purpose,
            "tests": tests,
            "confirmed": list(plan.confirmed),
            "note": plan.note,
        }
    )


def to_plan(text: str) -> RunPlan:
    """Read what `from_plan` wrote."""
    kept = json.loads(text)
    tests = tuple(
        TestPlan(
            test["name"],
            test["procedure"],
            MappingProxyType({key: _text(said) for key, said in test["limit"].items()}),
            MappingProxyType(test["settings"]),
        )
        for test in kept["tests"]
    )
    return RunPlan(
        kept["tag"],
        kept["family"],
        kept["variant"],
        Purpose(kept["purpose"]),
        tests,
        tuple(kept["confirmed"]),
        kept["note"],
    )


def _text(said: str | list[str]) -> str | tuple[str, ...]:
    return said if isinstance(said, str) else tuple(said)


def from_setup(setup: RunSetup) -> str:
    """Write what of a setup has no column of its own."""
    volume, leak, ambient_pa = setup.rig_volume, setup.own_leak, setup.last_ambient_pa
    return json.dumps(
        {
            "bench_text": setup.bench_text,
            "channels": [
                [spec.name, int(spec.bits), float(spec.full_scale_v), bool(spec.signed)]
                for spec in setup.channels
            ],
            "board": setup.board,
            "firmware": setup.firmware,
            "program": setup.program,
            "rig_volume": None if volume is None else from_volume(volume),
            "own_leak": None if leak is None else from_own_leak(leak),
            "last_ambient_pa": None if ambient_pa is None else float(ambient_pa),
        }
    )


def to_setup(
    text: str, boot_id: str, began_mono_s: float, began_utc: datetime, *, clock_was_set: bool
) -> RunSetup:
    """Read what `from_setup` wrote, and put the columns beside it."""
    kept = json.loads(text)
    volume, leak = kept["rig_volume"], kept["own_leak"]
    return RunSetup(
        bench_text=kept["bench_text"],
        channels=tuple(ChannelSpec(*spec) for spec in kept["channels"]),
        board=kept["board"],
        firmware=kept["firmware"],
        program=kept["program"],
        boot_id=boot_id,
        began_mono_s=began_mono_s,
        began_utc=began_utc,
        clock_was_set=clock_was_set,
        rig_volume=None if volume is None else to_volume(volume),
        own_leak=None if leak is None else to_own_leak(leak),
        last_ambient_pa=kept["last_ambient_pa"],
    )


def channels_of(text: str) -> int:
    """Count the channels in what `from_setup` wrote."""
    return len(json.loads(text)["channels"])
