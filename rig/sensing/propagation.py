"""Own the propagation of correlated uncertainties; never know which quantities they belong to."""

import numpy as np
from numpy.typing import ArrayLike

from rig.arrays import FloatArray


def propagate(jacobian: ArrayLike, covariance: ArrayLike) -> FloatArray:
    """Get the covariance (m, m) of m results of n inputs (GUM 5.2.2; GUM supplement 2, 6.2.1).

    `jacobian` (m, n) holds the derivatives of the results by the inputs, whose `covariance` is
    (n, n).
    """
    derivatives = np.asarray(jacobian, dtype=float)
    result: FloatArray = derivatives @ np.asarray(covariance, dtype=float) @ derivatives.T
    return result


def correlations(covariance: ArrayLike) -> FloatArray:
    """Get the correlation coefficients (n, n) of a covariance (n, n), all variances positive."""
    matrix = np.asarray(covariance, dtype=float)
    deviations = np.sqrt(np.diag(matrix))
    result: FloatArray = matrix / np.outer(deviations, deviations)
    return result
