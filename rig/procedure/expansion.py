"""Own the two volume steps of a part, at rest and on its stop; never judge a leak."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from rig.analysis.charging import HEAT_CAPACITY_RATIO
from rig.analysis.hold import finding
from rig.analysis.volume import (
    REST_VACUUM_PA,
    TRANSIENT_PA,
    SettledPressure,
    difference,
    expansion_volume,
    extrapolate_settled,
    probability_of_nothing_behind,
)
from rig.errors import InputError
from rig.procedure.context import Context
from rig.procedure.levels import since
from rig.procedure.pulls import REST
from rig.procedure.shut_off import ShutOff
from rig.procedure.steps import (
    Elapsed,
    Prompt,
    Pulled,
    Recording,
    State,
    Step,
    StepResult,
    Steps,
    compute,
    make,
)
from rig.records import Estimate, Finding
from rig.units import PA_PER_INHG

_REST_ENDS_PA = 0.5 * PA_PER_INHG
"""Where the small step is to end: below 1 inHg, where no diaphragm has begun to move, with room for
what is drawn until the pump valve has shut."""
_MOST_REST_PULL_PA = 3.0 * PA_PER_INHG
_LEAST_REST_PULL_PA = 0.2 * PA_PER_INHG
_BEFORE_S = 4.0
_AFTER_S = 6.0
_VENT_S = 2.5
_LEVEL_S = 5.0
"""What is left of a vacuum after `_VENT_S` is not to be counted as ambient."""
_OPENING_S = 0.15
"""A valve's own time and the rush of gas after it."""
_SHUT_S = 0.05
_STOP_PULL_PA = 6.0 * PA_PER_INHG
"""How far below the part the manifold is pulled before the step on the stop."""
_LEAST_APART_PA = 4.5 * PA_PER_INHG
_ADIABATIC = (HEAT_CAPACITY_RATIO - 1.0) / HEAT_CAPACITY_RATIO
"""Share of a fast change of pressure that its gas takes back as it warms or cools again."""
_LEAST_TRANSIENT_PA = 20.0
_LEAST_STANDING_PA = 3.0 * PA_PER_INHG
_MOST_OF_AMBIENT = 0.78
"""As much of the ambient as a hand pump pulls off a manifold without labour, at any altitude."""
_BELOW_PORT_PA = 0.5 * PA_PER_INHG
_LEAST_READINGS = 40
_SURE = 0.95
_MOVES = 0.25
"""Share of its rest volume that a diaphragm's movement may take away, give or take as much."""
_CAP = Estimate(0.15e-6, 0.15e-6)
"""What a valve's own outlet holds beyond the rig's volume with nothing behind it [m3]."""
_VAGUE = 0.35
"""A volume more uncertain than this share of it was not measured."""
_BENDS = 0.25
"""What a leak that slackens with the vacuum bends the record by, per share of it that was lost."""
_ROUNDS = 30


@dataclass
class PartVolume:
    """The volumes of a part [m3] as its steps told them, with what was noticed.

    `used` is the settled volume on the stop that turns a slope into a flow: measured, or what the
    family's parts have, with its wide uncertainty.
    """

    used: Estimate
    rest: Estimate | None = None
    on_stop: Estimate | None = None
    nothing_behind: bool = False
    notes: list[Finding] = field(default_factory=list)

    @property
    def stroke(self) -> Estimate | None:
        """Get the volume that the movement took out of the chamber, less the rubber's give."""
        if self.rest is None or self.on_stop is None:
            return None
        return difference(self.rest, self.on_stop)


def typical_volume(context: Context) -> Estimate:
    """Get the volume that parts of the family have, as wide as they differ."""
    return Estimate(context.setting("typical_volume_m3"), context.setting("typical_volume_u_m3"))


def standing_vacuum(context: Context, ambient: Estimate, target_pa: float) -> float:
    """Get the vacuum [Pa] at which a part is to stand before its step on the stop.

    That of the test, or less where the manifold alone cannot be pulled far enough below it.
    """
    return min(target_pa, _most_stop_pull(context, ambient) - _LEAST_APART_PA)


