"""Own every conversion between SI and the units that the trade prints; never guess a unit.

Inside the program only pascal (absolute), kelvin or degrees Celsius by name, cubic metres and
seconds exist. An inch of mercury is that of 0 degC (ISO 80000-4 conventional mercury).
"""

import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from rig.errors import InputError

PA_PER_INHG = 3386.389
PA_PER_KPA = 1000.0
PA_PER_MBAR = 100.0
PA_PER_MMHG = 133.322387415
PA_PER_TORR = 101_325.0 / 760.0
PA_PER_PSI = 6894.757293168
PA_PER_INH2O = 249.08891
"""Conventional inch of water (1000 kg/m3, standard gravity)."""
SEA_LEVEL_PA = 101_325.0
"""Standard atmosphere at sea level (ISO 2533)."""

ZERO_CELSIUS_K = 273.15
M3_PER_CC = 1e-6
M3_PER_CUBIC_INCH = 1.6387064e-5
M_PER_INCH = 0.0254
STD_CC_PER_MIN_PER_M3_S = 6e7
"""Standard cm3/min (ANR) in one standard m3/s."""


class Kind(StrEnum):
    """What a quantity is; the comment names its SI unit inside the program."""

    VACUUM = "vacuum"  # Pa below ambient, and any difference of two pressures
    ABSOLUTE_PRESSURE = "absolute pressure"  # Pa
    TIME = "time"  # s
    VOLUME = "volume"  # m3
    TEMPERATURE = "temperature"  # K
    TEMPERATURE_DIFFERENCE = "temperature difference"  # K
    LENGTH = "length"  # m
    RESISTANCE = "resistance"  # ohm
    VOLTAGE = "voltage"  # V
    FREQUENCY = "frequency"  # Hz
    FLOW = "standard flow"  # standard m3/s (ANR)
    SHARE = "percentage"  # 1 is the whole


@dataclass(frozen=True)
class Unit:
    """A unit as the program prints it: SI value = (number + offset) * factor."""

    symbol: str
    kinds: tuple[Kind, ...]
    factor: float
    spellings: tuple[str, ...]
    offset: float = 0.0

    def to_si(self, number: float, kind: Kind) -> float:
        """Convert a number in this unit to SI; the offset of a scale counts for a reading only."""
        return (number + (self.offset if kind is Kind.TEMPERATURE else 0.0)) * self.factor

    def from_si(self, value_si: float, kind: Kind) -> float:
        """Convert an SI value to a number in this unit."""
        return value_si / self.factor - (self.offset if kind is Kind.TEMPERATURE else 0.0)


@dataclass(frozen=True)
class Quantity:
    """A value in SI beside the text that somebody printed it in.

    `rounding_si` is half of the last printed place, in SI: as far as the printed digits may stand
    from the value meant.
    """

    value_si: float
    kind: Kind
    unit: str
    text: str
    rounding_si: float

    def __str__(self) -> str:
        return self.text


_PRESSURE = (Kind.VACUUM, Kind.ABSOLUTE_PRESSURE)
_DEGREE = (Kind.TEMPERATURE, Kind.TEMPERATURE_DIFFERENCE)

