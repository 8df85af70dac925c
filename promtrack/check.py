"""`promtrack check`: what is there, and can it be measured? Nothing is written."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.limb import inspect_sequence, turned_back
from promtrack.limb.expected_geometry import expected_sky
from promtrack.limb.inspect import unlike_the_sun
from promtrack.motion.limits import BLOCK_STRIPS
from promtrack.products.folder import refuse_products
from promtrack.rounding import clock, counted, day, seconds, typeset
from promtrack.sequence import Sequence, open_sequence
from promtrack.sequence.bursts import best_of_bursts
from promtrack.sequence.sort_by_time import PAUSE_H, doubt_night, sessions_of
from promtrack.settings import CameraSettings, Settings
from promtrack.sun import check_against_limb, fit_drift, measure_scale, orient, refuse_uncertain, solar_view


def check(source: Path, settings: Settings) -> Iterator[str]:
    """Lines to print, the first ones before any frame is decoded. Raises InputError: the input cannot be
    read, or not measured: no limb, too little of it, or no scale by it."""
    refuse_products(Path(source))
    sequence = open_sequence(Path(source), times=settings.times, camera=settings.camera)
    sequence = best_of_bursts(turned_back(doubt_night(sequence, settings.site)), settings.times)
    yield from _what_is_there(sequence)
    inspection = inspect_sequence(sequence, limb=settings.limb)
    if not inspection.measurable:
        yield from map(typeset, inspection.verdict[1:])
        why = f"cannot be measured. {inspection.verdict[0].rstrip('.')}"
        remedy = "keep part of the Sun's edge with dark sky beyond it in the frame"
        raise InputError(why, where=str(source), remedy=remedy)
    yield from map(typeset, inspection.verdict)
    sky = expected_sky(sequence.times_utc, site=settings.site, camera=settings.camera, line=sequence.line)
    radius_err = float(np.hypot(inspection.own_radius_err_px, sky.radius_err * inspection.own_radius_px))
    view = solar_view(sequence.times_utc[len(sequence) // 2], site=settings.site, header=sequence.header)
    scale = measure_scale(
        inspection.own_radius_px,
        radius_err,
        view,
        camera=settings.camera,
        limb=settings.limb,
        header=sequence.header,
        line=sequence.line,
    )
    yield (
        f"scale about {scale.km_per_px:.0f} km a pixel ({scale.arcsec_per_px:.3f} arcsec), from the "
        f"{scale.source}; a run measures it better and gives its error; the Sun's apparent radius is "
        f"{view.apparent_radius_arcsec:.1f} arcsec"
    )
    yield typeset(f"heights: {scale.limb.sentence}")
    if scale.check:
        yield typeset(scale.check)
    yield typeset(f"orientation: {orient(view, camera=settings.camera, header=sequence.header).source}")
    yield from map(typeset, sky.notes)
    refuse_uncertain(scale, str(source))
    least = {"a leading edge": BLOCK_STRIPS, "a knot": settings.motion.least_points}
    missed = [f"{what} needs {count} frames" for what, count in least.items() if count > len(sequence)]
    if missed:
        frames = counted(len(sequence), "frame is", "frames are")
        yield f"{frames} too few to measure all motion: {', '.join(missed)}"
    doubt = inspection.doubt
    if inspection.middle and not doubt:
        doubt = unlike_the_sun(sequence, *inspection.middle, sky)
    if doubt:
        yield typeset(f"it can be measured, but is not to be trusted: {doubt}")
    elif not scale.agrees:
        yield "it can be measured, but look first at what disagrees"
    elif len(sessions_of(sequence)) > 1:
        yield "it can be measured, each session by itself: add --each-session"
    else:
        yield "its heights can be measured" if len(missed) == len(least) else "it can be measured"


def check_drift(source: Path, settings: Settings, *, nudge: str = "") -> Iterator[str]:
    """The drift calibration in words, and the settings that follow from it. `nudge`: 'north' or 'south' if
    the telescope was pushed that way during the recording. Raises InputError: the recording shows no drift
    of the Sun, or one that is not the sky's."""
    from promtrack.limb import lock_exposures  # its solvers take long to load

    sequence = open_sequence(Path(source), times=settings.times, camera=settings.camera)
    yield from _what_is_there(sequence)
    lock = lock_exposures(sequence, limb=settings.limb, camera=settings.camera, site=settings.site)
    view = solar_view(sequence.times_utc[len(sequence) // 2], site=settings.site, header=sequence.header)
    time_s, x, y = (v[lock.used] for v in (sequence.time_s, lock.centre_x_px, lock.centre_y_px))
    drift = fit_drift(time_s, x, y, view, nudge=nudge)
    yield (
        f"drift followed in {drift.points} of {len(sequence)} frames, scatter across it {drift.rms_px:.2f} px"
    )
    by_limb = measure_scale(
        lock.own_radius_px, lock.own_radius_err_px, view, camera=CameraSettings(), limb=settings.limb
    )
    against_limb, agrees = check_against_limb(drift, by_limb)
    yield typeset(drift.sentence)
    yield typeset(against_limb)
    if drift.mirrored is not None:
        yield (
            f"[camera]\nnorth_deg = {drift.north_deg:.2f}\n"
            f"north_err_deg = {max(drift.west_err_deg, 0.01):.2f}\n"
            f"mirrored = {str(drift.mirrored).lower()}"
            + (f"\narcsec_per_px = {drift.arcsec_per_px:.5f}" if agrees else "")
        )


def _what_is_there(sequence: Sequence) -> Iterator[str]:
    rows, columns = sequence.shape
    when, last = (f"{day(time)} {clock(time)}" for time in sequence.times_utc[[0, -1]])
    if len(sequence) > 1:
        when += f" to {last} UTC, one every {seconds(float(np.median(np.diff(sequence.time_s))))}"
    else:
        when += " UTC"
    yield f"{counted(len(sequence), 'frame')} of {columns}x{rows} px in {sequence.path}"
    yield f"times from {sequence.time_report.source} ({sequence.time_report.detail}): {when}"
    if np.isfinite(sequence.exposure_s):
        yield f"exposure {sequence.exposure_s:.4g} s"
    yield from (*sequence.time_report.problems, *sequence.notes)
    found = sessions_of(sequence)
    if len(found) > 1:
        named = "; ".join([session.words for session in found[:5]] + ["..."] * (len(found) > 5))
        yield (
            f"{len(found)} sessions with pauses of more than {PAUSE_H:g} hours between them: {named}; "
            "`promtrack run --each-session` measures each"
        )
    for left_out in sequence.unreadable[:10]:
        yield f"left out: {left_out.file}: {left_out.reason}"
    if len(sequence.unreadable) > 10:
        yield f"left out: {len(sequence.unreadable) - 10} more"
