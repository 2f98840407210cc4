"""Own one limit as its source prints it, and the judgement of a value by it; never read a file."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType

from rig.analysis.hold import DropLimit
from rig.analysis.verdict import conformance_probability, verdict
from rig.errors import LimitError
from rig.parts import plausibility
from rig.parts.shapes import CONDITION_KINDS, SHAPE_RULES, Condition, Shape
from rig.records import Estimate, Finding, Outcome
from rig.units import Kind, Quantity, format_quantity, parse_quantity

HOLD_DEFAULT = parse_quantity("0.5 inHg", Kind.VACUUM, "rig default")
"""The drop allowed where a source says "must hold" and no more. The rig's own, of no maker."""
MUST_NOT_HOLD_DEFAULT_SHARE = 0.5
"""Share of the start vacuum that may be left where a source says "must not hold" and no more."""
FALL_END_DEFAULT = parse_quantity("0.5 inHg", Kind.VACUUM, "rig default")
"""Where a fall printed as ending at zero is taken to end: a vacuum only approaches zero."""


class Passage(StrEnum):
    """What a passage through a part must be."""

    CLOSED = "closed"
    OPEN = "open"


@dataclass(frozen=True)
class Bound:
    """One end of a limit: ">= 20 s" is inclusive, "> 20 s" is not."""

    quantity: Quantity
    inclusive: bool = True


@dataclass(frozen=True)
class Source:
    """Whose limit it is: the manual or sheet with its page, or the rig itself."""

    text: str
    page: str | None = None
    is_rig_default: bool = False

    def __str__(self) -> str:
        return self.text if self.page is None else f"{self.text}, page {self.page}"


RIG_DEFAULT = Source("rig default, not a specification", is_rig_default=True)


@dataclass(frozen=True)
class Judgement:
    """What a measured value says about a limit.

    `measured` is in the SI unit of the limit. `confidence` is how sure pass and fail had to be;
    None measures only, and the probability is then for information.
    """

    limit: "Limit"
    measured: Estimate
    probability_of_conformity: float
    confidence: float | None
    outcome: Outcome


