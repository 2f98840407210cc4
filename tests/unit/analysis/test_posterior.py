"""Check fits and weights against closed forms of the linear Gaussian case.

Under an ambient far above the hold an orifice is choked throughout, so that a leak is a straight
line, and the mixed settling is linear in its amplitudes: mean, covariance and evidence of these two
are known exactly. Every number expected here is computed from the covariance of the data itself.
"""

from dataclasses import dataclass

import numpy as np
import pytest
import scipy.linalg
import scipy.special
import scipy.stats

from rig.analysis import posterior, settling
from rig.analysis.gas import Law, LeakLaw
from rig.analysis.models import BlockData

CHOKED = ((Law.ORIFICE, 1.0),)
FAR_PA = 1e7
"""An ambient so high that the hold is choked whatever the critical ratio."""
TIME_S = np.linspace(0.3, 60.0, 70)
START = (50_000.0, 30.0)


def slow_covariance(sd_pa: float = 6.0, slow_pa: float = 4.0, tau_s: float = 3.0) -> np.ndarray:
    """Make a covariance of block means: white noise of uneven weight and slow noise."""
    white = np.diag(sd_pa**2 * (0.5 + np.linspace(1.0, 0.2, TIME_S.size)))
    apart = np.abs(np.subtract.outer(TIME_S, TIME_S))
    return white + slow_pa**2 * np.exp(-apart / tau_s)


def block_data(pressure_pa: np.ndarray, covariance: np.ndarray, ambient_pa: float) -> BlockData:
    """Make blocks of no width with this covariance; the whitener is made apart from the program."""
    whitener = scipy.linalg.solve_triangular(
        np.linalg.cholesky(covariance), np.eye(TIME_S.size), lower=True
    )
    return BlockData(TIME_S, np.zeros(TIME_S.size), pressure_pa, whitener, ambient_pa)


def noise(covariance: np.ndarray, seed: int) -> np.ndarray:
    """Draw noise with this covariance."""
    rng = np.random.default_rng(seed)
    return np.linalg.cholesky(covariance) @ rng.standard_normal(TIME_S.size)


LINE = np.stack([np.ones_like(TIME_S), TIME_S], axis=1)
SPECTRUM = np.stack(
    [np.exp(-TIME_S[-1] / tau) - np.exp(-TIME_S / tau) for tau in settling.SPECTRUM_S], axis=1
)
"""Exponentials of the mixed settling, each counted from its value at the end of the hold."""


@dataclass(frozen=True)
class ClosedForm:
    """Posterior of the straight line under a covariance that holds the settling: all exact."""

    mean: np.ndarray
    covariance: np.ndarray
    log_evidence: float


def closed_form(pressure_pa: np.ndarray, covariance: np.ndarray) -> ClosedForm:
    """Integrate a flat level and slope out of a Gaussian (generalised least squares)."""
    inverse = np.linalg.inv(covariance)
    information = LINE.T @ inverse @ LINE
    mean = np.linalg.solve(information, LINE.T @ inverse @ pressure_pa)
    left = pressure_pa - LINE @ mean
    log_evidence = -0.5 * (
        left @ inverse @ left + np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
    )
    return ClosedForm(mean, np.linalg.inv(information), float(log_evidence))


def fits_of(pressure_pa: np.ndarray, covariance: np.ndarray, laws=CHOKED, ambient_pa=FAR_PA):
    """Fit and weigh every candidate."""
    data = block_data(pressure_pa, covariance, ambient_pa)
    return posterior.weigh(posterior.fit(laws, data, START))


def only(fits: posterior.Fits, kind: str) -> np.ndarray:
    """Index the fits of one kind of settling."""
    return np.flatnonzero([k == kind for k in fits.kinds])


@pytest.fixture(name="steady")
def _steady() -> tuple[np.ndarray, np.ndarray]:
    """Make a straight leak without settling, and its covariance."""
    covariance = slow_covariance()
    return 50_000.0 + 40.0 * TIME_S + noise(covariance, 1), covariance


