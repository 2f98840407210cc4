"""Own the conditions that a curve file's `#` lines or the command line give; never read either.

Each condition has one entry in `CONDITIONS`: its names, its unit, and the range that is believable.
"""

import re
from dataclasses import dataclass, fields, replace

from rig.errors import InputError
from rig.units import Kind, convert, parse_quantity


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
    """One condition: its field in `KnownConditions`, its names, kind and believable range.

    `key` is the name in a file and `unit` the unit there; `option` is the name on the command line,
    with an `example`. `low` and `high` are in that unit, both allowed. `meant` says what to give.
    """

    field: str
    key: str
    option: str
    kind: Kind
    unit: str
    low: float
    high: float
    meant: str
    example: str

    def read_plain(self, text: str, where: str) -> float:
        """Read a value that a file gives as a plain number; return it in SI.

        Raises InputError, naming `where`, for anything but a number, and as `read` does.
        """
        if not _PLAIN_NUMBER.fullmatch(text):
            raise InputError(
                f"{where} is {text[:30]!a}, but a plain number in {self.unit} is needed, with "
                "a point and without a unit."
            )
        return self.read(f"{text} {self.unit}", where)

    def read(self, text: str, where: str) -> float:
        """Read a value with its unit; return it in SI.

        Raises InputError, naming `where`, for a text that is no such quantity, and for a value
        outside the believable range.
        """
        value_si = parse_quantity(text, self.kind, where).value_si
        value = convert(value_si, self.kind, self.unit)
        slack = 1e-9 * max(abs(self.low), abs(self.high))
        if not self.low - slack <= value <= self.high + slack:
            raise InputError(f"{where} is {value:g} {self.beyond}.")
        return value_si

    @property
    def beyond(self) -> str:
        """Say after a value beyond the range, with its unit, what is believable."""
        return (
            f"{self.unit}, but {self.low:g} to {self.high:g} {self.unit} is believable; give "
            f"{self.meant}"
        )


_PLAIN_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)

# fmt: off
CONDITIONS = (
    Condition(
        "ambient_pa", "ambient_kpa", "--ambient", Kind.ABSOLUTE_PRESSURE, "kPa", 30.0, 120.0,
        "the barometer at the bench as it stands, not reduced to sea level", "101.1kPa",
    ),
    Condition(
        "ambient_u_pa", "ambient_u_kpa", "--ambient-u", Kind.ABSOLUTE_PRESSURE, "kPa", 0.0, 20.0,
        "the standard uncertainty of the barometer", "0.2kPa",
    ),
    Condition(
        "gas_temperature_k", "gas_temperature_c", "--gas-temperature", Kind.TEMPERATURE, "degC",
        -40.0, 150.0, "the temperature of the air in the hose", "22degC",
    ),
    Condition(
        "gas_temperature_u_k", "gas_temperature_u_c", "--gas-temperature-u",
        Kind.TEMPERATURE_DIFFERENCE, "degC", 0.0, 50.0,
        "the standard uncertainty of the gas temperature", "1degC",
    ),
    Condition(
        "volume_m3", "volume_cc", "--volume", Kind.VOLUME, "cm3", 0.1, 100_000.0,
        "the whole test volume, hose and part together", "75cc",
    ),
    Condition(
        "volume_u_m3", "volume_u_cc", "--volume-u", Kind.VOLUME, "cm3", 0.0, 50_000.0,
        "the standard uncertainty of the test volume", "0.75cc",
    ),
    Condition(
        "span_u", "span_u_percent", "--span-u", Kind.SHARE, "%", 0.0, 20.0,
        "the standard uncertainty of the sensor's span", "1%",
    ),
    Condition(
        "own_leak_m3_s", "own_leak_std_cm3_min", "--own-leak", Kind.FLOW, "cm3/min ANR", 0.0, 1e3,
        "the leak of the rig alone, hose end capped", '"0.05 cm3/min ANR"',
    ),
    Condition(
        "own_leak_u_m3_s", "own_leak_u_std_cm3_min", "--own-leak-u", Kind.FLOW, "cm3/min ANR", 0.0,
        1e3, "the standard uncertainty of the rig's own leak", '"0.01 cm3/min ANR"',
    ),
)
# fmt: on
"""Every condition that a file or the command line can give."""

CONDITION_OF_KEY = {condition.key: condition for condition in CONDITIONS}