# Spellings are written as `_spelling` leaves them: small letters, no blanks, dots or carets.
_UNITS = (
    Unit("inHg", _PRESSURE, PA_PER_INHG, ("inhg", '"hg', "inchhg", "incheshg", "inchesofmercury")),
    Unit("kPa", _PRESSURE, PA_PER_KPA, ("kpa",)),
    Unit("mbar", _PRESSURE, PA_PER_MBAR, ("mbar", "millibar")),
    Unit("hPa", _PRESSURE, 100.0, ("hpa",)),
    Unit("bar", _PRESSURE, 1e5, ("bar",)),
    Unit("Pa", _PRESSURE, 1.0, ("pa",)),
    Unit("mmHg", _PRESSURE, PA_PER_MMHG, ("mmhg",)),
    Unit("cmHg", _PRESSURE, 10.0 * PA_PER_MMHG, ("cmhg",)),
    Unit("torr", _PRESSURE, PA_PER_TORR, ("torr",)),
    Unit("psi", _PRESSURE, PA_PER_PSI, ("psi",)),
    Unit("inH2O", _PRESSURE, PA_PER_INH2O, ("inh2o", '"h2o')),
    Unit("s", (Kind.TIME,), 1.0, ("s", "sec", "secs", "second", "seconds")),
    Unit("min", (Kind.TIME,), 60.0, ("min", "mins", "minute", "minutes")),
    Unit("h", (Kind.TIME,), 3600.0, ("h", "hr", "hrs", "hour", "hours")),
    Unit("cm3", (Kind.VOLUME,), M3_PER_CC, ("cm3", "cc", "ccm", "ml")),
    Unit("L", (Kind.VOLUME,), 1e-3, ("l", "litre", "litres", "liter", "liters")),
    Unit("m3", (Kind.VOLUME,), 1.0, ("m3",)),
    Unit("in3", (Kind.VOLUME,), M3_PER_CUBIC_INCH, ("in3", "cuin")),
    Unit("degF", _DEGREE, 5.0 / 9.0, ("degf", "f", "degreesf"), 9.0 / 5.0 * ZERO_CELSIUS_K - 32.0),
    Unit("degC", _DEGREE, 1.0, ("degc", "c", "degreesc"), ZERO_CELSIUS_K),
    Unit("K", _DEGREE, 1.0, ("k", "kelvin")),
    Unit("mm", (Kind.LENGTH,), 1e-3, ("mm",)),
    Unit("cm", (Kind.LENGTH,), 1e-2, ("cm",)),
    Unit("m", (Kind.LENGTH,), 1.0, ("m",)),
    Unit("in", (Kind.LENGTH,), M_PER_INCH, ("in", "inch", "inches", '"')),
    Unit("ohm", (Kind.RESISTANCE,), 1.0, ("ohm", "ohms", "ω")),
    Unit("kohm", (Kind.RESISTANCE,), 1e3, ("kohm", "kω")),
    Unit("V", (Kind.VOLTAGE,), 1.0, ("v", "volt", "volts")),
    Unit("mV", (Kind.VOLTAGE,), 1e-3, ("mv",)),
    Unit("Hz", (Kind.FREQUENCY,), 1.0, ("hz",)),
    Unit(
        "cm3/min ANR",
        (Kind.FLOW,),
        1.0 / STD_CC_PER_MIN_PER_M3_S,
        ("cm3/minanr", "cc/minanr", "ml/minanr", "stdcm3/min", "stdcc/min", "standardcm3/min"),
    ),
    Unit("L/min ANR", (Kind.FLOW,), 1e-3 / 60.0, ("l/minanr", "stdl/min", "standardl/min")),
    Unit("%", (Kind.SHARE,), 0.01, ("%", "percent")),
)

_BY_SYMBOL: Mapping[str, Unit] = MappingProxyType({unit.symbol: unit for unit in _UNITS})
_BY_SPELLING: Mapping[str, Unit] = MappingProxyType(
    {spelling: unit for unit in _UNITS for spelling in unit.spellings}
)
_EXAMPLES: Mapping[Kind, str] = MappingProxyType(
    {
        Kind.VACUUM: "15 inHg, 50 kPa, 508 mbar, 380 mmHg or 7.4 psi",
        Kind.ABSOLUTE_PRESSURE: "29.9 inHg abs, 101.3 kPa or 1013 mbar",
        Kind.TIME: "20 s, 1 min or 12 h",
        Kind.VOLUME: "45 cm3 or 1 L",
        Kind.TEMPERATURE: "118 degF or 48 degC",
        Kind.TEMPERATURE_DIFFERENCE: "15 degF or 8 degC",
        Kind.LENGTH: "0.5 mm or 0.02 in",
        Kind.RESISTANCE: "36 ohm or 2.7 kohm",
        Kind.VOLTAGE: "2.1 V",
        Kind.FREQUENCY: "159 Hz",
        Kind.FLOW: "9 cm3/min ANR",
        Kind.SHARE: "50 %",
    }
)
_MOST_DECIMALS = 4
_MAY_BE_NEGATIVE = (Kind.TEMPERATURE, Kind.TEMPERATURE_DIFFERENCE, Kind.VOLTAGE)
_UNSTATED_AIR = ("sccm", "slm", "cm3/min", "cc/min", "ml/min", "l/min")

_PRINTED = re.compile(r"([-+]?(?:[0-9]+\.?([0-9]*)|\.([0-9]+))(?:e([-+]?[0-9]+))?)\s*(.*)", re.I)
_COMMA = re.compile(r"[0-9]\s*,\s*[0-9]")
_REFERENCE = re.compile(r"(abs|absolute|vac|vacuum)$")
_LOOKALIKES = str.maketrans(
    {"″": '"', "”": '"', "“": '"', "º": "°", "˚": "°", "−": "-", "^": "", "\u00a0": " "}
)