@dataclass(frozen=True)
class Limit:
    """A limit with everything printed beside its figure.

    `lower` and `upper` are as the source prints them; what the rig puts in where the source has no
    figure is in `judged_lower` and `judged_upper`. `below` says for a band what the passage must be
    below its lower bound; above its upper bound it must be the other.

    Raises LimitError when a part is missing, does not belong, or cannot be true.
    """

    shape: Shape
    conditions: Mapping[Condition, Quantity]
    source: Source
    lower: Bound | None = None
    upper: Bound | None = None
    below: Passage | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "conditions", MappingProxyType(dict(self.conditions)))
        self._refuse_wrong_kinds()
        self._refuse_incomplete()
        self._refuse_impossible_figures()
        self._refuse_contradiction()

    @property
    def judged_lower(self) -> Bound | None:
        """The lower bound that a value is judged by."""
        return self.lower

    @property
    def judged_upper(self) -> Bound | None:
        """The upper bound that a value is judged by, the rig's own where the source has none."""
        if self.upper is not None or not SHAPE_RULES[self.shape].rests_on_default:
            return self.upper
        if self.shape is Shape.HOLD:
            return Bound(HOLD_DEFAULT)
        start = self.conditions[Condition.START_VACUUM]
        left_si = MUST_NOT_HOLD_DEFAULT_SHARE * start.value_si
        left_text = format_quantity(left_si, Kind.VACUUM, start.unit)
        return Bound(Quantity(left_si, Kind.VACUUM, start.unit, left_text, 0.0))

    @property
    def kind(self) -> Kind:
        """The kind of quantity that is judged, whose SI unit an estimate must have."""
        return self._figures[0].kind

    @property
    def _figures(self) -> tuple[Quantity, ...]:
        bounds = (self.judged_lower, self.judged_upper)
        return tuple(bound.quantity for bound in bounds if bound is not None)

    @property
    def rests_on_rig_default(self) -> bool:
        """Whether the figure is the rig's own: no maker's limit is then known to be met or not."""
        return self.source.is_rig_default or (self.lower is None and self.upper is None)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is doubtful about the limit, though it may be true."""
        stated = [*self.conditions.values(), *self._figures]
        vacuums = [quantity for quantity in stated if quantity.kind is Kind.VACUUM]
        deepest = max(vacuums, key=lambda vacuum: vacuum.value_si, default=None)
        found = [None if deepest is None else plausibility.beyond_hand_pump(deepest)]
        if self.shape in (Shape.RISE_TIME, Shape.FALL_TIME):
            if Condition.REFERENCE_VOLUME not in self.conditions:
                found.append(Finding("limit_without_volume"))
            if self.conditions[Condition.END_VACUUM].value_si == 0.0:
                figures = {"end_vacuum_pa": FALL_END_DEFAULT.value_si}
                found.append(Finding("limit_ends_at_zero", figures))
        return tuple(finding for finding in found if finding is not None)

    def passage_at(self, value_si: float) -> Passage | None:
        """Tell what the passage must be at this temperature [K] or vacuum [Pa].

        None between the bounds, where either is right, and for a limit that is not a band.
        """
        if self.below is None:
            return None
        above = Passage.OPEN if self.below is Passage.CLOSED else Passage.CLOSED
        if self.lower is not None and value_si < self.lower.quantity.value_si:
            return self.below
        if self.upper is not None and value_si > self.upper.quantity.value_si:
            return above
        return None

    def judge(self, measured: Estimate, confidence: float | None = 0.95) -> Judgement:
        """Judge a value [SI unit of `kind`] by the probability that it conforms (JCGM 106).

        Of a band it is the value at which the passage changed: anywhere between the bounds is
        right. `confidence` of None measures only.
        """
        lower, upper = self.judged_lower, self.judged_upper
        probability = conformance_probability(
            measured.value,
            measured.u,
            None if lower is None else lower.quantity.value_si,
            None if upper is None else upper.quantity.value_si,
            lower_inclusive=lower is None or lower.inclusive,
            upper_inclusive=upper is None or upper.inclusive,
        )
        outcome = verdict(probability, confidence)
        return Judgement(self, measured, probability, confidence, outcome)

    def as_drop_limit(
        self, default_reference_volume_m3: float, confidence: float | None = 0.95
    ) -> DropLimit:
        """State the limit as a drop from a vacuum within a time, as the hold analysis judges it.

        Exact: what must remain is the start less the drop, and a vacuum that only falls reaches a
        level no sooner than t where its drop at t is at most the way there. The volume given stands
        in where the limit has none; `confidence` of None measures the drop without judging it.

        Raises LimitError when the shape is not that of a hold.
        """
        if self.shape not in _HELD_SHAPES:
            raise LimitError(
                f"A limit of shape '{self.shape}' is not judged from one hold."
                f" Use one of: {', '.join(_HELD_SHAPES)}."
            )
        start_pa = self.conditions[Condition.START_VACUUM].value_si
        figure_si = self._figures[0].value_si
        if self.shape is Shape.TIME_TO_DROP:
            within_s = figure_si
            max_drop_pa = start_pa - self.conditions[Condition.END_VACUUM].value_si
        else:
            within_s = self.conditions[Condition.DURATION].value_si
            max_drop_pa = start_pa - figure_si if self.shape is Shape.REMAINING else figure_si
        volume = self.conditions.get(Condition.REFERENCE_VOLUME)
        volume_m3 = default_reference_volume_m3 if volume is None else volume.value_si
        if confidence is None:
            return DropLimit(start_pa, within_s, volume_m3)
        return DropLimit(start_pa, within_s, volume_m3, max_drop_pa, confidence)

    def _refuse_incomplete(self) -> None:
        rule = SHAPE_RULES[self.shape]
        name = f"A limit of shape '{self.shape}'"
        if not rule.takes_lower and self.lower is not None:
            raise LimitError(f"{name} takes no lower bound, and has {self.lower.quantity}.")
        if not rule.takes_upper and self.upper is not None:
            raise LimitError(f"{name} takes no upper bound, and has {self.upper.quantity}.")
        for key, condition in rule.required.items():
            if condition not in self.conditions:
                raise LimitError(f"{name} needs its {condition}: state it under '{key}'.")
        for condition, quantity in self.conditions.items():
            if condition not in rule.conditions.values():
                raise LimitError(f"{name} has no {condition}, and {quantity} is given for one.")
        if rule.is_band is (self.below is None):
            only = "needs" if rule.is_band else "does not take"
            raise LimitError(
                f"{name} {only} a word on when the passage is open or closed (closed_below and"
                " open_above, or open_below and closed_above)."
            )
        if self.shape is Shape.SIGNAL_AT_VACUUM and len(_APPLIED & set(self.conditions)) != 1:
            raise LimitError(
                f"{name} needs either the {Condition.AT_VACUUM} ('at') or the"
                f" {Condition.AT_PRESSURE} ('at_pressure'), and not both."
            )
        if not self._figures:
            raise LimitError(
                f"{name} needs a figure. Where the source says only that the part must hold, the"
                f" shape is '{Shape.HOLD}'."
            )

    def _refuse_wrong_kinds(self) -> None:
        kinds = SHAPE_RULES[self.shape].judged
        bounds = [bound.quantity for bound in (self.lower, self.upper) if bound is not None]
        for figure in bounds:
            if figure.kind not in kinds or figure.kind is not bounds[0].kind:
                raise LimitError(
                    f"{figure} is {figure.kind}, and a limit of shape '{self.shape}' is on"
                    f" {' or '.join(kinds)}, the same at both ends."
                )
        for condition, quantity in self.conditions.items():
            if quantity.kind not in CONDITION_KINDS[condition]:
                raise LimitError(f"The {condition} cannot be {quantity}, which is {quantity.kind}.")

    def _refuse_impossible_figures(self) -> None:
        for condition, quantity in self.conditions.items():
            what = f"A {condition}"
            plausibility.refuse_beyond_barometer(quantity, what)
            if condition in _MORE_THAN_ZERO:
                plausibility.refuse_zero(quantity, what)
        start = self.conditions.get(Condition.START_VACUUM)
        if start is not None and self.shape is not Shape.RISE_TIME:
            plausibility.refuse_zero(start, f"A {Condition.START_VACUUM}")
        for bound in (self.judged_lower, self.judged_upper):
            if bound is None:
                continue
            plausibility.refuse_beyond_barometer(bound.quantity, f"A {self._figures[0].kind}")
            if self.kind is Kind.TIME or self.shape in _HELD_SHAPES:
                plausibility.refuse_zero(bound.quantity, f"A limit of shape '{self.shape}'")

    def _refuse_contradiction(self) -> None:
        if self.lower is not None and self.upper is not None:
            what = "The bounds"
            if self.below is not None:
                what = f"The passage cannot be {self.below} and not {self.below} at once"
            plausibility.refuse_out_of_order(self.lower.quantity, self.upper.quantity, what)
        for smaller, larger, reason in self._orders():
            plausibility.refuse_unless_below(smaller, larger, reason)

    def _orders(self) -> Iterator[tuple[Quantity, Quantity, str]]:
        start = self.conditions.get(Condition.START_VACUUM)
        end = self.conditions.get(Condition.END_VACUUM)
        supply = self.conditions.get(Condition.SUPPLY_VACUUM)
        if start is not None and self.judged_upper is not None and self.kind is Kind.VACUUM:
            what = "drop" if self.shape in (Shape.DROP, Shape.HOLD) else "vacuum that may be left"
            yield self.judged_upper.quantity, start, f"The {what} must be below the start vacuum"
        if self.shape is Shape.REMAINING and start is not None:
            reason = "What remains must be below the start vacuum, for nothing loses nothing"
            yield self._figures[0], start, reason
        if start is not None and end is not None:
            if self.shape is Shape.RISE_TIME:
                yield start, end, "A rise must end above its start"
            else:
                yield end, start, "A fall must end below its start"
        if supply is not None and end is not None:
            yield end, supply, "A rise must end below its supply, which it only approaches"
        if supply is not None and self.shape is Shape.SETTLE and self.lower is not None:
            yield self.lower.quantity, supply, "A part cannot settle above its supply"


_HELD_SHAPES = (Shape.HOLD, Shape.DROP, Shape.REMAINING, Shape.TIME_TO_DROP)
_APPLIED = {Condition.AT_VACUUM, Condition.AT_PRESSURE}
_MORE_THAN_ZERO = (Condition.DURATION, Condition.REFERENCE_VOLUME, Condition.SUPPLY_VACUUM)
