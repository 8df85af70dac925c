"""Tone: counts in, an 8-bit tone out, disc and prominence each on its own scale and joined at the limb.

Every pixel goes through one straight line of its own and then through one curve common to the whole clip:
    tone = curve(line_gain * (counts - sky - veil * halo) / gain + line_base).
On the disc the line carries brightness relative to the quiet disc; off the limb brightness in units of the
brightest plasma. In between the quiet Sun falls steeply by a factor of ten or more; there the line follows
the compressed quiet profile, and its slope shrinks as the profile grows, so that neither a rim nor ringing
can arise. The curve is an inverse hyperbolic sine (Lupton et al. 1999, AJ 118, 1406) whose softening is set
by the noise, with a toe that keeps the noise of the empty sky dark. Nothing but the level (sky, veil, gain)
changes from frame to frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.records import LimbLock
from promtrack.show.palette import LOOKS, Look
from promtrack.show.probes import Samples
from promtrack.show.sunlight import FrameLevel, QuietSun, frame_level
from promtrack.show.view import ClipView, affine_to_frame, frame_border, warp

__all__ = ["Toner", "apply_tone", "busy_map", "line_tone", "make_toner", "tone_frame"]

LOWEST, HIGHEST = (
    -0.25,
    2.25,
)  # range of the line's value that the 16-bit table spans; 1 is the brightest plasma
NOISE_TONE = 0.016  # tone that 1 sigma of noise may reach: under 2 % it does not boil
MIDDLE_TONE = 0.56  # of the peak's tone, at most, for middling plasma: bright plasma keeps its shades
USUAL_TEXTURE = 0.25  # a disc that varies by more is shown with less contrast
MOST_SWAY = (
    0.03  # tone that a limb displaced by 1 px by the air adds to or takes from the disc: more is a seam
)
SWAY_REACH_PX, SWAY_SMOOTH_PX = 30.0, 1.0
JOIN_PX = 3.0  # half width of the join about the limb, frame px; the seeing is wider
COARSE = 4  # picture px per px of the feather's map
SLIVER = 0.04  # part of the picture
BAND_ROWS = 64  # of the picture toned at a time: they stay in the processor's cache
BORDERS = 24  # frames from which the usual border is taken

FEATHER = 0.06  # of the frame's shorter side: how softly its border fades


@dataclass(frozen=True, slots=True, eq=False)
class Toner:
    """All that turns frames into tones; planes are (height, width) of the picture."""

    quiet: QuietSun
    line_gain: np.ndarray  # float32, table steps per count
    line_base: np.ndarray  # float32, table steps
    line_halo: np.ndarray  # float32, table steps: line_gain * halo
    curve: np.ndarray  # (1, 65536) uint8
    calm: (
        np.ndarray
    )  # uint8 tone shown where a frame shows nothing: the quiet Sun, dark where most frames show nothing
    feather: np.ndarray  # uint8 weight of a frame's pixels, in the frame's geometry


def make_toner(quiet: QuietSun, view: ClipView, look: str, lock: LimbLock) -> Toner:
    """The toner of a clip."""
    chosen = LOOKS[look]
    curve, table = _curve(chosen, quiet.noise / quiet.peak, quiet.middle / quiet.peak)
    radial = _radial_lines(quiet, chosen, curve, table)
    limb_px = view.height_map_px()
    planes = [np.interp(limb_px, quiet.limb_px, line).astype(np.float32) for line in radial]
    gain, base, halo, calm = planes
    steps = np.float32(65535.0 / (HIGHEST - LOWEST))
    # Noise lifts the mean tone where the curve bends, so the quiet Sun that fills gaps is given the same
    # lift.
    lifted = gaussian_filter1d(curve, quiet.noise / quiet.peak / (table[1] - table[0]))
    feather = _feather(lock.shape)
    calm_tone = np.rint(np.interp(calm, table, lifted) * _mostly_shown(feather, view, lock)).astype(np.uint8)
    spaced = np.interp(np.linspace(LOWEST, HIGHEST, 65536), table, curve)
    return Toner(
        quiet,
        gain * steps,
        (base - np.float32(LOWEST)) * steps,
        gain * halo * steps,
        np.rint(255.0 * spaced).astype(np.uint8)[None],
        calm_tone,
        feather,
    )


def tone_frame(frame: np.ndarray, toner: Toner, view: ClipView, lock: LimbLock, index: int) -> np.ndarray:
    """(height, width) uint8 tone of one frame in the picture's geometry."""
    matrix = affine_to_frame(view, lock, index)
    level = frame_level(frame, matrix, toner.quiet, lock, index)
    counts = frame.astype(np.float32, copy=False)  # the type OpenCV warps fastest
    tone = np.empty((view.height, view.width), np.uint8)
    for top in range(0, view.height, BAND_ROWS):
        band = slice(top, min(top + BAND_ROWS, view.height))
        picture = warp(counts, matrix, view, band)
        tone[band] = apply_tone(
            picture, level, toner.line_gain[band], toner.line_base[band], toner.line_halo[band], toner.curve
        )
    return tone if frame_border(view, lock, index) > -0.5 else _faded(tone, matrix, toner, view)