def measure_at_rest(context: Context, ambient: Estimate) -> Steps[PartVolume]:
    """Measure the part's volume at rest, from vented and back to vented.

    A pull that went too far for a part at rest is made once more, less by as much.
    """
    found = PartVolume(typical_volume(context))
    reach = 1.0 + found.used.value / context.rig_volume_m3.value
    most_pa = min(_MOST_REST_PULL_PA, context.setting("port_max_vacuum_pa") - _BELOW_PORT_PA)
    pull_pa = min(_REST_ENDS_PA * reach, most_pa)
    for name in ("rest", "rest.again"):
        if name == "rest.again":
            yield from make(Step(f"{name}.vented", State.VENTING, Elapsed(_LEVEL_S), REST))
        made = yield from _expand(name, ambient, pull_pa, Prompt.PUMP_GENTLY)
        if made is None:
            found.notes.append(finding("rest_not_measured", cause="not_pulled"))
            return found
        ended_pa = yield from compute(partial(_at_rest, found, context, ambient, made))
        if ended_pa < REST_VACUUM_PA or found.nothing_behind:
            return found
        pulled_pa = ambient.value - float(np.median(made.before.recording.channel("p_a")[1]))
        too_much_pa = max(pulled_pa - pull_pa, 0.0)
        pull_pa = pulled_pa * _REST_ENDS_PA / ended_pa - too_much_pa
        pull_pa = max(pull_pa, _LEAST_REST_PULL_PA)
    found.notes.append(finding("rest_not_measured", cause="pulled_too_far"))
    return found


@dataclass(frozen=True)
class _Expansion:
    """The two records of an expansion: manifold alone, then both, from `opened_s` on."""

    before: StepResult
    after: StepResult

    @property
    def opened_s(self) -> float:
        return self.after.record.began_mono_s

    def settled(self, part_pa: float, step_pa: float) -> tuple[SettledPressure, SettledPressure]:
        """Settle manifold alone and both, of a part that stood at `part_pa`.

        Gas of either side that is drawn or pressed fast to the pressure between takes back at most
        its adiabatic share of the change, and weighs by its share of the whole: f (1 - f) for both.
        Raises InputError where a record tells nothing.
        """
        alone = _settled(since(self.before, _SHUT_S), self.opened_s, 1, step_pa)
        after = since(self.after, _OPENING_S)
        _, pressure_pa = after.channel("p_a")
        apart_pa = part_pa - alone.pressure_pa.value
        if pressure_pa.size < _LEAST_READINGS or apart_pa <= 0.0:
            raise _TooFewReadingsError("nothing was read after the opening")
        ended_pa = float(np.median(pressure_pa[-_LEAST_READINGS:]))
        share = min(max((ended_pa - alone.pressure_pa.value) / apart_pa, 0.0), 1.0)
        transient_pa = _ADIABATIC * share * (1.0 - share) * apart_pa + _LEAST_TRANSIENT_PA
        both = _settled(after, self.opened_s, 2, step_pa, transient_pa)
        return alone, both


def _expand(
    name: str, ambient: Estimate, pull_pa: float, prompt: Prompt
) -> Steps[_Expansion | None]:
    """Pull the manifold alone, open the part to it, and vent; None where it was not pulled."""
    pulled = yield from make(
        Step(
            f"{name}.pull",
            State.PULLING,
            Pulled(ambient.value - pull_pa),
            {"part": "shut", "vent": "shut", "pump": "open"},
            finding(prompt, target_pa=pull_pa),
            target_pa=pull_pa,
        )
    )
    if not pulled.reached:
        yield from make(Step(f"{name}.vent", State.VENTING, Elapsed(_VENT_S), REST))
        return None
    before = yield from make(
        Step(f"{name}.before", State.SETTLING, Elapsed(_BEFORE_S), {"pump": "shut"})
    )
    after = yield from make(
        Step(f"{name}.after", State.SETTLING, Elapsed(_AFTER_S), {"part": "open"})
    )
    yield from make(Step(f"{name}.vent", State.VENTING, Elapsed(_VENT_S), {"vent": "open"}))
    return _Expansion(before, after)


