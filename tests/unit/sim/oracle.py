"""Own the same bench as initial value problems, integrated by scipy; never import rig.

Written apart from the simulator and in other variables: each cell by its mass m and pressure p,
with a volume V(p, g) that may depend on the pressure and on what rubber has given, g:

    p' (V + gamma p dV/dp) = gamma R (sum of T m') + m R (T_room - T)/tau + gamma p g' - gamma p V'

While a wide way joins two cells, both have one pressure and the flow between them follows from it;
through a narrow way or one that is opening, the flow is that of an orifice.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.integrate import solve_ivp

R, GAMMA, RHO_0, T_0 = 288.0, 1.4, 1.185, 293.15
INHG_PA = 3386.389
Array = np.ndarray
State = tuple[float, float]
"""Mass [kg] and pressure [Pa] of a cell."""


def orifice(c: float, b: float, up_pa: float, up_k: float, down_pa: float) -> float:
    """Compute the mass flow [kg/s], ISO 6358-1."""
    if down_pa >= up_pa:
        return 0.0
    excess = max((down_pa / up_pa - b) / (1.0 - b), 0.0)
    return c * RHO_0 * up_pa * math.sqrt(T_0 / up_k) * math.sqrt(1.0 - excess**2)


@dataclass
class Cell:
    """A cell: volume at rest [m3], time constant [s], and what may make its volume move.

    Stroke, start and full vacuum are a frictionless diaphragm's; `pairs` (volume [m3] at 15 inHg,
    time [s]) the rubber's; `piston` gives V and V' from the time. `leak` is the mass flow [kg/s]
    into it at a pressure [Pa].
    """

    volume_m3: float
    tau_s: float
    stroke_m3: float = 0.0
    start_pa: float = 0.0
    full_pa: float = 1.0
    pairs: Sequence[tuple[float, float]] = ()
    piston: Callable[[float], tuple[float, float]] | None = None
    leak: Callable[[float], float] = lambda _: 0.0


@dataclass(frozen=True)
class Room:
    """The air outside and the temperature of all walls."""

    ambient_pa: float
    room_k: float

    def terms(self, cell: Cell, m: float, p: float, t: float, given: Array) -> tuple[Array, ...]:
        """Return, for a cell without ways, T, V + gamma p dV/dp, m', the gain, and g'."""
        volume, piston_rate = cell.piston(t) if cell.piston else (cell.volume_m3, 0.0)
        share = (self.ambient_pa - p - cell.start_pa) / (cell.full_pa - cell.start_pa)
        volume -= cell.stroke_m3 * min(max(share, 0.0), 1.0) + float(given.sum())
        moving = 0.0 < share < 1.0
        by_pressure = cell.stroke_m3 / (cell.full_pa - cell.start_pa) if moving else 0.0
        kelvin = p * volume / (m * R)
        ends = np.array([end for end, _ in cell.pairs])
        times = np.array([tau for _, tau in cell.pairs])
        gives = (ends * (self.ambient_pa - p) / (15.0 * INHG_PA) - given) / times
        flow = cell.leak(p)
        gain = GAMMA * R * self.room_k * flow + m * R * (self.room_k - kelvin) / cell.tau_s
        gain += GAMMA * p * (float(gives.sum()) - piston_rate)
        return kelvin, volume + GAMMA * p * by_pressure, flow, gain, gives

    def joined(
        self, one: Cell, other: Cell, start: tuple[State, State], given: Array, times_s: Array
    ) -> Array:
        """Integrate two cells at one pressure, rubber in the other; return the pressures (times,).

        `start` is brought to one pressure at once, without heat, before it is integrated.
        """
        count = len(one.pairs)

        def slopes(t: float, y: Array) -> Array:
            p, m1, m2, own = y[0], y[1], y[2], y[3:]
            k1, c1, f1, g1, r1 = self.terms(one, m1, p, t, own[:count])
            k2, c2, f2, g2, r2 = self.terms(other, m2, p, t, own[count:])
            rate = (g1 + g2) / (c1 + c2)
            enthalpy = (g1 - rate * c1) / (GAMMA * R)
            passes = enthalpy / (k1 if enthalpy > 0.0 else k2)
            return np.array([rate, f1 - passes, f2 + passes, *r1, *r2])

        (m1, p1), (m2, p2) = start
        p = (p1 * one.volume_m3 + p2 * other.volume_m3) / (one.volume_m3 + other.volume_m3)
        y0 = np.array([p, m1, m2, *given])
        scale = np.array([100.0, 1e-8, 1e-8, *[1e-7] * len(given)])
        solved = solve_ivp(
            slopes, (times_s[0], times_s[-1]), y0, "LSODA", times_s, rtol=1e-8, atol=1e-6 * scale
        )
        assert solved.success, solved.message
        return np.asarray(solved.y[0])

    def drawn(
        self,
        source: Cell,
        sink: Cell,
        *,
        start: tuple[State, State],
        conductance: Callable[[float], float],
        critical_ratio: float,
        times_s: Array,
    ) -> Array:
        """Integrate a flow through an orifice from source to sink; return pressures (times, 2)."""

        def slopes(t: float, y: Array) -> Array:
            m1, p1, m2, p2 = y
            none = np.empty(0)
            k1, c1, f1, g1, _ = self.terms(source, m1, p1, t, none)
            _, c2, f2, g2, _ = self.terms(sink, m2, p2, t, none)
            way = conductance(t)
            flow = orifice(way, critical_ratio, p1, k1, p2) if way > 0.0 else 0.0
            carried = GAMMA * R * k1 * flow
            return np.array([f1 - flow, (g1 - carried) / c1, f2 + flow, (g2 + carried) / c2])

        y0 = np.array([*start[0], *start[1]])
        scale = np.array([1e-8, 100.0, 1e-8, 100.0])
        solved = solve_ivp(
            slopes, (times_s[0], times_s[-1]), y0, "RK45", times_s, rtol=1e-8,
            atol=1e-6 * scale, max_step=0.005,
        )  # fmt: skip
        assert solved.success, solved.message
        return np.asarray(solved.y[[1, 3]].T)