def apply_tone(
    picture: np.ndarray,
    level: FrameLevel,
    gain: np.ndarray,
    base: np.ndarray,
    halo: np.ndarray,
    curve: np.ndarray,
) -> np.ndarray:
    """Tone of a float32 picture whose level is known, with the lines of its pixels."""
    line = cv2.multiply(picture, gain)
    shift = cv2.addWeighted(gain, -level.sky / level.gain, halo, -level.veil / level.gain, 0.0)
    cv2.add(shift, base, dst=shift)
    steps = cv2.addWeighted(
        line, 1.0 / level.gain, shift, 1.0, 0.0, dtype=cv2.CV_16U
    )  # saturates at both ends
    return cv2.LUT(steps, curve)


def line_tone(value: np.ndarray, toner: Toner) -> np.ndarray:
    """uint8 tone of plasma off the limb, float32 in units of the brightest."""
    steps = 65535.0 / (HIGHEST - LOWEST)
    return cv2.LUT(np.clip((value - LOWEST) * steps, 0.0, 65535.0).astype(np.uint16), toner.curve)


def busy_map(samples: Samples, levels: list[FrameLevel], toner: Toner, view: ClipView) -> np.ndarray:
    """Coarse (rows, columns) float tone above the quiet sky, the highest of the sample frames: where not to
    write.

    The disc counts as free: its texture is everywhere.
    """
    size = samples.coarse.shape[2], samples.coarse.shape[1]
    planes = (toner.line_gain, toner.line_base, toner.line_halo)
    gain, base, halo = (cv2.resize(plane, size, interpolation=cv2.INTER_AREA) for plane in planes)
    calm = cv2.resize(toner.calm, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    tones = [
        np.where(
            np.isfinite(picture), apply_tone(np.nan_to_num(picture), level, gain, base, halo, toner.curve), 0
        )
        for picture, level in zip(samples.coarse, levels, strict=True)
    ]
    off_limb = cv2.resize(view.height_map_px(), size, interpolation=cv2.INTER_AREA) > 0.0
    return np.where(off_limb, np.clip(np.max(tones, axis=0) - calm, 0.0, None) / 255.0, 0.0)


def _curve(look: Look, noise: float, middle: float) -> tuple[np.ndarray, np.ndarray]:
    """Tone (0 to 1, rising) against the line's value; noise (1 sigma) and middling plasma in units of the
    brightest."""
    table = np.linspace(LOWEST, HIGHEST, 8192)
    softening = np.geomspace(0.15, 3.0, 200)
    calm = look.peak * noise / (softening * np.arcsinh(1.0 / softening)) <= NOISE_TONE
    shaded = np.arcsinh(middle / softening) / np.arcsinh(1.0 / softening) <= MIDDLE_TONE
    good = calm & shaded
    soft = float(softening[np.argmax(good)]) if good.any() else float(softening[-1])
    width = max(2.0 * noise, 1e-4)
    toe = 0.5 * (table - 0.5 * noise + np.hypot(table - 0.5 * noise, width)) - 0.25 * width
    tone = look.peak * np.arcsinh(np.maximum(toe, 0.0) / soft) / np.arcsinh(1.0 / soft)
    room = 1.0 - look.peak
    over = np.maximum(tone - look.peak, 0.0)
    tone = np.minimum(tone, look.peak) + room * over / (over + room)
    rising = tone + 1e-6 * np.arange(len(table))  # strictly, so that it can be turned round
    return rising / max(rising[-1], 1.0), table


def _radial_lines(
    quiet: QuietSun, look: Look, curve: np.ndarray, table: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Slope, offset, halo and quiet value of the line against distance from the limb."""
    inside = np.clip(-quiet.limb_px / max(float(-quiet.limb_px[0]), 1.0), 0.0, 1.0)
    tone = look.disc_limb + (look.disc_centre - look.disc_limb) * np.sqrt(inside)
    disc_value = np.interp(tone, curve, table)
    steep = np.interp(disc_value, table, np.gradient(curve, table))
    sun = quiet.sun
    disc_sun = np.maximum(quiet.sun_at(np.minimum(quiet.limb_px, -2.0 * JOIN_PX)), 1e-6 * quiet.peak)
    contrast = 0.0 if quiet.burnt else look.disc_contrast * min(1.0, USUAL_TEXTURE / max(quiet.texture, 1e-9))
    disc_gain = contrast / (disc_sun * steep) * _unswayed(quiet, contrast / disc_sun)
    limb_value = float(np.interp(look.disc_limb, curve, table))
    press = 1.0 + sun / (limb_value * quiet.peak)
    off_value, off_gain = sun / quiet.peak / press, 1.0 / (quiet.peak * press)
    share = np.clip(0.5 - quiet.limb_px / (2.0 * JOIN_PX), 0.0, 1.0)
    share = share**2 * (3.0 - 2.0 * share)
    gain = share * disc_gain + (1.0 - share) * off_gain
    value = share * disc_value + (1.0 - share) * off_value
    return gain, value - gain * quiet.sun, quiet.halo, value


def _unswayed(quiet: QuietSun, tone_per_count: np.ndarray) -> np.ndarray:
    """Factor on the disc's contrast that keeps a limb displaced by the air from showing; as smooth as the
    seeing along the radius."""
    near = np.arange(-SWAY_REACH_PX, SWAY_REACH_PX, 0.5)
    smooth = gaussian_filter1d(quiet.sun_at(near), 2.0 * SWAY_SMOOTH_PX)
    sway = np.abs(np.gradient(smooth, near)) * np.interp(near, quiet.limb_px, tone_per_count)
    factor = gaussian_filter1d(np.minimum(1.0, MOST_SWAY / np.maximum(sway, 1e-12)), 2.0 * SWAY_SMOOTH_PX)
    return np.interp(quiet.limb_px, near, factor, left=1.0, right=1.0)


def _feather(shape: tuple[int, int]) -> np.ndarray:
    """uint8 weight of a frame's pixels: 0 at its border, 255 from a short way in."""
    soft = max(FEATHER * min(shape), 4.0)
    ramps = [np.clip((np.minimum(np.arange(n), np.arange(n)[::-1]) - 1.0) / soft, 0.0, 1.0) for n in shape]
    ramps = [ramp**2 * (3.0 - 2.0 * ramp) for ramp in ramps]
    return np.rint(255.0 * ramps[0][:, None] * ramps[1][None, :]).astype(np.uint8)


def _mostly_shown(feather: np.ndarray, view: ClipView, lock: LimbLock) -> np.ndarray:
    """(height, width) float32 weight, 255 where most frames show the Sun, falling softly to 0 at their usual
    border.

    255 everywhere if no more than slivers along the picture's border are not shown: there the quiet Sun looks
    calmer.
    """
    used = np.flatnonzero(lock.used)
    some = used[np.unique(np.linspace(0, len(used) - 1, BORDERS).round().astype(int))]
    matrices = [affine_to_frame(view, lock, int(index)) for index in some]
    whole = np.full_like(feather, 255)
    shown = np.median([_coarse_weight(whole, matrix, view) for matrix in matrices], axis=0)
    if np.mean(shown < 128.0) < SLIVER:
        return np.full((view.height, view.width), 255.0, np.float32)
    weight = np.median([_coarse_weight(feather, matrix, view) for matrix in matrices], axis=0)
    return _enlarged(weight.astype(np.float32), view)


def _coarse_weight(feather: np.ndarray, matrix: np.ndarray, view: ClipView) -> np.ndarray:
    """The feather in the picture's geometry, `COARSE` times smaller."""
    coarse = np.array([[COARSE, 0.0, (COARSE - 1) / 2.0], [0.0, COARSE, (COARSE - 1) / 2.0], [0.0, 0.0, 1.0]])
    size = -(-view.width // COARSE), -(-view.height // COARSE)
    return cv2.warpAffine(feather, matrix @ coarse, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def _enlarged(weight: np.ndarray, view: ClipView) -> np.ndarray:
    """A coarse weight at the picture's size."""
    return cv2.resize(weight, (weight.shape[1] * COARSE, weight.shape[0] * COARSE))[
        : view.height, : view.width
    ]


def _faded(tone: np.ndarray, matrix: np.ndarray, toner: Toner, view: ClipView) -> np.ndarray:
    """The tone, going over into the quiet Sun's where the frame ends. The weight is smooth, so a coarse one
    will do."""
    weight = _enlarged(_coarse_weight(toner.feather, matrix, view), view)
    shown = cv2.multiply(tone, weight, scale=1.0 / 255.0)
    return cv2.add(shown, cv2.multiply(toner.calm, cv2.bitwise_not(weight), scale=1.0 / 255.0))
