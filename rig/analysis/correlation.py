"""Own the covariance of block means: white noise, converter steps and slow noise; never fit a leak.

Blocks average white noise away but not noise that lasts longer than a block. Taken as white, such
noise makes the standard error of a slope many times too small, so what the residuals show of it
enters the covariance that every fit uses.
"""

from dataclasses import dataclass

import numpy as np

from rig.analysis.noise import undithered_variance
from rig.arrays import FloatArray

_TIMES_S = (0.5, 2.0, 8.0)
_SDS_PA = tuple(float(sd) for sd in np.geomspace(0.5, 4096.0, 14))
_PREFERENCE = 1.0
"""Log evidence that slow noise must bring before it is believed."""


@dataclass(frozen=True)
class SlowNoise:
    """Noise with an exponential correlation: standard deviation [Pa] and time constant [s]."""

    sd_pa: float
    time_constant_s: float


def quantisation_covariance(
    time_s: FloatArray, step_pa: float, white_sd_pa: float, slope_pa_s: float
) -> FloatArray:
    """Compute the covariance [Pa2] that converter steps leave in block means: (blocks, blocks).

    With noise of half a step or more the steps are dithered away and nothing is left beyond the
    white step^2/12, which the noise already contains. With less, the rounding error keeps its
    value for as long as the pressure takes to cross a step (Widrow, Kollar: Quantization Noise).
    """
    variance = undithered_variance(step_pa, white_sd_pa)
    crossing_s = step_pa / max(abs(slope_pa_s), 1e-9) / 4.0
    apart = np.abs(np.subtract.outer(time_s, time_s))
    return variance * np.exp(-apart / max(crossing_s, 1e-3))


def block_covariance(
    time_s: FloatArray,
    white_variance: FloatArray,
    fixed: FloatArray,
    slow: SlowNoise | None,
) -> FloatArray:
    """Compute the covariance [Pa2] of block means from its three parts: (blocks, blocks)."""
    covariance = np.diag(white_variance) + fixed
    if slow is not None:
        apart = np.abs(np.subtract.outer(time_s, time_s))
        covariance += slow.sd_pa**2 * np.exp(-apart / slow.time_constant_s)
    return covariance


def whitener(covariance: FloatArray) -> FloatArray:
    """Compute the inverse Cholesky factor W of a covariance: W C W^T is the unit matrix."""
    return np.linalg.inv(np.linalg.cholesky(covariance))


def slow_noise(
    time_s: FloatArray,
    residual_pa: FloatArray,
    design: FloatArray,
    white_variance: FloatArray,
    fixed: FloatArray,
) -> SlowNoise | None:
    """Find the slow noise that the residuals of a fit show, or None where they show none.

    `residual_pa` (blocks,) belongs to a fit with the derivatives `design` (blocks, parameters);
    the restricted likelihood (REML; Patterson and Thompson, 1971) allows for what that fit took.
    """
    best: SlowNoise | None = None
    best_score = _restricted(residual_pa, design, np.diag(white_variance) + fixed) + _PREFERENCE
    for time_constant_s in _TIMES_S:
        falling = 0
        last = -np.inf
        for sd_pa in _SDS_PA:
            slow = SlowNoise(sd_pa, time_constant_s)
            covariance = block_covariance(time_s, white_variance, fixed, slow)
            score = _restricted(residual_pa, design, covariance)
            if score > best_score:
                best, best_score = slow, score
            falling = falling + 1 if score < last else 0
            last = score
            if falling == 2:
                break
    return best


def _restricted(residual: FloatArray, design: FloatArray, covariance: FloatArray) -> float:
    factor = np.linalg.cholesky(covariance)
    columns = np.column_stack([design / np.linalg.norm(design, axis=0), residual])
    whitened = np.linalg.solve(factor, columns)
    q, r = np.linalg.qr(whitened[:, :-1])
    left = whitened[:, -1] - q @ (q.T @ whitened[:, -1])
    return float(
        -np.sum(np.log(np.diag(factor)))
        - np.sum(np.log(np.maximum(np.abs(np.diag(r)), 1e-12)))
        - 0.5 * left @ left
    )