@pytest.fixture(name="settling_slowly")
def _settling_slowly() -> tuple[np.ndarray, np.ndarray]:
    """Make a leak with a rise in every half octave: no amplitude is anywhere near negative."""
    covariance = slow_covariance()
    rises = SPECTRUM @ np.full(len(settling.SPECTRUM_S), 150.0)
    return 50_000.0 + 40.0 * TIME_S + rises + noise(covariance, 2), covariance


def test_a_straight_line_is_fitted_by_least_squares(steady) -> None:
    """Without settling the rate and its variance are those of generalised least squares."""
    fits, exact = fits_of(*steady), closed_form(*steady)
    (i,) = only(fits, "none")
    assert fits.leak[i, 0] == pytest.approx(exact.mean[1], abs=1e-4 * exact.covariance[1, 1] ** 0.5)
    assert fits.leak_covariance[i, 0, 0] == pytest.approx(exact.covariance[1, 1], rel=1e-4)
    np.testing.assert_allclose(fits.course_pa[i], LINE @ exact.mean, atol=1e-2)
    np.testing.assert_allclose(fits.leak_pa[i], LINE @ exact.mean, atol=1e-2)


@pytest.mark.parametrize("at", range(len(settling.MIXED_SDS_PA)))
def test_the_mixed_settling_is_a_gaussian_process(settling_slowly, at: int) -> None:
    """Rate and variance are those of a line under noise plus a Gaussian process for the settling.

    Its covariance is that of the amplitudes, carried through the exponentials.
    """
    pressure_pa, covariance = settling_slowly
    fits = fits_of(pressure_pa, covariance)
    i = only(fits, "mixed")[at]
    prior = settling.MIXED_SDS_PA[at] ** 2 * settling.mixed_covariance()
    exact = closed_form(pressure_pa, covariance + SPECTRUM @ prior @ SPECTRUM.T)
    sd = exact.covariance[1, 1] ** 0.5
    assert fits.leak[i, 0] == pytest.approx(exact.mean[1], abs=0.01 * sd)
    assert fits.leak_covariance[i, 0, 0] == pytest.approx(sd**2, rel=0.005)


def test_weights_are_evidences(settling_slowly) -> None:
    """The ratio of any two mixed settlings, and of each to none, is that of exact evidences.

    All amplitudes are clearly positive here, so the prior against negative ones has no say.
    """
    pressure_pa, covariance = settling_slowly
    data = block_data(pressure_pa, covariance, FAR_PA)
    shaped, mixed = posterior.fit(CHOKED, data, START)
    names = settling.candidates()
    (none,) = [i for i, c in enumerate(shaped.models.candidate) if names[c][0] == "none"]
    got = mixed.log_evidence - shaped.log_evidence[none]
    expected = []
    for sd in settling.MIXED_SDS_PA:
        spread = sd**2 * SPECTRUM @ settling.mixed_covariance() @ SPECTRUM.T
        exact = closed_form(pressure_pa, covariance + spread)
        expected.append(exact.log_evidence)
    prior = np.log(settling.mixed_weight() / len(expected) / settling.candidate_weight(()))
    expected = np.array(expected) - closed_form(pressure_pa, covariance).log_evidence + prior
    np.testing.assert_allclose(got, expected, atol=0.1)
    # Hundreds of settling's standard deviations: the evidence is overwhelming, as it must be.
    assert np.min(got) > 1000.0


def test_weights_follow_from_evidences_and_sum_to_one(steady) -> None:
    """Weights are the exponentials of the evidences, shaped and mixed together."""
    data = block_data(*steady, FAR_PA)
    solved = posterior.fit(CHOKED, data, START)
    fits = posterior.weigh(solved)
    logs = np.concatenate([s.log_evidence for s in solved])
    assert np.sum(fits.weight) == pytest.approx(1.0, rel=1e-12)
    np.testing.assert_allclose(fits.weight, np.exp(logs - scipy.special.logsumexp(logs)))
    assert fits.best == int(np.argmax(logs))
    assert len(fits.kinds) == fits.weight.size == fits.law.size == fits.leak.shape[0]


