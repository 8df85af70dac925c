"""Checks of the knots that are not their fits: what stands still, what stands on the sensor, what moves
alike."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from promtrack.checks import Check
from promtrack.motion.records import KnotTrack

__all__ = ["check_knots"]

STILL_FAIR, STILL_POOR = 1.5, 3.0  # rms velocity of what stands still, over its error
LEAST_ALIKE = 6  # moving knots, fewer of which may well share a velocity
ALIKE = 0.8  # share of them within a quarter of the median speed of one velocity
LEFT_OUT = 0.3  # share of tracks fixed on the sensor


def check_knots(knots: tuple[KnotTrack, ...], still_pull: float, still: int) -> Iterator[Check]:
    """Checks of the motion by its knots.

    Parameters
    ----------
    still_pull : rms velocity over its error of the `still` tracks of what stands still; nan without any
    """
    if still:
        level = "good" if still_pull <= STILL_FAIR else "fair" if still_pull <= STILL_POOR else "poor"
        words = f"{still} tracks of what stands still have velocities of {still_pull:.1f} errors rms"
        yield Check("motion", "what stands still", level, words + ("" if level == "good" else ", 1 is due"))
    fixed = sum(bool(knot.left_out) for knot in knots)
    if fixed:
        level = "fair" if fixed > LEFT_OUT * len(knots) else "good"
        words = f"{fixed} of {len(knots)} tracks stand still on the sensor (dust, ghosts) and are left out"
        yield Check("motion", "fixed on the sensor", level, words)
    moving = [knot.fit for knot in knots if knot.moving]
    if len(moving) >= LEAST_ALIKE:
        velocity = np.array([(fit.radial_km_s, fit.along_km_s) for fit in moving])
        middle = np.median(velocity, axis=0)
        near = np.hypot(*(velocity - middle).T) < 0.25 * np.hypot(*middle)
        if near.mean() > ALIKE:
            speed = float(np.hypot(*middle))
            yield Check(
                "motion",
                "all knots alike",
                "poor",
                f"{int(near.sum())} of {len(moving)} moving knots share one velocity of {speed:.0f} km/s, "
                "as a wrong lock or a wrong field rotation makes them; check camera.mirrored, "
                "camera.mount and the site",
            )