class _TooFewReadingsError(InputError):
    """A record of an expansion in which hardly a reading is usable."""


def _cause(error: InputError) -> str:
    return "too_few_readings" if isinstance(error, _TooFewReadingsError) else "leaks_too_fast"


def _settled(
    recording: Recording,
    instant_s: float,
    chambers: int,
    step_pa: float,
    transient_pa: float = TRANSIENT_PA,
) -> SettledPressure:
    time_s, pressure_pa = recording.channel("p_a")
    if time_s.size < _LEAST_READINGS:
        raise _TooFewReadingsError(f"{time_s.size} readings tell no settled pressure")
    return extrapolate_settled(
        time_s, pressure_pa, instant_s, chambers, step_pa=step_pa, transient_pa=transient_pa
    )


def _at_rest(found: PartVolume, context: Context, ambient: Estimate, made: _Expansion) -> float:
    """Evaluate the small step; return the vacuum [Pa] at which it ended."""
    step_pa = context.converter_step_pa
    try:
        alone, both = made.settled(ambient.value, step_pa)
        ended_pa = ambient.value - both.pressure_pa.value
        bent_pa = _bent(both, ended_pa)
        rest = expansion_volume(
            context.rig_volume_m3,
            alone.pressure_pa,
            ambient,
            _with_source(both.pressure_pa, "leak", bent_pa),
        )
    except InputError as error:
        found.notes.append(finding("rest_not_measured", cause=_cause(error)))
        return 0.0
    found.nothing_behind = _is_nothing(context, rest, context.setting("least_volume_m3"))
    if rest.u > _VAGUE * abs(rest.value) and not found.nothing_behind:
        found.notes.append(finding("rest_not_measured", cause="leaks_too_fast"))
    elif ended_pa < REST_VACUUM_PA or found.nothing_behind:
        found.rest = rest
        # On its stop the chamber is smaller by the stroke, which is not known yet.
        found.used = _with_source(rest.scaled(1.0 - _MOVES), "stroke", _MOVES * abs(rest.value))
    return ended_pa


def _bent(both: SettledPressure, ended_pa: float) -> float:
    """Compute how far [Pa] a leak may have bent the record after the opening.

    A leak slackens as the vacuum goes, which looks like gas that warms: to second order by a share
    of what was lost.
    """
    lost_pa = max(both.slope_pa_s.value, 0.0) * _AFTER_S
    return _BENDS * lost_pa**2 / max(ended_pa, 1.0)


def measure_on_stop(
    context: Context, ambient: Estimate, found: PartVolume, standing: StepResult
) -> Steps[bool]:
    """Measure the part's volume on its stop, from the vacuum it stands at and back to vented.

    `standing` is the step just made, in which part and rig stood together at the test's vacuum.
    Return whether there is nothing behind the nipple.
    """
    _, stood_pa = standing.recording.channel("p_a")
    room_pa = ambient.value - float(np.median(stood_pa)) if stood_pa.size else 0.0
    pull_pa = min(room_pa + _STOP_PULL_PA, _most_stop_pull(context, ambient))
    if room_pa < _LEAST_STANDING_PA or pull_pa < room_pa + 0.5 * _LEAST_APART_PA:
        found.notes.append(finding("volume_not_measured", cause="no_room"))
        return False
    made = yield from _expand("stop", ambient, pull_pa, Prompt.PUMP)
    if made is None:
        found.notes.append(finding("volume_not_measured", cause="not_pulled"))
        return False
    yield from compute(lambda: _on_stop(found, context, ambient, standing, made))
    return found.nothing_behind


