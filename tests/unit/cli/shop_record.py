"""Own a small record of an invented shop, made by hand through the store; never read one.

N01 passed (run 1) and failed in a run that was void (run 2, its clock not set). A run of N02 was
given to N03 by mistake (run 3) and moved; run 4 of it was ended by a fault. N03 was never tested,
and is retired. X9 was tested before anybody took it in (run 5), by a newer program.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType

from rig.parts.intake import Intake, LookOver, PartCondition, PartNumber
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.runs import (
    Ending,
    EventRecord,
    Judged,
    Measured,
    RunPlan,
    RunResult,
    StepRecord,
    TestPlan,
    TestResult,
)
from rig.store.store import Store
from rig.units import Kind
from tests.unit.store.kept import SETUP, batch

BEGIN = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
NOW = datetime(2026, 3, 9, 12, 0, tzinfo=UTC)
INHG, STD_CC_MIN = 3386.389, 1.0 / 6e7
LIMIT: Mapping[str, str | tuple[str, ...]] = MappingProxyType(
    {
        "shape": "drop",
        "from": "15 inHg",
        "within": "20 s",
        "at_most": "1 inHg",
        "reference_volume": "45 cm3",
        "source": "rig default, not a specification",
    }
)
PLAN = RunPlan(
    "N01",
    "choke_pull_off",
    "direct",
    Purpose.BEFORE_FITTING,
    (TestPlan("hold", "hold", LIMIT),),
    ("no_bleed", "one_stage"),
    "bracket bent",
)


@dataclass
class SetClock:
    """A clock that stands where it is put."""

    at_utc: datetime = BEGIN
    passed: timedelta = field(default_factory=timedelta)

    def mono_s(self) -> float:
        """Get the monotonic time."""
        return 1000.0 + self.passed.total_seconds()

    def utc(self) -> datetime:
        """Get the wall clock's time."""
        return self.at_utc

    def wait(self, duration_s: float) -> None:
        """Move on."""
        self.passed += timedelta(seconds=duration_s)


def intake(tag: str, **changes: object) -> Intake:
    """Make the intake of a pull-off."""
    made = Intake(
        tag=tag,
        family="choke_pull_off",
        variant="direct",
        number_read=PartNumber("UM-P11"),
        number_claimed=PartNumber(None, "came without papers"),
        make="Umbrevan",
        date_code="7 B 4",
        condition=PartCondition.OLD_STOCK,
        source="clearance, box of twelve",
        notes="",
        look_over=(LookOver.PAINTED_NIPPLE, LookOver.RUST),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def result(outcome: Outcome, drop_inhg: float, probability: float, *reasons: Finding) -> RunResult:
    """Make the result of a hold with this drop, uncertain by a twentieth and 0.01 inHg."""
    drop = Estimate.from_sources(
        drop_inhg * INHG, {"volume": 0.05 * drop_inhg * INHG, "random": 0.01 * INHG}
    )
    leak = drop.scaled(1.9 * STD_CC_MIN / (0.42 * INHG))
    measured = (
        Measured("ambient", Kind.ABSOLUTE_PRESSURE, Estimate(101_100.0, 1.0)),
        Measured("stop_volume", Kind.VOLUME, Estimate.from_sources(2.1e-5, {"rig_volume": 6e-7})),
        Measured("leak", Kind.FLOW, leak),
        Measured("equivalent_drop", Kind.VACUUM, drop),
        Measured("hold", Kind.TIME, Estimate(20.04, 0.0)),
    )
    judged = (Judged(LIMIT, outcome, probability, 0.95),)
    test = TestResult("hold", outcome, measured, judged, reasons)
    return RunResult(Ending.FINISHED, outcome, (test,))


PASSED = result(
    Outcome.PASS,
    0.42,
    0.99999,
    Finding(
        "within_limit",
        {
            "drop_pa": 0.42 * INHG,
            "u_pa": 0.0233 * INHG,
            "max_drop_pa": INHG,
            "probability": 0.99999,
        },
    ),
)
FAILED = result(Outcome.FAIL, 2.0, 1e-9)
TRIPPED = RunResult(Ending.TRIPPED, Outcome.INVALID, (), (Finding("stop_pressed"),))


def make_run(store: Store, plan: RunPlan, ended: RunResult, began_utc: datetime) -> int:
    """Make a run of two steps and 400 frames through the store."""
    was_set = began_utc.year > 2000
    setup = replace(SETUP, began_utc=began_utc, clock_was_set=was_set, program="0.1.0")
    run = store.begin(plan, setup)
    store.add_samples(run, batch(17, 400))
    began_s = setup.began_mono_s
    for name, state, at_s, lasting_s, ended_by in (
        ("hold/zero", "zeroing", 0.0, 2.0, "done"),
        ("hold/one.hold", "settling", 12.3, 20.0, "decided"),
    ):
        first = 17 + int(10 * at_s)
        step = StepRecord(
            name, state, began_s + at_s, began_s + at_s + lasting_s, first, first + 200, ended_by
        )
        store.add_step(run, step)
    prompt = Finding("prompt_pump", {"target_pa": 16.0 * INHG})
    store.add_event(run, EventRecord(began_s + 2.0, "prompt", prompt))
    store.finish(run, ended)
    store.flush()
    return run


def make_record(folder: Path) -> None:
    """Make the record of the shop."""
    clock = SetClock()
    with Store.open(folder, clock, threaded=False, boot_id="boot") as store:
        store.add_part(intake("N01"))
        plain = PartNumber(None, "painted over"), PartNumber("UM-P12"), ()
        store.add_part(
            intake("N02", number_read=plain[0], number_claimed=plain[1], look_over=plain[2])
        )
        store.add_part(intake("N03", number_read=plain[0], condition=PartCondition.USED))
        make_run(store, PLAN, PASSED, BEGIN + timedelta(hours=1))
        make_run(store, PLAN, FAILED, datetime(1970, 1, 1, 0, 3, tzinfo=UTC))
        clock.at_utc = BEGIN + timedelta(days=1)
        store.void(2, "hose pinched")
        make_run(store, replace(PLAN, tag="N03"), FAILED, BEGIN + timedelta(days=1, hours=1))
        clock.at_utc = BEGIN + timedelta(days=2)
        store.move(3, "N02", "tags mixed up")
        store.retire("N03", "sold")
        make_run(store, replace(PLAN, tag="N02"), TRIPPED, BEGIN + timedelta(days=2, hours=1))
        measured = Measured("creep_share", Kind.SHARE, Estimate(0.1, 0.01, {"drift_of_span": 0.01}))
        newer = TestResult(
            "sweep", Outcome.MEASURED, (measured,), reasons=(Finding("rod_hung", {"at_pa": 2.5}),)
        )
        foreign = RunPlan(
            "X9", "float_valve", "tall", Purpose.JUST_MEASURE, (TestPlan("sweep", "sweep"),)
        )
        done = RunResult(Ending.FINISHED, Outcome.MEASURED, (newer,))
        make_run(store, foreign, done, BEGIN + timedelta(days=3))
