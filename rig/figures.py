"""Own how a figure is written for a person, in the units of the trade; never in which sentence."""

from collections.abc import Mapping

from rig.units import (
    M3_PER_CC,
    PA_PER_INHG,
    STD_CC_PER_MIN_PER_M3_S,
    Kind,
    convert,
    format_quantity,
)

COVERAGE_FACTOR = 1.96
"""What is said as "give or take" is this many standard uncertainties: 19 runs in 20."""

FLOW_UNIT = "cm3/min ANR"


def inhg(value_pa: float) -> str:
    """Write a vacuum, or a difference of pressures, given in Pa, to 0.01 inHg: 1.2 inHg."""
    hundredths_pa = 0.01 * PA_PER_INHG
    return format_quantity(round(value_pa / hundredths_pa) * hundredths_pa, Kind.VACUUM, "inHg")


def seconds(value_s: float) -> str:
    """Write a time given in seconds: 12.4 s."""
    return format_quantity(value_s, Kind.TIME, "s")


def volume(value_m3: float) -> str:
    """Write a volume given in m3: 45 cm3."""
    return format_quantity(value_m3, Kind.VOLUME, "cm3")


def sure(probability: float) -> str:
    """Write how sure something is, never as certain or impossible: 97.4 %."""
    if probability > 0.999:
        return "more than 99.9 %"
    if probability < 0.001:
        return "less than 0.1 %"
    return f"{100.0 * probability:.1f} %"


def drop(value_pa: float, u_pa: float) -> str:
    """Write a drop with its doubt, in inHg; one that cannot be told from none as a bound."""
    return _with_doubt(value_pa, u_pa, Kind.VACUUM, "inHg")


def flow(value_m3_s: float, u_m3_s: float) -> str:
    """Write a leak with its doubt, in cm3/min ANR; one not told from none as a bound."""
    return _with_doubt(value_m3_s, u_m3_s, Kind.FLOW, FLOW_UNIT)


def measured(value_si: float, u_si: float, kind: Kind) -> str:
    """Write what was measured with its doubt, in the unit that is shown for its kind."""
    return _with_doubt(value_si, u_si, kind, UNIT_SHOWN[kind])


def doubt_of_drop(u_pa: float) -> str | None:
    """Write what stands after "give or take" of a drop, None where it is not worth a word."""
    return doubt(u_pa, Kind.VACUUM)


def doubt(u_si: float, kind: Kind) -> str | None:
    """Write what stands after "give or take", None where it is not worth a word."""
    wide_si = COVERAGE_FACTOR * u_si
    if wide_si < _FINEST[kind]:
        return None
    return _rounded(wide_si, wide_si, _apart(kind), UNIT_SHOWN[kind])


UNIT_SHOWN: Mapping[Kind, str] = {
    Kind.VACUUM: "inHg",
    Kind.ABSOLUTE_PRESSURE: "kPa",
    Kind.TIME: "s",
    Kind.VOLUME: "cm3",
    Kind.TEMPERATURE: "degC",
    Kind.TEMPERATURE_DIFFERENCE: "degC",
    Kind.LENGTH: "mm",
    Kind.RESISTANCE: "ohm",
    Kind.VOLTAGE: "V",
    Kind.FREQUENCY: "Hz",
    Kind.FLOW: FLOW_UNIT,
    Kind.SHARE: "%",
}
"""The unit that a person is shown, by the kind of quantity."""
_FINEST: Mapping[Kind, float] = {
    Kind.VACUUM: 0.001 * PA_PER_INHG,
    Kind.ABSOLUTE_PRESSURE: 1.0,
    Kind.TIME: 1e-3,
    Kind.VOLUME: 0.001 * M3_PER_CC,
    Kind.TEMPERATURE: 1e-3,
    Kind.TEMPERATURE_DIFFERENCE: 1e-3,
    Kind.LENGTH: 1e-6,
    Kind.RESISTANCE: 1e-3,
    Kind.VOLTAGE: 1e-4,
    Kind.FREQUENCY: 1e-3,
    Kind.FLOW: 0.001 / STD_CC_PER_MIN_PER_M3_S,
    Kind.SHARE: 1e-5,
}
"""A doubt smaller than this is not worth a word."""


def _with_doubt(value_si: float, u_si: float, kind: Kind, unit: str) -> str:
    wide_si = COVERAGE_FACTOR * u_si
    if value_si < wide_si:
        wide_si = max(wide_si, _FINEST[kind])
        return f"at most {_rounded(max(value_si, 0.0) + wide_si, wide_si, kind, unit)}"
    if wide_si < _FINEST[kind]:
        return format_quantity(value_si, kind, unit)
    value = _rounded(value_si, wide_si, kind, unit)
    give = _rounded(wide_si, wide_si, _apart(kind), unit)
    return f"{value}, give or take {give.split()[0]}"


def _rounded(value_si: float, wide_si: float, kind: Kind, unit: str) -> str:
    """Write a value to the place that its doubt `wide_si` supports.

    That is the first digit of the doubt, or the second where it begins with 1 or 2 (GUM 7.2.6).
    """
    begins_with = f"{convert(wide_si, _apart(kind), unit):e}"[0]
    place_si = wide_si if begins_with in "12" else 10.0 * wide_si
    return format_quantity(value_si, kind, unit, place_si)


def _apart(kind: Kind) -> Kind:
    """Get the kind of the difference of two values: of two temperatures no zero is taken off."""
    return Kind.TEMPERATURE_DIFFERENCE if kind is Kind.TEMPERATURE else kind


def dial_inhg(value_pa: float) -> str:
    """Write a difference of pressures in Pa as a dial is read, to 0.1 inHg."""
    return f"{round(convert(value_pa, Kind.VACUUM, 'inHg'), 1) + 0.0:.1f} inHg"
