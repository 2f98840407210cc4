"""Own how a value with its uncertainty becomes an outcome; never know what was measured, or how.

Probabilities of conformity follow JCGM 106:2012. A hold that is looked at again and again spends
its allowed error over the looks with the O'Brien-Fleming-type function of Lan and DeMets.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import NormalDist

import numpy as np

from rig.arrays import FloatArray
from rig.records import Outcome

_STANDARD = NormalDist()

_WORST_FIRST = (
    Outcome.FAIL,
    Outcome.INVALID,
    Outcome.UNDECIDED,
    Outcome.NOT_TESTED,
    Outcome.MEASURED,
    Outcome.PASS,
)


def conformance_probability(
    value: float,
    u: float,
    lower: float | None,
    upper: float | None,
    *,
    lower_inclusive: bool = True,
    upper_inclusive: bool = True,
) -> float:
    """Compute the probability that the true value lies within the bounds (JCGM 106 clause 7).

    Normal distribution about `value` with standard uncertainty `u` >= 0, all in one unit; a bound
    of None is absent. Whether a bound is inclusive matters only where `u` is zero.

    Raises ValueError when both bounds are absent, out of order, or a number is unusable.
    """
    if lower is None and upper is None:
        raise ValueError("a probability of conformity needs a bound")
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0.0 and low <= high):
        raise ValueError(f"cannot judge {value} with u = {u} against {lower} to {upper}")
    if u == 0.0:
        above = value >= low if lower_inclusive else value > low
        below = value <= high if upper_inclusive else value < high
        return 1.0 if above and below else 0.0
    z_low, z_high = (low - value) / u, (high - value) / u
    # Of the two tails, difference the pair that keeps its digits.
    if z_low > 0.0:
        return z_to_error(z_low) - z_to_error(z_high)
    if z_high < 0.0:
        return z_to_error(-z_high) - z_to_error(-z_low)
    return 1.0 - z_to_error(-z_low) - z_to_error(z_high)


def specific_risk(value: float, u: float, lower: float | None, upper: float | None) -> float:
    """Compute the probability that the true value lies outside the bounds (JCGM 106 clause 9).

    The same numbers describe one measured item, or a whole process with `u` its standard deviation.
    """
    return 1.0 - conformance_probability(value, u, lower, upper)


def required_z(probability: float) -> float:
    """Compute how many standard uncertainties a value must lie inside one bound.

    `probability` of conformity, 0 < p < 1 (JCGM 106 clause 7, table 1).
    """
    return _STANDARD.inv_cdf(probability)


def z_to_error(z: float) -> float:
    """Compute the one-sided error of a decision at z: the share of a standard normal above it."""
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def guard_band(u: float, probability: float) -> float:
    """Compute the width w = z u between bound and acceptance limit (JCGM 106 clause 8)."""
    return required_z(probability) * u


def acceptance_limit(bound: float, u: float, probability: float, *, is_upper: bool) -> float:
    """Compute the furthest measured value that still conforms with `probability` at one bound."""
    width = guard_band(u, probability)
    return bound - width if is_upper else bound + width


def verdict(probability: float, confidence: float | None) -> Outcome:
    """Decide from a probability of conformity, at the last look of a test.

    Pass at or above `confidence`, fail at or below its complement, undecided between; `confidence`
    of None measures without judging.

    Raises ValueError unless 0 <= probability <= 1 and 0.5 < confidence < 1.
    """
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"{probability} is not a probability")
    if confidence is None:
        return Outcome.MEASURED
    if not 0.5 < confidence < 1.0:
        raise ValueError(f"confidence {confidence} is outside 0.5 to 1")
    if probability >= confidence:
        return Outcome.PASS
    return Outcome.FAIL if probability <= 1.0 - confidence else Outcome.UNDECIDED


def worst(outcomes: Iterable[Outcome]) -> Outcome:
    """Pick the outcome that a test takes from its limits, or a run from its required tests.

    From the worst: fail, invalid, undecided, not tested, measured, pass. A proven fail stands,
    whatever was spoiled beside it; anything short of a pass everywhere is no pass. Of nothing at
    all the outcome is not tested.
    """
    found = set(outcomes)
    return next((outcome for outcome in _WORST_FIRST if outcome in found), Outcome.NOT_TESTED)


@dataclass(frozen=True)
class GlobalRisk:
    """What a measuring process lets through, and what it throws away, as shares of all items.

    `consumer`: accepted though out of tolerance. `producer`: rejected though in tolerance.
    """

    consumer: float
    producer: float


def global_risk(
    process_mean: float,
    process_sd: float,
    u: float,
    lower: float | None,
    upper: float | None,
    *,
    guard_band_width: float = 0.0,
) -> GlobalRisk:
    """Compute both risks for items spread normally and measured with `u` (JCGM 106 clause 9).

    An item is accepted where its measured value lies inside the bounds, each drawn in by
    `guard_band_width`. Double integral by Gauss-Legendre quadrature over the item's true value.

    Raises ValueError when a spread is not positive, no bound is given, or guard bands overlap.
    """
    if not (process_sd > 0.0 and u > 0.0) or (lower is None and upper is None):
        raise ValueError("a global risk needs two positive spreads and a bound")
    accept_low = None if lower is None else lower + guard_band_width
    accept_high = None if upper is None else upper - guard_band_width
    edges = [process_mean - _REACH * process_sd, process_mean, process_mean + _REACH * process_sd]
    edges += [bound for bound in (lower, upper) if bound is not None]
    for bound in (accept_low, accept_high):
        if bound is not None:
            edges += [bound - _REACH * u, bound, bound + _REACH * u]
    inside_reach = sorted({min(max(edge, edges[0]), edges[2]) for edge in edges})
    process = NormalDist(process_mean, process_sd)
    consumer = producer = 0.0
    for left, right in pairwise(inside_reach):
        conforms = conformance_probability((left + right) / 2.0, 0.0, lower, upper) == 1.0
        for true_value, weight in zip(*_gauss_legendre(left, right, 1, 64), strict=True):
            share = weight * process.pdf(true_value)
            accepted = conformance_probability(true_value, u, accept_low, accept_high)
            if conforms:
                producer += share * (1.0 - accepted)
            else:
                consumer += share * accepted
    return GlobalRisk(float(consumer), float(producer))


def spending_bound(confidence: float, share: float) -> float:
    """Compute the one-sided error that may be spent by the look at this share of the information.

    alpha(share) = 2 - 2 Phi(z / sqrt(share)), z the quantile of 1 - alpha/2 (Lan and DeMets,
    Biometrika 1983, O'Brien-Fleming type). 0 < share <= 1, and at 1 the whole of 1 - confidence.

    Raises ValueError when the share or the confidence is out of range.
    """
    if not 0.0 < share <= 1.0 or not 0.0 < confidence < 1.0:
        raise ValueError(f"share {share} or confidence {confidence} is out of range")
    return 2.0 * z_to_error(-_STANDARD.inv_cdf((1.0 - confidence) / 2.0) / math.sqrt(share))


def sequential_bounds(alpha: float, shares: Sequence[float]) -> FloatArray:
    """Compute the z that a statistic must exceed at each look to spend `alpha` over all of them.

    `shares` of the information at the looks rise within (0, 1]; the one-sided error spent by each
    is that of `spending_bound`. A look so early that its error is below 1e-12 gets infinity: no
    decision then. The chance of crossing is carried from look to look by numerical integration
    (Armitage, McPherson and Rowe, J. R. Statist. Soc. A 1969).

    Raises ValueError when alpha is not within 0 to 0.5 or the shares do not rise.
    """
    steps = np.diff(np.asarray(shares, dtype=float), prepend=0.0)
    if not 0.0 < alpha < 0.5 or len(steps) == 0 or np.any(steps <= 0.0):
        raise ValueError(f"cannot spend {alpha} over looks at {list(shares)}")
    bounds = np.full(len(steps), math.inf)
    spent = 0.0
    # Brownian motion: point masses of the paths that have not crossed yet, at the last look.
    position, mass = np.zeros(1), np.ones(1)
    for look, share in enumerate(shares):
        spread = math.sqrt(steps[look])
        error = spending_bound(1.0 - alpha, share) - spent
        reach = _REACH * math.sqrt(share)
        edge = math.inf
        if error >= _LEAST_ERROR:
            start = -_STANDARD.inv_cdf(error) * math.sqrt(share)
            edge = _crossing_edge(position, mass, spread, error, start)
            bounds[look] = edge / math.sqrt(share)
            spent += error
        if look + 1 == len(steps):
            break
        top = min(edge, reach)
        smoothness = min(spread, math.sqrt(steps[look + 1]))
        panels = math.ceil((top + reach) / (1.5 * smoothness))
        nodes, weights = _gauss_legendre(-reach, top, panels, 8)
        kernel = np.exp(-0.5 * ((nodes[:, None] - position) / spread) ** 2)
        mass = weights * (kernel @ mass) / (spread * math.sqrt(2.0 * math.pi))
        position = nodes
    return bounds


_REACH = 8.5
"""Standard deviations beyond which a normal distribution holds less than 1e-16."""
_LEAST_ERROR = 1e-12


def _crossing_edge(
    position: FloatArray, mass: FloatArray, spread: float, error: float, start: float
) -> float:
    # Newton on the logarithm of the crossing probability: it is concave and falling, so from the
    # edge of a single look, which lies beyond the root, every step comes closer from that side.
    edge = start
    for _ in range(60):
        z = (edge - position) / spread
        crossing = float(mass @ np.fromiter(map(z_to_error, z), float, len(z)))
        density = float(mass @ np.exp(-0.5 * z * z)) / (spread * math.sqrt(2.0 * math.pi))
        step = math.log(crossing / error) * crossing / density
        edge += step
        if abs(step) < 1e-12:
            break
    return edge


def _gauss_legendre(
    left: float, right: float, panels: int, order: int
) -> tuple[FloatArray, FloatArray]:
    unit_nodes, unit_weights = np.polynomial.legendre.leggauss(order)
    half = (right - left) / (2 * panels)
    centres = left + half * (2 * np.arange(panels) + 1)
    nodes = (centres[:, None] + half * unit_nodes).ravel()
    return nodes, np.tile(half * unit_weights, panels)
