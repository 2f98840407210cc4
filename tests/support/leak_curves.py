"""Own the curves of the leak laws by integration, an oracle for closed forms; never import rig.

A law here is anything with a `law` name and a `critical_ratio`.
"""

from typing import Protocol

import numpy as np
import scipy.integrate

from tests.support.leaks import INHG_PA, SEA_LEVEL_PA, T_0, Leak


class NamedLaw(Protocol):
    """A leak law by name."""

    @property
    def law(self) -> str:
        """Get orifice, laminar or permeation."""

    @property
    def critical_ratio(self) -> float:
        """Get b of the orifice."""


def flow_share(law: NamedLaw, pressure_pa: float, ambient_pa: float) -> float:
    """Compute the flow into `pressure_pa` as a share of that into a vacuum."""
    leak = Leak(str(law.law), 1.0, law.critical_ratio)
    return leak.mass_flow(pressure_pa, ambient_pa, T_0) / leak.mass_flow(0.0, ambient_pa, T_0)


def integrate(
    law: NamedLaw, start_pa: float, rate_pa_s: float, ambient_pa: float, end_s: float
) -> tuple[np.ndarray, np.ndarray]:
    """Integrate dp/dt in pieces, to the knee, then on to `end_s` or 0.1 % below ambient.

    `rate_pa_s` is dp/dt into a vacuum. Returns the times [s] and pressures [Pa] of the steps.
    """

    def slope(_, p):
        return [rate_pa_s * flow_share(law, p[0], ambient_pa)]

    def knee(_, p):
        return p[0] - law.critical_ratio * ambient_pa

    def nearly_ambient(_, p):
        return p[0] - 0.999 * ambient_pa

    knee.terminal = nearly_ambient.terminal = True
    choked = law.law == "orifice" and start_pa < law.critical_ratio * ambient_pa
    times_s, pressures_pa = np.array([0.0]), np.array([start_pa])
    for event in [knee, nearly_ambient] if choked else [nearly_ambient]:
        if times_s[-1] < end_s:
            part = scipy.integrate.solve_ivp(
                slope, (times_s[-1], end_s), pressures_pa[-1:], "DOP853",
                events=event, rtol=1e-12, atol=1e-8, max_step=end_s / 30,
            )  # fmt: skip
            times_s = np.append(times_s, part.t)
            pressures_pa = np.append(pressures_pa, part.y[0])
    return times_s, pressures_pa


def two_leaks(
    first: Leak,
    second: Leak,
    volume_m3: float,
    settling_pa: float,
    *,
    seed: int,
    hold_s: float = 60.0,
) -> tuple[np.ndarray, np.ndarray]:
    """Integrate a volume under two leaks at once, with gas that warms; 50 Hz, 4 Pa of noise.

    Returns times [s] and pressures [Pa] of a hold from 15.5 inHg, at sea level and 20 degC.
    """
    t = np.arange(0.0, hold_s, 0.02)
    inflows = [leak.inflow(T_0, volume_m3) for leak in (first, second)]

    def settled(at_s: np.ndarray | float) -> np.ndarray | float:
        return -settling_pa * np.expm1(-at_s / 0.8)

    def slope(at_s: float, u: np.ndarray) -> list[float]:
        return [sum(inflow(float(u[0] + settled(at_s)), SEA_LEVEL_PA) for inflow in inflows)]

    solved = scipy.integrate.solve_ivp(
        slope, (0.0, hold_s), [SEA_LEVEL_PA - 15.5 * INHG_PA], t_eval=t, rtol=1e-8, max_step=0.5
    )
    noise = np.random.default_rng(seed).normal(0.0, 4.0, t.size)
    return t, 2.0 * np.round((solved.y[0] + settled(t) + noise) / 2.0)
