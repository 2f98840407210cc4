"""Own what a hold is judged with when file and command line have had their say; never read them.

Whatever had to be taken because nobody said it is returned as findings, to be shown.
"""

import numpy as np

from rig.analysis.blocks import running_median
from rig.analysis.hold import DropLimit, Hold, HoldConditions, HoldCurve, OwnLeak
from rig.cli.curve_file import CurveFile
from rig.cli.curve_rows import TIME
from rig.cli.settings import KnownConditions
from rig.errors import InputError
from rig.figures import inhg, volume
from rig.records import Finding
from rig.units import ZERO_CELSIUS_K

ASSUMED_VOLUME_U = 0.05
"""Relative standard uncertainty of a test volume that was given without one."""
ASSUMED_GAS_TEMPERATURE_K = ZERO_CELSIUS_K + 20.0
ASSUMED_GAS_TEMPERATURE_U_K = 3.0
MEASURED_WITHIN_S = 20.0
"""Time of the drop that is stated where no limit names one."""
BLANK_OFF_VACUUM_SHARE = 0.2
"""A blank-off's vacuum may be off that of part and limit by this share: a leak goes with it."""

Findings = tuple[Finding, ...]


def curve_and_conditions(
    file: CurveFile, options: KnownConditions
) -> tuple[HoldCurve, HoldConditions, Findings]:
    """Put together the curve of `file` and the conditions it was recorded under.

    What `options` gives replaces what the file gives, a recorded channel included.

    Raises InputError where ambient pressure or test volume are nowhere given, or do not fit.
    """
    known = file.known.overridden_by(options)
    ambient = None if options.ambient_pa is not None else file.recorded_ambient_pa()
    gas = None if options.gas_temperature_k is not None else file.recorded_gas_temperature_k()
    ambient_pa = known.ambient_pa
    if ambient_pa is None and ambient is not None:
        ambient_pa = float(np.median(ambient))
    if ambient_pa is None:
        raise InputError(
            f"{file.name}: the ambient pressure is missing; add a line `# ambient_kpa: ...` or the "
            "option --ambient (the barometer at the bench as it stands, such as 101.1kPa)."
        )
    curve = HoldCurve(
        file.columns[TIME],
        file.pressure_pa(ambient_pa if ambient is None else ambient),
        gas,
        ambient,
    )
    volume_m3, volume_u_m3, volume_notes = _volume(file.name, known)
    temperature_k, temperature_u_k, temperature_notes = _gas_temperature(known, curve)
    defaults = HoldConditions(ambient_pa, temperature_k, volume_m3, volume_u_m3)
    conditions = HoldConditions(
        ambient_pa=ambient_pa,
        gas_temperature_k=temperature_k,
        volume_m3=volume_m3,
        volume_u_m3=volume_u_m3,
        ambient_u_pa=_or(known.ambient_u_pa, defaults.ambient_u_pa),
        gas_temperature_u_k=_or(temperature_u_k, defaults.gas_temperature_u_k),
        span_u=_or(known.span_u, defaults.span_u),
        own_leak=_own_leak(file.name, known),
    )
    return curve, conditions, volume_notes + temperature_notes


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _volume(name: str, known: KnownConditions) -> tuple[float, float, Findings]:
    volume_m3, volume_u_m3 = known.volume_m3, known.volume_u_m3
    if volume_m3 is None:
        raise InputError(
            f"{name}: the test volume is missing, and without it no leak can be told from a drop; "
            "add a line `# volume_cc: ...` or the option --volume (hose and part together, such as "
            "75cc)."
        )
    if volume_u_m3 is None:
        volume_u_m3 = ASSUMED_VOLUME_U * volume_m3
        return (
            volume_m3,
            volume_u_m3,
            (Finding("volume_u_assumed", {"volume_u_m3": volume_u_m3, "share": ASSUMED_VOLUME_U}),),
        )
    if volume_u_m3 >= volume_m3:
        raise InputError(
            f"{name}: the uncertainty of the test volume is as large as the volume itself; look at "
            "volume_u_cc or --volume-u."
        )
    return volume_m3, volume_u_m3, ()


