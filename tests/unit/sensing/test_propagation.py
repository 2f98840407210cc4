"""Check the propagation of correlated uncertainties against the GUM's example of impedance."""

from pathlib import Path

import numpy as np
import pytest

from rig.sensing.propagation import correlations, propagate

DATA = Path(__file__).parents[2] / "data" / "metrology"


def test_simultaneous_resistance_and_reactance() -> None:
    """GUM H.2: resistance, reactance and impedance from five simultaneous observations.

    Published: R = 127.732, X = 219.847, Z = 254.260 ohm with u = 0.071, 0.295, 0.236 ohm and
    correlations r(R,X) = -0.588, r(R,Z) = -0.485, r(X,Z) = 0.993 (table H.4). The guide goes on
    from rounded means and uncertainties, which moves its last digit of u(X).
    """
    observed = np.loadtxt(DATA / "gum_h2_impedance.csv", delimiter=",", skiprows=1)
    volts, milliamps, phase = observed.mean(axis=0)
    covariance = np.cov(observed.T) / len(observed)
    impedance = 1000.0 * volts / milliamps
    results = impedance * np.array([np.cos(phase), np.sin(phase), 1.0])
    turned = impedance * np.array([-np.sin(phase), np.cos(phase), 0.0])
    jacobian = np.stack([results / volts, -results / milliamps, turned], axis=1)
    found = propagate(jacobian, covariance)
    np.testing.assert_allclose(results, [127.732, 219.847, 254.260], atol=5e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(found)), [0.071, 0.295, 0.236], atol=1e-3)
    between = correlations(found)
    assert between[0, 1] == pytest.approx(-0.588, abs=5e-4)
    assert between[0, 2] == pytest.approx(-0.485, abs=5e-4)
    assert between[1, 2] == pytest.approx(0.993, abs=5e-4)
    np.testing.assert_allclose(np.diag(between), 1.0)
