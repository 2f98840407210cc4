"""Own hand-made results for the tests of what is shown; never analyse anything."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rig.analysis.hold import (
    Candidate,
    DropLimit,
    FittedCurve,
    HoldConditions,
    HoldCurve,
    HoldResult,
    Settling,
)
from rig.cli.analyse_curve import AnalysedCurve
from rig.records import Estimate, Finding, Outcome, Purpose

INHG = 3386.389
AMBIENT_PA = 101_100.0


def hand_made(**changes: object) -> AnalysedCurve:
    """Make a passed hold: 0.35 inHg of leak alone, 16 inHg held for 60 s, no analysis behind it."""
    time_s = np.linspace(0.0, 60.0, 601)
    start_pa = AMBIENT_PA - 16.0 * INHG
    leak_pa = start_pa + 1000.0 + 40.0 * time_s
    pressure_pa = leak_pa - 1000.0 * np.exp(-time_s / 1.2)
    drop = Estimate.from_sources(0.35 * INHG, {"volume": 20.0, "random": 6.0, "own_leak": 0.0})
    result = HoldResult(
        outcome=Outcome.PASS,
        probability_of_conformity=0.99999,
        leak=Estimate.from_sources(1.6 / 6e7, {"volume": 0.02 / 6e7}),
        equivalent_drop=drop,
        leak_kind="orifice",
        settling=Settling("exponential", 1000.0, 1.2),
        start_vacuum_pa=16.0 * INHG,
        end_vacuum_pa=15.0 * INHG,
        observed_drop_pa=1.2 * INHG,
        dial_outcome=Outcome.FAIL,
        hold_start_s=0.0,
        hold_end_s=60.0,
        decided_at_s=None,
        limit=DropLimit(15.0 * INHG, 20.0, 45e-6, 1.0 * INHG),
        reasons=(
            Finding(
                "within_limit",
                {
                    "drop_pa": drop.value,
                    "u_pa": drop.u,
                    "max_drop_pa": INHG,
                    "probability": 0.99999,
                },
            ),
            Finding("dial_misled", {"drop_pa": 1.2 * INHG, "says": "fail"}),
        ),
        candidates=(Candidate("orifice", "exponential", 0.97, 1.6 / 6e7, 0.01 / 6e7),),
        fitted=FittedCurve(
            time_s[::20],
            pressure_pa[::20] + 1.0,
            pressure_pa[::20],
            leak_pa[::20],
            np.full(31, 2.0),
        ),
        noise={"white_sd_pa": 8.0},
    )
    made = AnalysedCurve(
        name="curve.csv",
        purpose=Purpose.BEFORE_FITTING,
        curve=HoldCurve(time_s, pressure_pa),
        conditions=HoldConditions(AMBIENT_PA, 295.15, 75e-6, 0.75e-6),
        result=result,
        limit_source="Umbrevan sheet 4",
    )
    whole = {name: value for name, value in changes.items() if hasattr(made, name)}
    parts = {name: value for name, value in changes.items() if not hasattr(made, name)}
    return replace(made, **{"result": replace(result, **parts), **whole})


@pytest.fixture(name="hand_made")
def _hand_made() -> Callable[..., AnalysedCurve]:
    return hand_made


def spoiled(**changes: object) -> AnalysedCurve:
    """Make a spoiled test: the hose came off at 30 s."""
    made = hand_made()
    pressure_pa = np.where(made.curve.time_s < 30.0, made.curve.pressure_pa, AMBIENT_PA)
    nothing = {
        "outcome": Outcome.INVALID,
        "probability_of_conformity": None,
        "leak": None,
        "equivalent_drop": None,
        "leak_kind": "none",
        "settling": None,
        "observed_drop_pa": None,
        "dial_outcome": None,
        "reasons": (Finding("hose_off", {"time_s": 30.0}),),
        "candidates": (),
        "fitted": None,
        "noise": {},
        "curve": HoldCurve(made.curve.time_s, pressure_pa),
    }
    return hand_made(**{**nothing, **changes})


@pytest.fixture(name="spoiled")
def _spoiled() -> Callable[..., AnalysedCurve]:
    return spoiled