@pytest.mark.parametrize("slope_pa_s", [0.05, 0.2, 0.6])
def test_a_falling_pressure_counts_against_every_leak(slope_pa_s: float) -> None:
    """Mirroring a line about its level costs the log ratio of the chances of a positive slope.

    No leak is negative: the flat prior of the slope ends at zero. At z standard deviations the two
    differ by log Phi(z) - log Phi(-z).
    """
    covariance = slow_covariance()
    line = slope_pa_s * (TIME_S - 30.0)
    logs = []
    for mirrored in (line, -line):
        data = block_data(START[0] + mirrored, covariance, FAR_PA)
        shaped, _ = posterior.fit(CHOKED, data, (START[0], 0.0))
        names = settling.candidates()
        (none,) = [i for i, c in enumerate(shaped.models.candidate) if names[c][0] == "none"]
        logs.append(shaped.log_evidence[none])
    z = slope_pa_s / closed_form(START[0] + line, covariance).covariance[1, 1] ** 0.5
    normal = scipy.stats.norm
    expected = normal.logcdf(z) - normal.logcdf(-z)
    assert logs[0] - logs[1] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_no_settling_is_preferred_where_there_is_none(seed: int) -> None:
    """A candidate that explains no more pays for its parameters: no settling outweighs each."""
    covariance = slow_covariance()
    fits = fits_of(50_000.0 + 40.0 * TIME_S + noise(covariance, 10 + seed), covariance)
    (none,) = only(fits, "none")
    for kind in ("exponential", "log_creep", "power_creep"):
        assert fits.weight[none] > np.sum(fits.weight[only(fits, kind)])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("kind", "tau_s"), [("exponential", 1.5), ("plateau", 17.0)])
def test_a_settling_that_shows_is_named(kind: str, tau_s: float, seed: int) -> None:
    """An exponential of 100 sds is told from none, and its time constant and rise are found."""
    covariance = slow_covariance(2.0, 0.5)
    settled = -600.0 * np.expm1(-TIME_S / tau_s)
    pressure_pa = 50_000.0 + 40.0 * TIME_S + settled + noise(covariance, 20 + seed)
    fits = fits_of(pressure_pa, covariance)
    (none,) = only(fits, "none")
    assert fits.weight[none] < 1e-6
    named = only(fits, kind)
    best = int(named[np.argmax(fits.weight[named])])
    assert fits.weight[best] > 0.01 * np.max(fits.weight)
    sd = fits.leak_covariance[best, 0, 0] ** 0.5
    assert abs(fits.leak[best, 0] - 40.0) < 4.0 * sd
    assert fits.time_constant_s[best] == pytest.approx(tau_s, rel=0.15)
    assert fits.slow_rise_pa[best] == pytest.approx(settled[-1], rel=0.15)


def test_a_time_constant_is_told_only_where_the_curve_shows_it(steady) -> None:
    """Without settling no candidate's time constant stands out of the noise, and none has a rise.

    That of a candidate without exponential is never told.
    """
    fits = fits_of(*steady)
    (none,) = only(fits, "none")
    assert np.isnan(fits.time_constant_s[none])
    assert fits.slow_rise_pa[none] == 0.0
    assert np.all(np.isnan(fits.time_constant_s[only(fits, "mixed")]))
    shown = np.isfinite(fits.time_constant_s)
    assert np.sum(fits.weight[shown]) < 0.2
    told = np.array([kind in {"none", "exponential", "two_exponentials"} for kind in fits.kinds])
    np.testing.assert_array_equal(fits.slow_rise_pa[~shown & told], 0.0)
    # Creep has no time constant: it counts for a quarter of the hold, a mixed settling for half.
    hold_s = block_data(*steady, FAR_PA).time_s[-1]
    for kind, share in (("log_creep", 0.25), ("mixed", 0.5)):
        hidden = [i for i in only(fits, kind) if not shown[i]]
        np.testing.assert_allclose(fits.slow_for_s[hidden], share * hold_s, rtol=1e-12)


