"""Own a solenoid valve of the simulated bench; never decide when it moves.

A coil pulls it from its rest position to the other; the way opens and shuts evenly over its travel
time. Shut, its seat leaks; stuck, it goes to how far it stands open, whatever the coil does.
"""

from rig.sim.gas_cells import Air, GasCell, flow_through

TRAVEL_S = 0.02
CRITICAL_RATIO = 0.3


class Valve:
    """One valve, without power at the start: sonic conductances [m3/(s Pa)] open and of its seat.

    `share` is how far it is open, 0 to 1; `stuck_share` how far it is stuck open, None if it moves.
    """

    def __init__(self, open_m3_s_pa: float, seat_m3_s_pa: float, *, open_at_rest: bool) -> None:
        self.open_m3_s_pa = open_m3_s_pa
        self.seat_m3_s_pa = seat_m3_s_pa
        self.stuck_share: float | None = None
        self.share = 1.0 if open_at_rest else 0.0
        self._open_at_rest = open_at_rest

    def goes_to(self, energised: bool) -> float:
        """Get how far open, 0 to 1, the valve will be once it has moved."""
        if self.stuck_share is not None:
            return self.stuck_share
        return 0.0 if energised is self._open_at_rest else 1.0

    def move(self, energised: bool, step_s: float) -> None:
        """Move for `step_s` to where the coil wants it."""
        wanted, travel = self.goes_to(energised), step_s / TRAVEL_S
        self.share = min(max(wanted, self.share - travel), self.share + travel)

    def pass_gas(self, one: GasCell | Air, other: GasCell | Air, step_s: float) -> float:
        """Let gas pass for `step_s` through the way as it stands; return how much [kg]."""
        way = max(self.share * self.open_m3_s_pa, self.seat_m3_s_pa)
        return flow_through(one, other, way, CRITICAL_RATIO, step_s) if way else 0.0
