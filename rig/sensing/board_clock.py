"""Own the board's time told in the host's; never let an early or late arrival bend a curve.

The board stamps each frame; the host knows only when it read it, some milliseconds late and never
early. So host time minus board time scatters above a straight line whose slope is what the two
crystals differ by, at most 200 ppm. The line is the edge of the lower convex hull of the last two
minutes' differences at their middle (the estimate of clock skew by Moon, Skelly and Towsley, IEEE
INFOCOM 1999).

Times follow that line without a step: once it is known, they gain or lose on it at 0.15 ms a second
at most. Only in the first two seconds of a connection, when backlog is read, may they run up to
half as fast or as slow again. A board that has restarted counts from zero: it needs a new clock.
"""

import math
from collections import deque

from rig.arrays import FloatArray, IntArray
from rig.errors import LinkError

_BUCKET_S = 1.0
_BUCKETS = 120
_LEARNING_S = 2.0
_LEARNING_SLEW = 0.5
_SLEW = 1.5e-4
_LEAST_BUCKETS = 8
"""Fewer seconds than this tell more of the jitter than of the crystals."""
_MOST_DRIFT = 2e-4


class BoardClock:
    """The map from one board's time, from its start on, to the host's monotonic time."""

    def __init__(self) -> None:
        self._began_s = math.nan
        self._reached_s = 0.0
        self._offset_s = 0.0
        self._drift = 0.0
        self._level_s = 0.0  # the line's offset at board time zero
        self._bucket: tuple[float, float, float] = (0.0, 0.0, 0.0)  # its start; the least in it
        self._least: deque[tuple[float, float]] = deque(maxlen=_BUCKETS)

    def times_s(self, mcu_us: IntArray, host_mono_s: float) -> FloatArray:
        """Get the host's monotonic times (n,) of frames, the newest of them read at `host_mono_s`.

        Raises LinkError where the board's time runs back, as after a restart.
        """
        board_s: FloatArray = mcu_us.astype(float) * 1e-6
        oldest_s, newest_s = float(board_s[0]), float(board_s[-1])
        lag_s = host_mono_s - newest_s
        if math.isnan(self._began_s):
            self._began_s = self._reached_s = oldest_s
            self._offset_s = self._level_s = lag_s
            self._bucket = (newest_s, newest_s, lag_s)
        if oldest_s < self._reached_s:
            raise LinkError(
                f"the board's time ran back from {self._reached_s:.3f} s to {oldest_s:.3f} s: it"
                " has restarted without saying so. Look at its supply and its plug, and connect"
                " again"
            )
        self._note(newest_s, lag_s)
        elapsed_s = newest_s - self._reached_s
        change_s = self._change_s(newest_s, elapsed_s)
        times_s = board_s + self._offset_s
        if elapsed_s > 0.0:
            times_s += (change_s / elapsed_s) * (board_s - self._reached_s)
        self._offset_s += change_s
        self._reached_s = newest_s
        return times_s

    def _change_s(self, newest_s: float, elapsed_s: float) -> float:
        """Get by how much the offset moves towards the line until the newest frame."""
        wanted_s = self._level_s + self._drift * newest_s - self._offset_s
        is_learning = newest_s - self._began_s < _LEARNING_S
        slew_s = (_LEARNING_SLEW if is_learning else _SLEW) * elapsed_s
        along_s = self._drift * elapsed_s
        return min(max(wanted_s, along_s - slew_s), along_s + slew_s)

    def _note(self, newest_s: float, lag_s: float) -> None:
        """Keep the least difference of each second, and draw the line again after each."""
        start_s, least_at_s, least_s = self._bucket
        if newest_s - start_s >= _BUCKET_S:
            self._least.append((least_at_s, least_s))
            self._bucket = (newest_s, newest_s, lag_s)
            if len(self._least) >= _LEAST_BUCKETS:
                self._drift = _slope_beneath(list(self._least))
                self._level_s = min(each - self._drift * at_s for at_s, each in self._least)
        elif lag_s < least_s:
            self._bucket = (start_s, newest_s, lag_s)
        if len(self._least) < _LEAST_BUCKETS:
            self._level_s = min(self._level_s, lag_s)


def _slope_beneath(points: list[tuple[float, float]]) -> float:
    """Get the slope, at the middle, of the lower convex hull of points in rising order."""
    hull: list[tuple[float, float]] = []
    for x, y in points:
        while len(hull) > 1:
            (x1, y1), (x2, y2) = hull[-2:]
            if (y2 - y1) * (x - x1) < (y - y1) * (x2 - x1):
                break
            hull.pop()
        hull.append((x, y))
    middle = 0.5 * (points[0][0] + points[-1][0])
    after = next(place for place in range(1, len(hull)) if hull[place][0] >= middle)
    (x1, y1), (x2, y2) = hull[after - 1 : after + 1]
    return min(max((y2 - y1) / (x2 - x1), -_MOST_DRIFT), _MOST_DRIFT)
