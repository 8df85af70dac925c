"""A Sun drawn from formulas, with its lock known exactly: the strip room's own test bench."""

from pathlib import Path

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence, TimeReport
from promtrack.sun import Orientation, Scale

NORTH_UP = Orientation(True, 0.0, 1, 0.1, "north up")


def make_lock(
    centres,
    shape,
    *,
    radius_px=900.0,
    from_deg=-20.0,
    to_deg=20.0,
    turns=None,
    transparency=None,
    flattening=0.0,
    zenith_deg=np.nan,
    used=None,
):
    """A lock whose Sun stands at `centres` (n, 2)."""
    centres = np.asarray(centres, float)
    n = len(centres)
    full = lambda value: np.full(n, float(value))  # noqa: E731
    return LimbLock(
        names=tuple(f"{i:03d}.tif" for i in range(n)),
        used=np.ones(n, bool) if used is None else np.asarray(used),
        reason=("",) * n,
        centre_x_px=centres[:, 0],
        centre_y_px=centres[:, 1],
        centre_err_px=full(0.03),
        along_err_px=full(0.1),
        refraction_drift_err_px=full(0.0),
        angle_deg=full(0) if turns is None else np.asarray(turns, float),
        angle_err_deg=full(0.001),
        frame_radius_px=full(radius_px),
        frame_radius_err_px=full(1.0),
        limb_arc_deg=full(to_deg - from_deg),
        limb_rms_px=full(0.3),
        sharpness=full(1),
        transparency=full(1) if transparency is None else np.asarray(transparency, float),
        sky=full(0),
        saturated_fraction=full(0),
        flattening=full(flattening),
        zenith_deg=full(zenith_deg),
        radius_px=radius_px,
        radius_err_px=0.5,
        own_radius_px=radius_px,
        own_radius_err_px=0.5,
        from_deg=from_deg,
        to_deg=to_deg,
        reference=0,
        limb_points_px=np.zeros((0, 2)),
        rejected_points_px=np.zeros((0, 2)),
        shape=shape,
        edge_bias_px=0.0,
        notes=(),
    )


def make_sequence(frames, cadence_s=20.0, full_scale=65535.0):
    """A sequence over frames held in memory, or a function from index to frame with `count`."""
    frames = list(frames)
    n = len(frames)
    times = np.datetime64("2024-05-11T09:00:00", "us") + (np.arange(n) * cadence_s * 1e6).astype(
        "timedelta64[us]"
    )
    return Sequence(
        Path("frames"),
        tuple(f"{i:03d}.tif" for i in range(n)),
        times,
        frames[0].shape,
        full_scale,
        lambda i: frames[i],
        TimeReport("cadence", "made", ()),
    )


def scale_of(lock, height_mm=4.35):
    """The limb's scale for a lock."""
    km = (695_700.0 + 1000.0 * height_mm) / lock.radius_px
    return Scale(km, 0.005 * km, 1.2, "limb", "", True)


def polar_of(lock, index, *, upright=True):
    """Angle [deg] and distance [px] of every pixel, from the definition in limb/records.py (no
    flattening)."""
    y, x = np.mgrid[: lock.shape[0], : lock.shape[1]].astype(float)
    dx, dy = x - lock.centre_x_px[index], y - lock.centre_y_px[index]
    return np.degrees(np.arctan2(-dx, -dy)) - lock.angle_deg[index], np.hypot(dx, dy)
