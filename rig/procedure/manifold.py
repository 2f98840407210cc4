"""Own what the manifold loses by itself during a run, part shut off; never judge the part."""

import math

import numpy as np

from rig.analysis import blocks, noise
from rig.analysis.gas import standard_flow
from rig.procedure.context import Context
from rig.procedure.levels import gas_temperature, since
from rig.procedure.steps import StepResult
from rig.records import Estimate

_OPENING_S = 1.0
_LEAST_S = 5.0
_LEAST_BLOCKS = 6


def manifold_leak(context: Context, shut_off: StepResult) -> Estimate | None:
    """Estimate the flow [standard m3/s] into the manifold alone, None from too short a record.

    A straight line through block means; its error is that of the residuals, which hold the gas
    still settling, and is larger where they go together.
    """
    recording = since(shut_off, _OPENING_S)
    time_s, pressure_pa = recording.channel("p_a")
    if time_s.size < 2 * _LEAST_BLOCKS or np.ptp(time_s) < _LEAST_S:
        return None
    mean = blocks.average(time_s - time_s[0], pressure_pa)
    if mean.time_s.size < _LEAST_BLOCKS:
        return None
    design = np.column_stack([np.ones_like(mean.time_s), mean.time_s - mean.time_s.mean()])
    (_, slope), *_ = np.linalg.lstsq(design, mean.pressure_pa, rcond=None)
    residual_pa = mean.pressure_pa - design @ np.array([mean.pressure_pa.mean(), slope])
    spread = float(np.sum(design[:, 1] ** 2))
    variance = float(residual_pa @ residual_pa) / (mean.time_s.size - 2)
    slope_u = math.sqrt(variance * noise.correlation_factor(residual_pa, 2) / spread)
    volume = context.rig_volume_m3
    temperature_k = gas_temperature(recording).value
    flow = standard_flow(float(slope), volume.value, temperature_k)
    return Estimate.from_sources(
        flow,
        {
            "random": abs(standard_flow(slope_u, volume.value, temperature_k)),
            "volume": abs(flow) * volume.u / volume.value,
        },
    )