@pytest.mark.parametrize("law", list(Law))
def test_the_law_that_made_the_curve_is_weighed_up(law: Law) -> None:
    """A leak over most of the vacuum shows its law: the true one takes the weight."""
    laws = ((Law.ORIFICE, 0.5), (Law.LAMINAR, 0.35), (Law.PERMEATION, 0.15))
    covariance = np.eye(TIME_S.size) * 4.0
    course = LeakLaw(law, 0.4).pressure(TIME_S, 50_000.0, 600.0, 101_325.0)
    fits = fits_of(course + noise(covariance, 5), covariance, laws, 101_325.0)
    by_law = [float(np.sum(fits.weight[fits.law == i])) for i in range(len(laws))]
    assert by_law[[name for name, _ in laws].index(law)] > 0.99
    best = fits.best
    assert abs(fits.leak[best, 0] - 600.0) < 4.0 * fits.leak_covariance[best, 0, 0] ** 0.5
    if law is Law.ORIFICE:
        assert abs(fits.leak[best, 1] - 0.4) < 4.0 * fits.leak_covariance[best, 1, 1] ** 0.5


def test_a_choked_hold_leaves_the_critical_ratio_at_its_prior(steady) -> None:
    """What the curve cannot show stays as believed: 0.2 to 0.53, sd of an even spread."""
    fits = fits_of(*steady)
    (none,) = only(fits, "none")
    assert fits.leak[none, 1] == pytest.approx(0.365, abs=1e-3)
    assert fits.leak_covariance[none, 1, 1] ** 0.5 == pytest.approx(0.33 / 12.0**0.5, rel=1e-3)


def test_the_most_credible_fit_leaves_its_residuals_and_derivatives(steady) -> None:
    """Residuals are data less course; the columns span the line, and none is all zero."""
    pressure_pa, covariance = steady
    solved = posterior.fit(CHOKED, block_data(pressure_pa, covariance, FAR_PA), START)
    best = posterior.most_credible(solved)
    design = best.design
    fits = posterior.weigh(solved)
    np.testing.assert_allclose(best.left_pa, pressure_pa - fits.course_pa[fits.best])
    assert np.all(np.any(design != 0.0, axis=0))
    # The line lies in what the columns span.
    projected = design @ np.linalg.lstsq(design, LINE, rcond=None)[0]
    np.testing.assert_allclose(projected, LINE, atol=1e-6 * TIME_S[-1])


def test_fitting_again_changes_only_the_covariance(steady) -> None:
    """With four times the variance the same rates come out with twice the standard deviation."""
    pressure_pa, covariance = steady
    solved = posterior.fit(CHOKED, block_data(pressure_pa, covariance, FAR_PA), START)
    again = posterior.fit_again(solved, block_data(pressure_pa, 4.0 * covariance, FAR_PA))
    once, twice = posterior.weigh(solved), posterior.weigh(again)
    (none,) = only(once, "none")
    sd = once.leak_covariance[none, 0, 0] ** 0.5
    assert twice.leak[none, 0] == pytest.approx(once.leak[none, 0], abs=1e-3 * sd)
    assert twice.leak_covariance[none, 0, 0] ** 0.5 == pytest.approx(2.0 * sd, rel=1e-3)
    assert twice.kinds == once.kinds


def test_a_mixture_knows_more_than_any_wrong_candidate() -> None:
    """Over 40 draws the line's slope lies within 2 sd of the mixture's mean in at least 34 of them.

    Mean and variance of a mixture: sum w m, and sum w (v + m^2) less the square of the mean.
    """
    covariance = slow_covariance()
    inside = 0
    for seed in range(40):
        fits = fits_of(50_000.0 + 40.0 * TIME_S + noise(covariance, 100 + seed), covariance)
        mean = float(fits.weight @ fits.leak[:, 0])
        second = float(fits.weight @ (fits.leak_covariance[:, 0, 0] + fits.leak[:, 0] ** 2))
        inside += abs(mean - 40.0) < 2.0 * (second - mean**2) ** 0.5
    assert inside >= 34
