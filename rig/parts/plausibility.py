"""Own whether printed figures can be true; never know which limit they belong to.

Service information carries misprints. A figure that cannot be true is refused with the reason; one
that is only doubtful becomes a finding.
"""

from collections.abc import Sequence

from rig.errors import LimitError
from rig.records import Finding
from rig.units import PA_PER_INHG, SEA_LEVEL_PA, Kind, Quantity, format_quantity

HAND_PUMP_REACH_PA = 25.0 * PA_PER_INHG
"""About what a hand pump reaches at sea level (20 to 27 inHg seen)."""


def refuse_beyond_barometer(vacuum: Quantity, what: str) -> None:
    """Raise LimitError when a vacuum lies beyond a perfect one at sea level (ISO 2533)."""
    if vacuum.kind is Kind.VACUUM and vacuum.value_si > SEA_LEVEL_PA:
        perfect = format_quantity(SEA_LEVEL_PA, Kind.VACUUM, vacuum.unit)
        raise LimitError(
            f"{what} of {vacuum} cannot exist: a perfect vacuum at sea level is {perfect}."
            " Look for a misprint."
        )


def refuse_zero(quantity: Quantity, what: str) -> None:
    """Raise LimitError when a quantity that must be more than zero is zero."""
    if quantity.value_si == 0.0:
        raise LimitError(f"{what} of {quantity} means nothing: it must be more than zero.")


def refuse_disagreement(printed: Sequence[Quantity], what: str) -> None:
    """Raise LimitError when one value printed in several units is not one value.

    Two agree when they differ by no more than the rounding of their printed digits allows.
    """
    first, *others = printed
    for other in others:
        # A hair of slack keeps two figures that touch at a rounding edge from being refused.
        allowed = (first.rounding_si + other.rounding_si) * (1.0 + 1e-9)
        if abs(first.value_si - other.value_si) > allowed:
            converted = format_quantity(first.value_si, first.kind, other.unit)
            raise LimitError(
                f"{what}: {first} is {converted}, not {other}. One of the two is a misprint: find"
                " out which, and write the other alone."
            )


def refuse_out_of_order(lower: Quantity, upper: Quantity, what: str) -> None:
    """Raise LimitError when nothing lies between a lower and an upper bound."""
    if lower.value_si >= upper.value_si:
        raise LimitError(
            f"{what}: nothing lies above {lower} and below {upper}. Swap or mend them."
        )


def refuse_unless_below(smaller: Quantity, larger: Quantity, reason: str) -> None:
    """Raise LimitError with the reason unless the one quantity is below the other."""
    if smaller.value_si >= larger.value_si:
        raise LimitError(f"{reason}: {smaller} is not below {larger}. Mend one of the two.")


def beyond_hand_pump(vacuum: Quantity) -> Finding | None:
    """Find out whether a vacuum is more than a hand pump reaches at sea level."""
    if vacuum.value_si <= HAND_PUMP_REACH_PA:
        return None
    return Finding(
        "limit_beyond_hand_pump",
        {"vacuum_pa": vacuum.value_si, "reach_pa": HAND_PUMP_REACH_PA},
    )
