"""Own runs and parts as the tests of the store keep them; shares no code with the store."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from types import MappingProxyType

import numpy as np

from rig.parts.intake import Intake, LookOver, PartCondition, PartNumber
from rig.readings import ChannelSpec, Samples
from rig.records import Estimate, Finding, Outcome, Purpose
from rig.runs import (
    Ending,
    EventRecord,
    Judged,
    KeptRun,
    KnownOwnLeak,
    KnownVolume,
    Measured,
    RunPlan,
    RunResult,
    RunSetup,
    StepRecord,
    TestPlan,
    TestResult,
)
from rig.units import Kind

START = datetime(2026, 3, 4, 5, 6, 7, 890123, tzinfo=UTC)
RATE_HZ = 200
CHANNELS = tuple(
    ChannelSpec(name, bits, volts, signed)
    for name, bits, volts, signed in (
        ("p0", 16, 6.144, True),
        ("p1", 16, 6.144, True),
        ("t0", 12, 3.3, False),
        ("t1", 12, 3.3, False),
        ("v0", 24, 2.5, True),
    )
)
LIMIT = MappingProxyType(
    {
        "shape": "drop",
        "from": "15 inHg",
        "within": "20 s",
        "at_most": "1 inHg",
        "printed": ("0.97 inHg", "3.3 kPa"),
        "nothing": (),
    }
)
PLAN = RunPlan(
    tag="N01",
    family="pull-off",
    variant="single",
    purpose=Purpose.FOR_SALE,
    tests=(
        TestPlan("hold", "hold", LIMIT, MappingProxyType({"typical_volume_m3": 2.1e-5})),
        TestPlan("retract", "timing"),
    ),
    confirmed=("nipple_clear", "drained"),
    note='bought at "clearance"; box 3',
)
SETUP = RunSetup(
    bench_text='name = "Low Yard, bench 1"\n',
    channels=CHANNELS,
    board="pico",
    firmware="1.2",
    program="0.3",
    boot_id="9f1c-boot",
    began_mono_s=1234.5678901234,
    began_utc=START,
    clock_was_set=True,
    rig_volume=KnownVolume(
        Estimate.from_sources(2.51e-5, {"syringe": 2e-7, "span": 1e-7}), START, "syringe"
    ),
    own_leak=KnownOwnLeak(Estimate(1.1e-9, 2e-10), START, 3),
    last_ambient_pa=100_123.456,
)
STEPS = (
    StepRecord("zero", "zeroing", 1234.6, 1236.6000001, 17, 417, "done"),
    StepRecord(
        "hold", "holding", 1240.1, 1290.3, 1117, 11157, "decided",
        MappingProxyType({"lowest_pa": 50_663.1 / 3.0, "strokes": 4.0}),
    ),
)  # fmt: skip
EVENTS = (
    EventRecord(1236.7, "prompt", Finding("prompt_pump", {"target_pa": 50_795.835})),
    EventRecord(1250.0, "reading", Finding("channel_out", {"channel": "p_b", "reading_v": 0.01})),
    EventRecord(1250.1, "mark", Finding("mark")),
)
RESULT = RunResult(
    Ending.FINISHED,
    Outcome.FAIL,
    tests=(
        TestResult(
            "hold",
            Outcome.FAIL,
            measured=(
                Measured(
                    "equivalent_drop",
                    Kind.VACUUM,
                    Estimate.from_sources(4321.0 / 7.0, {"random": 1.0 / 3.0, "volume": 11.1}),
                ),
                Measured("leak", Kind.FLOW, Estimate(2.7e-8, 1e-310)),
                Measured("leak_at_least", Kind.FLOW, Estimate(1e-7, float("inf"))),
            ),
            judged=(
                Judged(LIMIT, Outcome.FAIL, 1e-17, 0.99),
                Judged(MappingProxyType({}), Outcome.MEASURED, None, None),
            ),
            reasons=(Finding("over_limit", {"drop_pa": 1.0 / 3.0, "largest_source": "volume"}),),
        ),
        TestResult("retract", Outcome.NOT_TESTED, reasons=(Finding("needs_mark"),)),
    ),
    reasons=(Finding("not_tested", {"test": "retract"}), Finding("second", {"count": 2.0})),
)
INTAKE = Intake(
    tag="N01",
    family="pull-off",
    variant="single",
    number_read=PartNumber(None, "painted over"),
    number_claimed=PartNumber("UM-P11"),
    make="Umbrevan",
    date_code="7 B 4",
    condition=PartCondition.OLD_STOCK,
    source="clearance, box of twelve",
    notes="bracket bent",
    look_over=(LookOver.PAINTED_NIPPLE, LookOver.RUST),
)


def part_named(tag: str) -> Intake:
    """Make a part with another tag."""
    return replace(INTAKE, tag=tag)


def counts_at(sequence: np.ndarray) -> np.ndarray:
    """Make the counts that each channel shows at each frame: they follow from its number."""
    primes = np.array([7919, 104_729, 1_299_709, 15_485_863, 179_424_673])
    return (sequence[:, None] * primes + 31 * primes) % 50_021 - 9_973


def batch(first: int, frames: int, missing: int = 0) -> Samples:
    """Make a batch of frames that begins with this number."""
    sequence = np.arange(first, first + frames)
    mcu_us = sequence * (1_000_000 // RATE_HZ) + sequence % 7
    host_mono_s = (first + frames) / RATE_HZ + 5.0
    return Samples(sequence, mcu_us, counts_at(sequence), host_mono_s, missing)


def batches(first: int, stop: int, each: int = 2) -> Iterator[Samples]:
    """Make the frames from `first` up to, not including, `stop` in batches."""
    for start in range(first, stop, each):
        yield batch(start, min(each, stop - start))


def assert_frames(samples: Samples, first: int, stop: int) -> None:
    """Find just these frames in the samples, each with what belongs to it."""
    wanted = batch(first, stop - first)
    np.testing.assert_array_equal(samples.sequence, wanted.sequence)
    np.testing.assert_array_equal(samples.mcu_us, wanted.mcu_us)
    np.testing.assert_array_equal(samples.counts, wanted.counts)
    assert {array.dtype for array in (samples.sequence, samples.mcu_us, samples.counts)} == {
        np.dtype(np.int64)
    }


def assert_record(kept: KeptRun, run: int) -> None:
    """Find what was recorded beside the samples, exactly as it was given."""
    assert kept.run == run
    assert kept.plan == PLAN
    assert kept.setup == SETUP
    assert kept.steps == STEPS
    assert kept.events == EVENTS
    assert kept.result == RESULT
