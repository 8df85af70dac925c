"""How solar rotation carries the features on the limb that hold the lock along it.

In the plane of the limb rotation looks like a turn about the Sun's centre, of at most 1.2 px an hour on a
radius of 1000 px; texture on the disc is carried westward besides. The Sun's centre moves with neither.
"""

from __future__ import annotations

import numpy as np

from promtrack.limb.template import EDGE_ROWS_PX, Template
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun import Orientation, limb_drift, orient, solar_view

WORTH_SAYING_PX = 0.1
SEEN_DEPTH = 0.98  # distance from the disc's centre at which texture is looked at, for what may be


def carried_px(
    template: Template,
    radius_px: float,
    sequence: Sequence,
    indices: np.ndarray,
    *,
    limb: LimbSettings,
    camera: CameraSettings,
) -> tuple[np.ndarray, tuple[str, ...]]:
    """(n,) px along the limb, towards larger image angle, by which the features were carried in the frames
    `indices` since the first of them; 0 where it is not known or not wanted; and notes."""
    time_s = sequence.time_s[indices] - sequence.time_s[indices[0]]
    none = np.zeros(len(indices))
    if not limb.solar_rotation:
        return none, ()
    view = solar_view(sequence.times_utc[indices[0]], header=sequence.header)
    orientation = orient(view, camera=camera, header=sequence.header)
    if not orientation.position_angles or not np.isfinite(view.b0_deg):
        b0 = view.b0_deg if np.isfinite(view.b0_deg) else 0.0
        pole = float(np.abs(limb_drift(np.array([0.0, 180.0]), np.array(SEEN_DEPTH), b0)).max())
        size = pole * radius_px * float(time_s[-1])
        return none, (
            f"Solar rotation carries what stands on the limb along it, by up to {size:.1f} px over the "
            "recording; without camera.north_deg it is not known which way, and the lock takes it for a "
            "motion of the Sun.",
        ) * (size > WORTH_SAYING_PX)
    course = drift_px_s(template, radius_px, orientation, view.b0_deg) * time_s
    size = abs(float(course[-1]))
    return course, (
        f"Solar rotation carries what stands on the limb by {size:.1f} px along it over the recording "
        f"(B0 = {view.b0_deg:+.1f} deg); this is taken out of the Sun's place.",
    ) * (size > WORTH_SAYING_PX)


def drift_px_s(template: Template, radius_px: float, orientation: Orientation, b0_deg: float) -> float:
    """Mean motion of the zone's features along the limb, towards larger image angle.

    Features count as they do in the shifts of the blocks: by the square of their slope along the limb, and by
    their scatter.
    """
    grid, seen = template.grid, template.seen
    ray = np.flatnonzero(seen & np.roll(seen, 1) & np.roll(seen, -1))
    if not len(ray):
        return 0.0
    slope = template.mean[(ray + 1) % len(seen)] - template.mean[ray - 1]
    # what noise alone makes of the mean's slope is no feature
    noise = 2.0 / np.maximum(template.weight[ray], 1e-20) / len(template.time_s)
    weight = (
        template.weight[ray]
        * np.maximum(slope**2 - 2.0 * noise, 0.0)
        * (template.mean[ray] < template.ceiling)
    )
    weight = weight * (np.abs(grid.offset_px) > EDGE_ROWS_PX)
    angle = orientation.to_product(grid.theta_deg[ray])[:, None]
    distance = 1.0 + grid.offset_px / radius_px
    drift = limb_drift(angle, distance[None, :], b0_deg)
    # stretches with much to see count alike, those with noise alone hardly
    total = weight.sum(axis=1)
    mean = (weight * drift).sum(axis=1) / np.maximum(total, 1e-20)
    share = np.minimum(total, np.median(total)) ** 2
    return orientation.sign * radius_px * float((share * mean).sum() / max(float(share.sum()), 1e-30))
