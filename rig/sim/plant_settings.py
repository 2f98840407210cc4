"""Own how the simulated bench is made: sizes, seats, pumps and sensors; never hold its state."""

from dataclasses import dataclass

from rig.sim.draws import draws
from rig.units import SEA_LEVEL_PA, STD_CC_PER_MIN_PER_M3_S


@dataclass(frozen=True)
class PlantSettings:
    """The making of a bench in SI; `rig_volume_m3` None draws 20 to 30 cm3 by the seed.

    Everything random, drift and noise as well, follows from `seed`. `own_leak_m3_s` is standard
    flow at 15 inHg, laminar, all fittings together; ways and seat leaks are sonic conductances
    [m3/(s Pa)]. The electric pump keeps its inlet at a share of ambient.
    Zero and span of the pressure sensors are drawn with the uncertainties given here, which a bench
    file should state; `white_pa` is their noise a reading and `slow_pa` that of one decade of
    frequency. With `drifting` false barometer and room stand still; with `noisy` false every sensor
    is perfect.
    """

    seed: int = 9
    ambient_pa: float = SEA_LEVEL_PA
    room_k: float = 294.15
    rig_volume_m3: float | None = None
    fitting_volume_m3: float = 0.15e-6
    port_b_volume_m3: float = 6e-6
    own_leak_m3_s: float = 0.02 / STD_CC_PER_MIN_PER_M3_S
    pump_m3_s_pa: float = 2e-9
    vent_m3_s_pa: float = 3e-10
    part_m3_s_pa: float = 3e-9
    port_b_m3_s_pa: float = 1e-9
    seat_m3_s_pa: float = 0.0
    restrictor_m3_s_pa: float = 4.5e-11
    pump_dead_m3: float = 4.6e-6
    stroke_hold_s: float = 1.3
    electric_ultimate_ratio: float = 0.27
    coil_rise_k: float = 1.0
    coil_rise_s: float = 600.0
    zero_u_pa: float = 300.0
    span_u: float = 0.01
    white_pa: float = 6.0
    slow_pa: float = 1.0
    temperature_u_k: float = 0.3
    supply_v: float = 12.6
    drifting: bool = True
    noisy: bool = True

    @property
    def true_rig_volume_m3(self) -> float:
        """Get the volume of manifold and standard hose [m3]."""
        if self.rig_volume_m3 is not None:
            return self.rig_volume_m3
        return float(draws(self.seed, "rig volume").uniform(20e-6, 30e-6))
