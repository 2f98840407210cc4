"""Own the contexts that procedures are tested in: a pull-off, its limit, a rig."""

from collections.abc import Mapping
from types import MappingProxyType

from rig.analysis.hold import DropLimit
from rig.procedure.context import Context
from rig.records import Estimate, Purpose
from rig.runs import TestPlan, TestResult
from tests.unit.procedure.bench_model import INHG

REFERENCE_M3 = 45e-6
LIMIT = DropLimit(15.0 * INHG, 20.0, REFERENCE_M3, 1.0 * INHG)
MEASURED = DropLimit(15.0 * INHG, 20.0, REFERENCE_M3)
TABLE = MappingProxyType({"shape": "drop", "from": "15 inHg", "within": "20 s"})
SETTINGS = MappingProxyType(
    {
        "typical_volume_m3": 16.5e-6,
        "typical_volume_u_m3": 4.9e-6,
        "least_volume_m3": 2e-6,
        "settle_s": 5.0,
        "hold_s": 60.0,
        "port_max_vacuum_pa": 25.0 * INHG,
        "target_vacuum_pa": 15.0 * INHG,
    }
)


def context(
    limit: DropLimit = LIMIT, settings: Mapping[str, float] | None = None, **other: object
) -> Context:
    """Make the context of a hold; `settings` and `other` replace what stands here."""
    judged = limit.max_drop_pa is not None
    known: dict[str, object] = {
        "test": TestPlan(
            "hold",
            "hold",
            TABLE if judged else MappingProxyType({}),
            MappingProxyType({**SETTINGS, **(settings or {})}),
        ),
        "limit": limit,
        "purpose": Purpose.BEFORE_FITTING if judged else Purpose.JUST_MEASURE,
        "confirmed": (),
        "rig_volume_m3": Estimate(25e-6, 0.3e-6),
        "own_leak": None,
        "last_ambient_pa": None,
        "zero_u_pa": 300.0,
        "span_u": 0.01,
        "has_part_valve": True,
    }
    return Context(**{**known, **other})  # type: ignore[arg-type]


def measured(result: TestResult) -> dict[str, Estimate]:
    """List what a test measured, by name."""
    return {each.name: each.estimate for each in result.measured}


def codes(result: TestResult) -> list[str]:
    """List the codes of a test's reasons."""
    return [each.code for each in result.reasons]