def _gas_temperature(
    known: KnownConditions, curve: HoldCurve
) -> tuple[float, float | None, Findings]:
    if known.gas_temperature_k is not None:
        return known.gas_temperature_k, known.gas_temperature_u_k, ()
    if curve.gas_temperature_k is not None:
        return float(np.median(curve.gas_temperature_k)), known.gas_temperature_u_k, ()
    figures = {
        "gas_temperature_k": ASSUMED_GAS_TEMPERATURE_K,
        "gas_temperature_u_k": ASSUMED_GAS_TEMPERATURE_U_K,
    }
    return (
        ASSUMED_GAS_TEMPERATURE_K,
        ASSUMED_GAS_TEMPERATURE_U_K,
        (Finding("gas_temperature_assumed", figures),),
    )


def _own_leak(name: str, known: KnownConditions) -> OwnLeak | None:
    if known.own_leak_m3_s is None and known.own_leak_u_m3_s is None:
        return None
    if known.own_leak_m3_s is None or known.own_leak_u_m3_s is None:
        missing = ("own_leak_std_cm3_min", "--own-leak")
        if known.own_leak_m3_s is not None:
            missing = ("own_leak_u_std_cm3_min", "--own-leak-u")
        raise InputError(
            f"{name}: the rig's own leak needs a value and its uncertainty; add a line "
            f"`# {missing[0]}: ...` or the option {missing[1]}."
        )
    return OwnLeak(known.own_leak_m3_s, known.own_leak_u_m3_s)


def measured_drop(
    curve: HoldCurve, conditions: HoldConditions, reference_volume_m3: float
) -> tuple[DropLimit, Findings]:
    """Choose the drop that is stated where no limit was given: from the vacuum held, in 20 s."""
    vacuum_pa = _vacuum_held_pa(curve, conditions)
    limit = DropLimit(vacuum_pa, MEASURED_WITHIN_S, reference_volume_m3)
    return limit, (Finding("start_vacuum_taken", {"vacuum_pa": vacuum_pa}),)


def _vacuum_held_pa(curve: HoldCurve, conditions: HoldConditions) -> float:
    return conditions.ambient_pa - float(np.min(running_median(curve.pressure_pa)))


def blank_off_of(file: CurveFile, part: Hold) -> tuple[Hold, Findings]:
    """Put together the blank-off that `file` holds, for the hold of rig and part together.

    Only the lines of `file` say under what it was recorded; its limit is that of `part`.

    Raises InputError where they do not say enough, or where the two cannot belong together.
    """
    known = file.known
    is_given = {
        "ambient_kpa": known.ambient_pa is not None or file.recorded_ambient_pa() is not None,
        "volume_cc": known.volume_m3 is not None,
    }
    for key in (key for key, given in is_given.items() if not given):
        raise InputError(
            f"{file.name}: a line `# {key}: ...` is missing; the blank-off needs its own, since "
            "the options are for the curve that is judged."
        )
    if known.own_leak_m3_s is not None or known.own_leak_u_m3_s is not None:
        raise InputError(
            f"{file.name}: a blank-off is the rig's own leak and has none to subtract; remove its "
            "lines `# own_leak_...`."
        )
    curve, conditions, notes = curve_and_conditions(file, KnownConditions())
    if conditions.volume_m3 >= part.conditions.volume_m3:
        raise InputError(
            f"{file.name}: its volume of {volume(conditions.volume_m3)} is not below the "
            f"{volume(part.conditions.volume_m3)} of rig and part together; give that of the rig "
            "alone in its line `# volume_cc: ...`."
        )
    vacuum_pa = _vacuum_held_pa(curve, conditions)
    wanted_pa = (_vacuum_held_pa(part.curve, part.conditions), part.limit.from_vacuum_pa)
    least_pa = (1.0 - BLANK_OFF_VACUUM_SHARE) * min(wanted_pa)
    most_pa = (1.0 + BLANK_OFF_VACUUM_SHARE) * max(wanted_pa)
    if not least_pa <= vacuum_pa <= most_pa:
        raise InputError(
            f"{file.name}: the blank-off was pulled to {inhg(vacuum_pa)} and the part to "
            f"{inhg(wanted_pa[0])}; pull both to the same vacuum."
        )
    return (
        Hold(curve, conditions, part.limit),
        tuple(Finding(f"blank_off_{note.code}", note.figures) for note in notes),
    )
