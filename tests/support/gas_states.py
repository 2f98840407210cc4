"""Own the integration of the true pressure, with the gas's own hidden states; never import rig.

The amount of gas is followed as u, the pressure it would have without settling; the pressure is
p = (u + rise) factor (+ vapour), and u' = inflow(p). Fourth-order Runge-Kutta on a fixed grid.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.support.leaks import Inflow

Array = NDArray[np.float64]
State = tuple[float, float]


@dataclass(frozen=True)
class GasAndWall:
    """Gas cooled by the pull, warmed by a wall of finite heat capacity that the room warms.

    Free convection: the exchange goes with |T_gas - T_wall|^0.25 on top of conduction. `gas_k` and
    `wall_k` are how far gas and wall start from the room [K], `gas_tau_s` the gas's time constant
    by conduction, `wall_tau_s` the wall's towards the room, `wall_ratio` the heat capacity of gas
    over wall.
    """

    room_k: float
    gas_k: float
    wall_k: float
    gas_tau_s: float
    wall_tau_s: float
    wall_ratio: float
    convection: float

    def start(self) -> State:
        """Return the states at the start: gas and wall temperature less the room's [K]."""
        return self.gas_k, self.wall_k

    def pressure(self, dry_pa: float, state: State) -> float:
        """Compute the pressure from that of the same gas at room temperature."""
        return dry_pa * (self.room_k + state[0]) / self.room_k

    def rates(self, state: State) -> State:
        """Compute the rates of both states [K/s]."""
        gap = state[1] - state[0]
        exchange = gap / self.gas_tau_s * (1.0 + self.convection * abs(gap) ** 0.25)
        return exchange, -self.wall_ratio * exchange - state[1] / self.wall_tau_s


@dataclass(frozen=True)
class Evaporation:
    """Water evaporating into the part and cooling as it does: fast at first, then slow.

    `tau_s` is that of the vapour towards saturation, `cooling_k_pa` how far the water cools for
    each pascal of vapour given off, `wall_tau_s` that of its warming by the wall, `room_k` the
    room. Saturation after Magnus over water.
    """

    room_k: float
    tau_s: float
    cooling_k_pa: float
    wall_tau_s: float
    dry_above_pa: float

    def start(self) -> State:
        """Return the states at the start: vapour pressure [Pa], water less the room [K]."""
        return 0.0, 0.0

    def pressure(self, dry_pa: float, state: State) -> float:
        """Compute the pressure: that of the air and the vapour's."""
        return dry_pa + state[0]

    def rates(self, state: State) -> State:
        """Compute the rates of both states [Pa/s, K/s]; once the water is gone, nothing more."""
        vapour, water_k = state
        saturated = saturation_pa(self.room_k + water_k)
        given = max(saturated - vapour, 0.0) / self.tau_s if vapour < self.dry_above_pa else 0.0
        return given, -self.cooling_k_pa * given - water_k / self.wall_tau_s


def saturation_pa(temperature_k: float) -> float:
    """Compute the saturation pressure of water [Pa] (Magnus form, WMO coefficients)."""
    degc = temperature_k - 273.15
    return 611.2 * math.exp(17.62 * degc / (243.12 + degc))


GasState = GasAndWall | Evaporation
Over = Callable[[Array], Array]


def step_grid(end_s: float, finest_s: float) -> Array:
    """Return the integration times [s]: fine at first, then coarser, no step above `finest_s`."""
    parts, begin = [], 0.0
    for until, step in ((1.0, 0.02), (6.0, 0.05), (20.0, 0.1), (math.inf, 0.25)):
        stop = min(until, end_s)
        if stop <= begin:
            break
        count = max(1, math.ceil((stop - begin) / min(step, finest_s) - 1e-9))
        parts.append(np.linspace(begin, stop, count, endpoint=False))
        begin = stop
    return np.append(np.concatenate(parts), end_s)


@dataclass(frozen=True)
class Course:
    """What is laid down over time: settling [Pa], factor of warming [-], ambient [Pa]."""

    rise_pa: Over
    factor: Over
    ambient_pa: Over