def _most_stop_pull(context: Context, ambient: Estimate) -> float:
    most_pa = context.setting("port_max_vacuum_pa") - _BELOW_PORT_PA
    return min(_MOST_OF_AMBIENT * ambient.value, most_pa)


def _on_stop(
    found: PartVolume,
    context: Context,
    ambient: Estimate,
    standing: StepResult,
    made: _Expansion,
) -> None:
    shut_s, step_pa = standing.record.ended_mono_s, context.converter_step_pa
    rig_m3 = context.rig_volume_m3
    try:
        part = _settled(since(standing, _OPENING_S), shut_s, 2, step_pa)
        alone, both = made.settled(part.pressure_pa.value, step_pa)
        shut_off = ShutOff(part, both, made.opened_s - shut_s, ambient.value)
        rise_pa = both.pressure_pa.value - alone.pressure_pa.value
        left_pa = part.pressure_pa.value - both.pressure_pa.value
        part_m3 = _part_m3(shut_off, rig_m3.value, rise_pa, left_pa)
        on_stop = expansion_volume(
            rig_m3,
            alone.pressure_pa,
            part.pressure_pa,
            both.pressure_pa,
            gained_pa_m3=shut_off.gained(rig_m3.value, part_m3),
        )
    except InputError as error:
        found.notes.append(finding("volume_not_measured", cause=_cause(error)))
        return
    # What was gained is told by the rig's volume, too, so that the part's goes in proportion.
    by_rig = abs(on_stop.value) * rig_m3.u / rig_m3.value
    sources = {**on_stop.sources, "rig_volume": by_rig}
    on_stop = Estimate.from_sources(on_stop.value, sources)
    least_m3 = (1.0 - _MOVES) * context.setting("least_volume_m3")
    found.nothing_behind = _is_nothing(context, on_stop, least_m3)
    if on_stop.u < found.used.u:
        found.on_stop = found.used = on_stop
    else:
        found.notes.append(finding("volume_not_measured", cause="leaks_too_fast"))


def _is_nothing(context: Context, volume: Estimate, least_m3: float) -> bool:
    """Tell whether a volume is that of a cap, or less than any part of the family has."""
    typical = typical_volume(context)
    largest_m3 = typical.value + 3.0 * typical.u
    nothing = probability_of_nothing_behind(volume, _CAP, largest_m3)
    return nothing > _SURE or volume.value + 2.0 * volume.u < least_m3


def _part_m3(shut_off: ShutOff, rig_m3: float, rise_pa: float, left_pa: float) -> float:
    """Find the volume whose gain while shut off leaves it what it is: V left = V_rig rise - G(V).

    G grows with V, so there is one, by bisection. Raises InputError where the part gained so much
    that it no longer stood above the vacuum it was opened to.
    """
    if left_pa <= 0.0:
        raise InputError("the part leaks faster than its volume can be told")
    low_m3, high_m3 = _CAP.value, 2.0 * rig_m3 * max(rise_pa, 0.0) / left_pa + 2.0 * _CAP.value
    for _ in range(_ROUNDS):
        middle_m3 = 0.5 * (low_m3 + high_m3)
        gained = shut_off.gained(rig_m3, middle_m3).value
        if middle_m3 * left_pa < rig_m3 * rise_pa - gained:
            low_m3 = middle_m3
        else:
            high_m3 = middle_m3
    return 0.5 * (low_m3 + high_m3)


def _with_source(estimate: Estimate, name: str, u: float) -> Estimate:
    parts: Mapping[str, float] = estimate.sources or {"random": estimate.u}
    return Estimate.from_sources(estimate.value, {**parts, name: u})


def measured_volumes(found: PartVolume) -> Iterator[tuple[str, Estimate]]:
    """List the volumes that were measured, by name."""
    for name, volume in (
        ("rest_volume", found.rest),
        ("stop_volume", found.on_stop),
        ("stroke", found.stroke),
    ):
        if volume is not None:
            yield name, volume
