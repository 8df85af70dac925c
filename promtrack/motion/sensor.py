"""What stands still on the sensor while the Sun drifts over it: dust shadows, hot pixels, ghosts,
reflections.

In the strips, which follow the Sun, such things move with the drift's speed, turned round; a reflection that
runs against the Sun moves twice as fast.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from promtrack.motion.knot_fit import KnotPath
from promtrack.motion.knots import KnotPoints
from promtrack.strip.records import Strip

__all__ = ["FIXED", "Place", "fixed_on_sensor"]

Place = Callable[
    [int, float, float], tuple[float, float]
]  # (frame, angle_deg, height_mm) to x, y on the sensor
FIXED = "fixed on the sensor"
LIKE = 3.0  # standard deviations within which a velocity is that of something that stands on the sensor
CLEAR = 6.0  # standard deviations by which it must differ from that of the Sun


def fixed_on_sensor(strip: Strip, points: KnotPoints, path: KnotPath, place: Place) -> bool:
    """Whether a track keeps its place on the sensor while the Sun moves, or runs there against it."""
    geometry = strip.geometry
    frames = strip.frame[points.index].tolist()
    angle, height = geometry.angle_deg(points.column), geometry.height_mm(points.row)
    middle = float(angle.mean()), float(height.mean())
    own = np.array([place(f, float(a), float(h)) for f, a, h in zip(frames, angle, height, strict=True)])
    sun = np.array([place(f, *middle) for f in frames])
    px_per_mm = float(np.hypot(*np.subtract(place(frames[0], middle[0], middle[1] + 1.0), sun[0])))
    time = points.time_s - points.time_s.mean()
    slope = time / np.sum(time**2)
    velocity, drift = slope @ own, slope @ sun  # px/s
    error = max(path.fit.radial_err_km_s, path.fit.along_err_km_s) / 1e3 * px_per_mm
    if np.hypot(*drift) < CLEAR * error:
        return False
    return bool(min(np.hypot(*velocity), np.hypot(*(velocity + drift))) < LIKE * error)
