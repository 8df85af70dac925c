"""Ridges along the knots' own paths: a second speed for each moving knot, where no slit was laid before it
was known.

A short slit is laid along the fitted path of the knot, a little beyond both its ends. In the diagram of its
time, and as much before and after, ridges are looked for as in any other diagram, both ways and up to twice
the knot's speed: of what the knot was measured to do nothing else enters but the path. With less time beside
it the knot's own light is taken for standing structure, which pushes its ridge steeper. The pixels around the
path alone are read.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from promtrack.errors import SettingsError
from promtrack.motion.agreement import match_ridges
from promtrack.motion.records import OWN_PATH, KnotTrack, Ridge
from promtrack.motion.ridge import find_ridges
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import time_distance_around

__all__ = ["own_path_ridges", "path_of"]

BEYOND_MM = 6.0  # of the path before and after the knot's: its light must end within the diagram
MOST_CORNERS = 8  # of the curve through the fitted path
LEAST_STEP_MM = 1.0  # between corners
LEAST_BESIDE = 5  # strips before and after the knot: what stands still beneath it
FASTER = 2.0  # largest speed looked for, over the knot's ...
LEAST_FASTEST_KM_S = 40.0  # ... and at least
SCRAMBLES = 2  # a ridge must besides lie on its knot


def own_path_ridges(
    strip: Strip, knots: Iterable[KnotTrack], *, fastest_km_s: float, rng: np.random.Generator
) -> tuple[Ridge, ...]:
    """The ridge of each moving knot along its own path, with the agreement of the two; none where no ridge of
    it stands out."""
    found = (_own_ridge(strip, knot, fastest_km_s, rng) for knot in knots if knot.moving)
    return tuple(ridge for ridge in found if ridge is not None)


def path_of(knot: KnotTrack, geometry: StripGeometry) -> str:
    """The path of a knot and a little beyond it, as a text that `motion.slits` understands too."""
    radius = geometry.limb_mm + knot.curve_mm
    middle = float(knot.curve_angle_deg.mean())
    points = radius * np.exp(1j * np.deg2rad(knot.curve_angle_deg - middle))
    length = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(points)))])
    corners = int(np.clip(length[-1] // LEAST_STEP_MM, 1, MOST_CORNERS - 1)) + 1
    at = np.linspace(0.0, length[-1], corners)
    inner = np.interp(at, length, points.real) + 1j * np.interp(at, length, points.imag)
    first, last = inner[1] - inner[0], inner[-1] - inner[-2]
    path = np.concatenate(
        [[inner[0] - BEYOND_MM * first / abs(first)], inner, [inner[-1] + BEYOND_MM * last / abs(last)]]
    )
    angle, height = (middle + np.rad2deg(np.angle(path))) % 360.0, np.abs(path) - geometry.limb_mm
    return "curved:" + ":".join(f"{a:.4f},{h:.2f}" for a, h in zip(angle, height, strict=True))


def _own_ridge(strip: Strip, knot: KnotTrack, fastest_km_s: float, rng: np.random.Generator) -> Ridge | None:
    first, last = np.searchsorted(strip.frame, knot.frame[[0, -1]])
    beside = max(int(last - first + 1), LEAST_BESIDE)
    try:
        diagram = time_distance_around(
            strip, path_of(knot, strip.geometry), max(int(first) - beside, 0), int(last) + beside + 1
        )
    except SettingsError:  # most of the path lies outside the strips
        return None
    fastest = min(fastest_km_s, max(FASTER * knot.fit.speed_km_s, LEAST_FASTEST_KM_S))
    ridges = match_ridges(
        find_ridges(diagram, fastest_km_s=fastest, scrambles=SCRAMBLES, rng=rng),
        (diagram,),
        (knot,),
        strip.geometry,
    )
    own = [ridge for ridge in ridges if ridge.knot]
    longest = max(own, key=lambda ridge: ridge.last_s - ridge.first_s, default=None)
    return None if longest is None else replace(longest, slit=OWN_PATH)