def parse_quantity(text: str, kind: Kind, where: str) -> Quantity:
    """Read a quantity as the trade prints it, such as 15inHg, 15" Hg, 45 cm³ or 118 °F.

    `where` names the option, key or cell that holds the text, for the error. An absolute pressure
    may carry "abs" and a vacuum "vac"; neither is taken for the other.

    Raises InputError when number or unit is missing or unknown, when the unit measures something
    else, or when the value cannot exist.
    """
    plain = unicodedata.normalize("NFKC", text.translate(_LOOKALIKES)).strip()
    like = f"write it like {_EXAMPLES[kind]}"
    if _COMMA.search(plain):
        raise InputError(
            f"{where}: '{text}' has a comma in its number. Write a decimal with a point (0.5, not"
            " 0,5) and thousands without any mark (1500)."
        )
    match = _PRINTED.fullmatch(plain)
    if match is None:
        raise InputError(f"{where}: '{text}' does not begin with a number; {like}.")
    number_text, decimals_a, decimals_b, exponent, unit_text = match.groups()
    if not unit_text:
        raise InputError(f"{where}: '{text}' has no unit; {like}.")
    unit = _unit_of(unit_text, kind, text, where)
    number = float(number_text)
    value_si = unit.to_si(number, kind)
    if not math.isfinite(value_si):
        raise InputError(f"{where}: '{text}' is not a finite number; {like}.")
    _refuse_impossible(number, value_si, kind, text, where)
    places = len(decimals_a or decimals_b or "") - int(exponent or 0)
    return Quantity(
        value_si=value_si,
        kind=kind,
        unit=unit.symbol,
        text=text.strip(),
        rounding_si=float(f"0.5e{-places}") * unit.factor,
    )


def convert(value_si: float, kind: Kind, unit: str) -> float:
    """Convert an SI value to a number in the unit with this symbol.

    Raises ValueError when no unit of this kind has the symbol.
    """
    return _unit_by_symbol(unit, kind).from_si(value_si, kind)


def format_quantity(value_si: float, kind: Kind, unit: str, u_si: float | None = None) -> str:
    """Write an SI value for a person, in the unit with this symbol.

    With a standard uncertainty the last place shown is that of its second significant digit (GUM
    7.2.6). Without one, three significant digits are shown, whole numbers in full, and zeros at the
    end are left out. Never more than four decimals.

    Raises ValueError when the value is not finite or no unit of this kind has the symbol.
    """
    scale = _unit_by_symbol(unit, kind)
    number = scale.from_si(value_si, kind)
    if not math.isfinite(number):
        raise ValueError(f"{value_si} has no digits to show")
    if u_si is not None and u_si > 0.0:
        places = min(1 - math.floor(math.log10(u_si / scale.factor)), _MOST_DECIMALS)
        digits = f"{_without_minus_zero(number, places):.{max(places, 0)}f}"
    else:
        places = 2 - math.floor(math.log10(abs(number))) if number else 0
        places = min(max(places, 0), _MOST_DECIMALS)
        digits = f"{_without_minus_zero(number, places):.{places}f}"
        digits = digits.rstrip("0").rstrip(".") if "." in digits else digits
    return f"{digits} {scale.symbol}"


def _without_minus_zero(number: float, places: int) -> float:
    return round(number, places) + 0.0


def _unit_by_symbol(symbol: str, kind: Kind) -> Unit:
    unit = _BY_SYMBOL.get(symbol)
    if unit is None or kind not in unit.kinds:
        raise ValueError(f"'{symbol}' is not a unit of {kind}")
    return unit


def _spelling(unit_text: str) -> str:
    spelt = unit_text.casefold().replace("°", "deg")
    return re.sub(r"[\s.()]", "", spelt)


def _unit_of(unit_text: str, kind: Kind, text: str, where: str) -> Unit:
    spelt = _spelling(unit_text)
    like = f"write it like {_EXAMPLES[kind]}"
    if spelt in _UNSTATED_AIR:
        raise InputError(
            f"{where}: '{text}' does not say at which pressure and temperature the air is counted"
            f" (0 degC and 20 degC differ by 8 %). Convert it to 20 degC and 100 kPa and {like}."
        )
    reference = _REFERENCE.search(spelt)
    unit = _BY_SPELLING.get(spelt[: reference.start()] if reference else spelt)
    if unit is None or (reference and unit.kinds != _PRESSURE):
        raise InputError(f"{where}: '{text}' has a unit that is not known here; {like}.")
    if kind not in unit.kinds:
        raise InputError(f"{where}: '{text}' gives {unit.kinds[0]} where {kind} is needed; {like}.")
    if reference:
        said = Kind.ABSOLUTE_PRESSURE if reference[0].startswith("abs") else Kind.VACUUM
        if said is not kind:
            raise InputError(f"{where}: '{text}' says {said} where {kind} is needed; {like}.")
    return unit


def _refuse_impossible(number: float, value_si: float, kind: Kind, text: str, where: str) -> None:
    if kind is Kind.TEMPERATURE and value_si < 0.0:
        raise InputError(f"{where}: '{text}' lies below absolute zero. Look it up again.")
    if kind in _MAY_BE_NEGATIVE or number >= 0.0:
        return
    if kind is Kind.VACUUM:
        raise InputError(
            f"{where}: '{text}' is negative. Write a vacuum as how far it lies below the"
            " atmosphere, without a sign."
        )
    raise InputError(f"{where}: '{text}' is negative, and no {kind} is. Look it up again.")
