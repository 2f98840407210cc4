"""Own a sprung diaphragm and its rod between two stops; never hold gas.

Vacuum pulls the diaphragm into its chamber against a spring: it leaves its rest at one vacuum,
stands on its stop at another, and moves in proportion between. So the chamber is smaller by the
stroke when the rod is in, and grows again as vacuum falls. Dry friction holds the rod until the
vacuum is a given step past what it needs, either way (play, after Prandtl).
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Spring:
    """What moves a diaphragm: stroke [m3], the vacuums [Pa] of start and stop, friction [Pa]."""

    stroke_m3: float
    start_pa: float
    full_pa: float
    friction_pa: float = 0.0


class Diaphragm:
    """The state of a diaphragm: `share` of its stroke that it has travelled, 0 to 1."""

    def __init__(self, spring: Spring) -> None:
        self._spring = spring
        self._range_pa = spring.full_pa - spring.start_pa
        self.share = 0.0

    def volume(self, content_j: float, empty_m3: float, ambient_pa: float) -> float:
        """Move to where spring, friction and pressure balance; return the chamber's volume [m3].

        `content_j` = p V of the gas inside, kept; `empty_m3` the chamber's volume at rest.
        """
        stroke = self._spring.stroke_m3
        if stroke == 0.0:
            return empty_m3
        friction = self._spring.friction_pa
        vacuum_pa = ambient_pa - content_j / (empty_m3 - stroke * self.share)
        if self.share < self._balanced(vacuum_pa - friction):
            self._move(content_j, empty_m3, ambient_pa - friction)
        elif self.share > self._balanced(vacuum_pa + friction):
            self._move(content_j, empty_m3, ambient_pa + friction)
        return empty_m3 - stroke * self.share

    def _balanced(self, vacuum_pa: float) -> float:
        """Get where the diaphragm would stand without friction, 0 to 1."""
        return min(max((vacuum_pa - self._spring.start_pa) / self._range_pa, 0.0), 1.0)

    def _move(self, content_j: float, empty_m3: float, outside_pa: float) -> None:
        """Solve p (empty - S s) = content with s = (outside - p - start)/range, then the stops.

        Quadratic in p with one positive root.
        """
        stroke = self._spring.stroke_m3
        at_no_pressure = (outside_pa - self._spring.start_pa) / self._range_pa
        per_pa = stroke / self._range_pa
        level_m3 = empty_m3 - stroke * at_no_pressure
        root = math.sqrt(level_m3 * level_m3 + 4.0 * per_pa * content_j)
        # Two forms of the same root; each avoids the difference of two large numbers.
        if level_m3 > 0.0:
            pressure_pa = 2.0 * content_j / (level_m3 + root)
        else:
            pressure_pa = (root - level_m3) / (2.0 * per_pa)
        self.share = min(max(at_no_pressure - pressure_pa / self._range_pa, 0.0), 1.0)
