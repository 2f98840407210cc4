"""Own what a procedure knows before it begins; never change while it runs."""

from dataclasses import dataclass

from rig.analysis.hold import DropLimit, OwnLeak
from rig.records import Estimate, Purpose
from rig.runs import TestPlan


@dataclass(frozen=True)
class Context:
    """A test to be made, and what is known of the rig it is made on.

    `limit` is the test's limit as the hold analysis judges it. `rig_volume_m3` is that of manifold
    and hose up to the part valve. `zero_u_pa` and `span_u` are those of the manifold's sensor.
    `beyond_part_m3` is set where the limit names no reference volume: it is then the part's own,
    as well as it is known, and so much more; what `limit` gives stands in until then.
    """

    test: TestPlan
    limit: DropLimit
    purpose: Purpose
    confirmed: tuple[str, ...]
    rig_volume_m3: Estimate
    own_leak: OwnLeak | None
    last_ambient_pa: float | None
    zero_u_pa: float
    span_u: float
    has_part_valve: bool
    converter_step_pa: float = 0.0
    beyond_part_m3: float | None = None

    def setting(self, name: str) -> float:
        """Get a figure of the test's settings, in SI.

        Raises KeyError where the family does not give it: `rig.parts.planning` must.
        """
        return self.test.settings[name]
