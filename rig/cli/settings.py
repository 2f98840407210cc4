"""Own the conditions that a curve file's `#` lines or the command line give; never read either.

Each condition has one entry in `CONDITIONS`: its names, its unit, and the range that is believable.
"""

from dataclasses import dataclass, fields, replace

from rig.errors import InputError
from rig.units import M3_PER_CC, PA_PER_KPA, STD_CC_PER_MIN_PER_M3_S, ZERO_CELSIUS_K


@dataclass(frozen=True)
class KnownConditions:
    """What is known about a hold besides its curve, in SI; None where nobody said.

    The names and meanings are those of `rig.analysis.hold.HoldConditions`.
    """

    ambient_pa: float | None = None
    ambient_u_pa: float | None = None
    gas_temperature_k: float | None = None
    gas_temperature_u_k: float | None = None
    volume_m3: float | None = None
    volume_u_m3: float | None = None
    span_u: float | None = None
    own_leak_m3_s: float | None = None
    own_leak_u_m3_s: float | None = None

    def overridden_by(self, other: "KnownConditions") -> "KnownConditions":
        """Return these conditions with every one that `other` knows in place of our own.

        A value of `other` without its uncertainty does not inherit the uncertainty of the value
        that it replaces.
        """
        merged = {}
        for item in fields(self):
            theirs = getattr(other, item.name)
            value_name = _VALUE_OF.get(item.name)
            replaced = value_name is not None and getattr(other, value_name) is not None
            if theirs is not None or replaced:
                merged[item.name] = theirs
        return replace(self, **merged)


_VALUE_OF = {
    "ambient_u_pa": "ambient_pa",
    "gas_temperature_u_k": "gas_temperature_k",
    "volume_u_m3": "volume_m3",
    "own_leak_u_m3_s": "own_leak_m3_s",
}


@dataclass(frozen=True)
class Condition:
    """One condition: its field in `KnownConditions`, its names, its unit and believable range.

    `key` is the name in a file, `option` the one on the command line; `low` and `high` are in the
    file's unit, both allowed. `unlike` says what a value outside them often is.
    """

    field: str
    key: str
    option: str
    unit: str
    si_per_unit: float
    low: float
    high: float
    unlike: str
    si_at_zero: float = 0.0

    def to_si(self, value: float, where: str) -> float:
        """Convert a value in the file's unit to SI; Raises InputError as `check_si` does."""
        return self.check_si(value * self.si_per_unit + self.si_at_zero, where)

    def check_si(self, value_si: float, where: str) -> float:
        """Return a value in SI as it is.

        Raises InputError, naming `where`, for a value outside the believable range.
        """
        value = (value_si - self.si_at_zero) / self.si_per_unit
        slack = 1e-9 * max(abs(self.low), abs(self.high))
        if not self.low - slack <= value <= self.high + slack:
            raise InputError(
                f"{where} is {value:g} {self.unit}, but {self.low:g} to {self.high:g} {self.unit} "
                f"is believable; {self.unlike}."
            )
        return value_si


_M3_S_PER_STD_CC_MIN = 1.0 / STD_CC_PER_MIN_PER_M3_S

CONDITIONS = (
    Condition(
        "ambient_pa", "ambient_kpa", "--ambient", "kPa", PA_PER_KPA, 30.0, 120.0,
        "give the barometer at the bench as it stands (not reduced to sea level), in kPa",
    ),
    Condition(
        "ambient_u_pa", "ambient_u_kpa", "--ambient-u", "kPa", PA_PER_KPA, 0.0, 20.0,
        "give the standard uncertainty of the barometer in kPa",
    ),
    Condition(
        "gas_temperature_k", "gas_temperature_c", "--gas-temperature", "degC", 1.0, -40.0, 150.0,
        "give the temperature of the air in the hose in degC", si_at_zero=ZERO_CELSIUS_K,
    ),
    Condition(
        "gas_temperature_u_k", "gas_temperature_u_c", "--gas-temperature-u", "degC", 1.0, 0.0, 50.0,
        "give the standard uncertainty of the gas temperature in degC",
    ),
    Condition(
        "volume_m3", "volume_cc", "--volume", "cm3", M3_PER_CC, 0.1, 100_000.0,
        "give the whole test volume, hose and part together, in cm3",
    ),
    Condition(
        "volume_u_m3", "volume_u_cc", "--volume-u", "cm3", M3_PER_CC, 0.0, 50_000.0,
        "give the standard uncertainty of the test volume in cm3",
    ),
    Condition(
        "span_u", "span_u_percent", "--span-u", "%", 0.01, 0.0, 20.0,
        "give the standard uncertainty of the sensor's span in percent of the reading",
    ),
    Condition(
        "own_leak_m3_s", "own_leak_std_cm3_min", "--own-leak", "standard cm3/min",
        _M3_S_PER_STD_CC_MIN, -10.0, 1000.0,
        "give the leak of the rig alone, hose end capped, in standard cm3/min",
    ),
    Condition(
        "own_leak_u_m3_s", "own_leak_u_std_cm3_min", "--own-leak-u", "standard cm3/min",
        _M3_S_PER_STD_CC_MIN, 0.0, 1000.0,
        "give the standard uncertainty of the rig's own leak in standard cm3/min",
    ),
)
"""Every condition that a file or the command line can give."""

CONDITION_OF_KEY = {condition.key: condition for condition in CONDITIONS}
