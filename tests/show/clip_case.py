"""Small cases for the tests of the clip: a quiet limb whose brightness is known, and the hand-made run made
quick."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence, TimeReport
from promtrack.settings_text import change_settings
from promtrack.show.records import Measured
from promtrack.show.view import ClipView
from tests.show.fake_run import fake_run

SHAPE, RADIUS_PX, CENTRE = (240, 320), 700.0, (150.0, 830.0)
KM_PER_PX = 1000.0


def picture_of(
    gain=1.0, sky=0.0, veil=1.0, *, seed=0, noise=3.0, burnt=False, texture=0.0, prominence=1.0, centre=CENTRE
):
    """One 14-bit frame: limb-darkened disc, seeing-blurred limb, halo, a prominence of 4 % of the disc,
    noise."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(np.float64)
    dx, dy = x - centre[0], y - centre[1]
    out = np.hypot(dx, dy) - RADIUS_PX
    mu = np.sqrt(np.clip(1.0 - ((out + RADIUS_PX) / RADIUS_PX) ** 2, 0.0, 1.0))
    grain = 1.0 + texture * np.sin(dx / 4.0) * np.sin(dy / 5.0)
    disc = 6000.0 * (0.55 + 0.45 * mu) * grain / (1.0 + np.exp(np.clip(out / 0.8, -50, 50)))
    halo = 180.0 * np.exp(-np.clip(out, 0, None) / 45.0)
    plume = (
        240.0
        * prominence
        * np.exp(-0.5 * ((dx - 20.0) / 9.0) ** 2)
        * np.clip(1.0 - out / 60.0, 0, 1)
        * (out > 0)
    )
    total = gain * (disc + plume) + veil * halo + sky + np.random.default_rng(seed).normal(0, noise, SHAPE)
    return np.clip(total, 0, 2500.0 if burnt else 16383.0).astype(np.uint16)


def sequence_of(frames: list[np.ndarray], full_scale: float = 16383.0) -> Sequence:
    """Frames in memory, 20 s apart."""
    times = np.datetime64("2026-05-01T09:00:00", "us") + np.arange(len(frames)) * np.timedelta64(20, "s")
    names = tuple(f"{i:03d}.tif" for i in range(len(frames)))
    return Sequence(
        Path("frames"),
        names,
        times,
        frames[0].shape,
        full_scale,
        frames.__getitem__,
        TimeReport("names", "", ()),
    )


def lock_of(count: int, *, gain=None, sky=None, shift_px=None) -> LimbLock:
    """A perfect lock for such frames."""
    shift = np.zeros((count, 2)) if shift_px is None else np.asarray(shift_px, dtype=float)
    flat = np.zeros(count)
    return LimbLock(
        names=tuple(f"{i:03d}.tif" for i in range(count)),
        used=np.ones(count, bool),
        reason=("",) * count,
        centre_x_px=CENTRE[0] + shift[:, 0],
        centre_y_px=CENTRE[1] + shift[:, 1],
        centre_err_px=flat,
        along_err_px=flat,
        refraction_drift_err_px=flat,
        angle_deg=flat,
        angle_err_deg=flat,
        frame_radius_px=flat + RADIUS_PX,
        frame_radius_err_px=flat + 0.1,
        limb_arc_deg=flat + 20.0,
        limb_rms_px=flat,
        sharpness=flat + 1.0,
        transparency=flat + 1.0 if gain is None else np.asarray(gain),
        sky=flat if sky is None else np.asarray(sky),
        saturated_fraction=flat,
        flattening=flat,
        zenith_deg=flat + np.nan,
        radius_px=RADIUS_PX,
        radius_err_px=0.1,
        own_radius_px=RADIUS_PX,
        own_radius_err_px=0.1,
        from_deg=-12.0,
        to_deg=12.0,
        reference=0,
        limb_points_px=np.zeros((0, 2)),
        rejected_points_px=np.zeros((0, 2)),
        shape=SHAPE,
        edge_bias_px=0.0,
        notes=(),
    )


def view_of(zoom: float = 1.0) -> ClipView:
    """The frames as they are, enlarged."""
    return ClipView(
        round(SHAPE[1] * zoom),
        round(SHAPE[0] * zoom),
        zoom,
        0.0,
        1,
        CENTRE[0] * zoom,
        CENTRE[1] * zoom,
        RADIUS_PX * zoom,
        KM_PER_PX / zoom,
    )


@lru_cache(maxsize=1)
def _whole() -> Measured:
    """The hand-made run with every third of its frames used."""
    run = fake_run()
    used = run.lock.used & (np.arange(len(run.lock.used)) % 3 == 0)
    return replace(run, lock=replace(run.lock, used=used))


def quick_run(**changes: object) -> Measured:
    """The hand-made run with changed clip settings, for instance view="native"."""
    run = _whole()
    return replace(
        run, settings=change_settings(run.settings, {f"clip.{key}": value for key, value in changes.items()})
    )
