"""Own how a figure is written for a person, in the units of the trade; never in which sentence."""

from rig.units import PA_PER_INHG, STD_CC_PER_MIN_PER_M3_S, Kind, convert, format_quantity

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


def doubt_of_drop(u_pa: float) -> str | None:
    """Write what stands after "give or take" of a drop, None where it is not worth a word."""
    wide_pa = COVERAGE_FACTOR * u_pa
    if wide_pa < _FINEST[Kind.VACUUM]:
        return None
    return _rounded(wide_pa, wide_pa, Kind.VACUUM, "inHg")


_FINEST = {Kind.VACUUM: 0.001 * PA_PER_INHG, Kind.FLOW: 0.001 / STD_CC_PER_MIN_PER_M3_S}
"""A doubt smaller than this is not worth a word."""


def _with_doubt(value_si: float, u_si: float, kind: Kind, unit: str) -> str:
    wide_si = COVERAGE_FACTOR * u_si
    if value_si < wide_si:
        wide_si = max(wide_si, _FINEST[kind])
        return f"at most {_rounded(max(value_si, 0.0) + wide_si, wide_si, kind, unit)}"
    if wide_si < _FINEST[kind]:
        return format_quantity(value_si, kind, unit)
    value, give = (_rounded(each, wide_si, kind, unit) for each in (value_si, wide_si))
    return f"{value}, give or take {give.split()[0]}"


def _rounded(value_si: float, wide_si: float, kind: Kind, unit: str) -> str:
    """Write a value to the place that its doubt `wide_si` supports.

    That is the first digit of the doubt, or the second where it begins with 1 or 2 (GUM 7.2.6).
    """
    begins_with = f"{convert(wide_si, kind, unit):e}"[0]
    place_si = wide_si if begins_with in "12" else 10.0 * wide_si
    return format_quantity(value_si, kind, unit, place_si)


def dial_inhg(value_pa: float) -> str:
    """Write a difference of pressures in Pa as a dial is read, to 0.1 inHg."""
    return f"{round(convert(value_pa, Kind.VACUUM, 'inHg'), 1) + 0.0:.1f} inHg"
