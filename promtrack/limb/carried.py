"""How solar rotation carries the features on the limb that hold the lock along it.

In the plane of the limb rotation looks like a turn about the Sun's centre, of at most 1.2 px an hour on a
radius of 1000 px; texture on the disc is carried westward besides. The Sun's centre moves with neither.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.along import EDGE_ROWS_PX, LimbTemplate
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun import Orientation, SolarView, limb_drift, orient, solar_view

WORTH_SAYING_PX = 0.1
ALL_ROUND_DEG = 120.0  # of limb, on which what is carried west on the disc is no shift along the limb
SEEN_DEPTH = 0.98  # distance from the disc's centre at which texture is looked at, for what may be


@dataclass(frozen=True, slots=True, eq=False)
class Carried:
    """What solar rotation has done to the features on the limb."""

    course_px: (
        np.ndarray
    )  # (n,) along the limb towards larger image angle since the first frame; 0 where not known or not wanted
    notes: tuple[str, ...]


def carried_along(
    template: LimbTemplate,
    radius_px: float,
    ceiling: float,
    sequence: Sequence,
    indices: np.ndarray,
    *,
    limb: LimbSettings,
    camera: CameraSettings,
) -> Carried:
    """How far the features have been carried in the frames `indices`, for their common place along the limb.

    Parameters
    ----------
    template : of the whole sequence
    ceiling : counts above which the camera is burnt out
    """
    time_s = sequence.time_s[indices] - sequence.time_s[indices[0]]
    if not limb.solar_rotation:
        return Carried(np.zeros(len(indices)), ())
    view = solar_view(sequence.times_utc[indices[0]], header=sequence.header)
    orientation = orient(view, camera=camera, header=sequence.header)
    if not orientation.position_angles or not np.isfinite(view.b0_deg):
        return Carried(np.zeros(len(indices)), _what_may_be(view, radius_px, float(time_s[-1])))
    course = drift_px_s(template, radius_px, ceiling, orientation, view.b0_deg) * time_s
    size = abs(float(course[-1]))
    said = (
        (
            f"Solar rotation carries what stands on the limb by {size:.1f} px along it over the recording (B0 = {view.b0_deg:+.1f} deg); "
            "this is taken out of the Sun's place.",
        )
        if size > WORTH_SAYING_PX
        else ()
    )
    return Carried(course, said)


def drift_px_s(
    template: LimbTemplate, radius_px: float, ceiling: float, orientation: Orientation, b0_deg: float
) -> float:
    """Mean motion of the zone's features along the limb, towards larger image angle.

    Features count as they do in the shifts of the blocks: by the square of their slope along the limb, and by
    their past scatter.
    """
    grid = template.grid
    seen = template.count > 0
    ray = np.flatnonzero(seen & np.roll(seen, 1) & np.roll(seen, -1))
    if not len(ray):
        return 0.0
    slope = template.mean[(ray + 1) % len(template.mean)] - template.mean[ray - 1]
    weight = (
        template.weight(ray)
        * slope**2
        * (template.mean[ray] < ceiling)
        * (np.abs(grid.offset_px) > EDGE_ROWS_PX)
    )
    angle = orientation.to_product(grid.theta_deg[ray])[:, None]
    distance = 1.0 + grid.offset_px / radius_px
    if len(ray) * grid.step_deg > ALL_ROUND_DEG:
        distance = np.maximum(distance, 1.0)
    drift = limb_drift(angle, distance[None, :], b0_deg)
    mean = (weight * drift).sum(axis=1) / np.maximum(
        weight.sum(axis=1), 1e-20
    )  # every stretch of limb has the same say
    return orientation.sign * radius_px * float(mean.mean())


def _what_may_be(view: SolarView, radius_px: float, span_s: float) -> tuple[str, ...]:
    """One sentence on a rotation whose direction is not known, where it counts."""
    b0 = view.b0_deg if np.isfinite(view.b0_deg) else 0.0
    pole = float(np.abs(limb_drift(np.array([0.0, 180.0]), np.array(SEEN_DEPTH), b0)).max())
    size = pole * radius_px * span_s
    if size <= WORTH_SAYING_PX:
        return ()
    return (
        f"Solar rotation carries what stands on the limb along it, by up to {size:.1f} px over the recording; without camera.north_deg "
        "it is not known which way, and the lock takes it for a motion of the Sun.",
    )