def integrate(
    grid_s: Array, start_pa: float, inflow: Inflow, course: Course, hidden: GasState | None
) -> tuple[Array, Array, Array]:
    """Integrate the amount of gas along `grid_s`.

    `start_pa` is the true pressure at grid_s[0], where rise is 0 and factor 1. Returns u [Pa] and
    u' [Pa/s] on the grid and what the hidden states add to (u + rise) factor there [Pa].
    """
    half = np.empty(2 * len(grid_s) - 1)
    half[::2], half[1::2] = grid_s, 0.5 * (grid_s[1:] + grid_s[:-1])
    rise, scale = course.rise_pa(half).tolist(), course.factor(half).tolist()
    ambient, steps = course.ambient_pa(half).tolist(), np.diff(grid_s).tolist()

    if hidden is None:
        at = list(zip(rise, scale, ambient, strict=True))
        return _integrate_plain(steps, start_pa, inflow, at)
    state = hidden.start()
    u = start_pa * start_pa / hidden.pressure(start_pa, state)

    def slope(u: float, state: State, at: int) -> tuple[float, float, float]:
        p = hidden.pressure((u + rise[at]) * scale[at], state)
        return inflow(p, ambient[at]), *hidden.rates(state)

    us, slopes, added = [], [], []
    for i, h in enumerate([*steps, 0.0]):
        a = slope(u, state, 2 * i)
        dry = (u + rise[2 * i]) * scale[2 * i]
        us.append(u)
        slopes.append(a[0])
        added.append(hidden.pressure(dry, state) - dry)
        if h == 0.0:
            break
        x, y = state
        b = slope(u + 0.5 * h * a[0], (x + 0.5 * h * a[1], y + 0.5 * h * a[2]), 2 * i + 1)
        c = slope(u + 0.5 * h * b[0], (x + 0.5 * h * b[1], y + 0.5 * h * b[2]), 2 * i + 1)
        d = slope(u + h * c[0], (x + h * c[1], y + h * c[2]), 2 * i + 2)
        u, x, y = (
            value + h / 6.0 * (a[k] + 2.0 * b[k] + 2.0 * c[k] + d[k])
            for k, value in enumerate((u, x, y))
        )
        state = (x, y)
    return np.array(us), np.array(slopes), np.array(added)


def _integrate_plain(
    steps: list[float], start_pa: float, inflow: Inflow, at: list[tuple[float, float, float]]
) -> tuple[Array, Array, Array]:
    """Integrate without hidden states; `at` holds rise, factor and ambient at each half step."""
    u = start_pa
    us, slopes = [u], []
    for i, h in enumerate(steps):
        (rise, scale, ambient), middle, end = at[2 * i : 2 * i + 3]
        a = inflow((u + rise) * scale, ambient)
        rise, scale, ambient = middle
        b = inflow((u + 0.5 * h * a + rise) * scale, ambient)
        c = inflow((u + 0.5 * h * b + rise) * scale, ambient)
        rise, scale, ambient = end
        d = inflow((u + h * c + rise) * scale, ambient)
        slopes.append(a)
        u += h / 6.0 * (a + 2.0 * b + 2.0 * c + d)
        us.append(u)
    rise, scale, ambient = at[-1]
    slopes.append(inflow((u + rise) * scale, ambient))
    return np.array(us), np.array(slopes), np.zeros(len(us))


def hermite(grid: Array, values: Array, slopes: Array, at: Array) -> Array:
    """Interpolate values with known slopes at the points `at` (cubic Hermite)."""
    i = np.clip(np.searchsorted(grid, at, side="right") - 1, 0, len(grid) - 2)
    h = grid[i + 1] - grid[i]
    x = (at - grid[i]) / h
    y = 1.0 - x
    return (
        y * y * (1.0 + 2.0 * x) * values[i]
        + x * x * (1.0 + 2.0 * y) * values[i + 1]
        + h * x * y * (y * slopes[i] - x * slopes[i + 1])
    )
