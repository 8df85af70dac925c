"""Tone: counts in, an 8-bit tone out, disc and prominence each on its own scale and joined at the limb.

Every pixel goes through one straight line of its own and then through one curve common to the whole clip:
    tone = curve(line_gain * (counts - sky - veil * halo) / gain + line_base).
On the disc the line carries brightness relative to the quiet disc; off the limb brightness in units of the
brightest plasma. In between the quiet Sun falls steeply by a factor of ten or more; there the line follows
the compressed quiet profile, and its slope shrinks as the profile grows, so that neither a rim nor ringing
can arise. The curve is an inverse hyperbolic sine (Lupton et al. 1999, AJ 118, 1406), softened so that the
middling plasma is shown at half of the tone scale as far as the noise of the empty sky stays dark; it rolls
off above the brightest plasma. A fixed pattern of half a step of tone (dither) keeps slow gradients from
showing as bands. Nothing but the level (sky, veil, gain) changes from frame to frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.records import LimbLock
from promtrack.show.palette import LOOKS, Look
from promtrack.show.radial_profile import QuietSun, frame_level
from promtrack.show.view import ClipView, affine_to_frame, frame_border, warp

LOWEST, HIGHEST = -0.25, 2.25  # range of the line's value that the table spans; 1 is the brightest plasma
JOIN_PX = 3.0  # half width of the join about the limb, frame px; the seeing is wider
BAND_ROWS = 128  # of a picture worked on at a time: they stay in the processor's cache
STEPS_PER_PX = 8.0  # of the radial table: an eighth of a frame px


@dataclass(frozen=True, slots=True, eq=False)
class Toner:
    """All that turns frames into tones."""

    quiet: QuietSun
    view: ClipView  # in which the quiet Sun was measured
    gain: np.ndarray  # (1, 65536) float32 against distance from the limb: table steps per count
    base: np.ndarray  # table steps
    halo: np.ndarray  # table steps: gain * halo
    calm: np.ndarray  # uint8 tone of the quiet Sun, shown where a frame shows nothing
    nearest_px: float  # distance from the limb of the tables' first entry
    curve: np.ndarray  # (1, 65536) uint16, 256 times the tone
    dither: np.ndarray  # (256, 256) uint16, 0 to 255
    feather: np.ndarray  # uint8 weight of a frame's pixels, in the frame's geometry


def make_toner(quiet: QuietSun, view: ClipView, look: str, lock: LimbLock) -> Toner:
    """The toner of a clip."""
    chosen = LOOKS[look]
    curve, table = _curve(chosen, quiet.noise / quiet.peak, quiet.middle / quiet.peak)
    gain, base, value = _radial_lines(quiet, chosen, curve, table)
    # Noise lifts the mean tone where the curve bends, so the quiet Sun that fills gaps gets the same lift.
    lifted = gaussian_filter1d(curve, max(quiet.noise / quiet.peak / (table[1] - table[0]), 0.1))
    nearest = float(quiet.limb_px[0]) - 1.0
    at = nearest + np.arange(65536) / STEPS_PER_PX
    steps = 65535.0 / (HIGHEST - LOWEST)
    radial = [np.interp(at, quiet.limb_px, line) for line in (gain, base, quiet.halo, value)]
    fine = np.interp(np.linspace(LOWEST, HIGHEST, 65536), table, curve)
    soft = max(0.06 * min(lock.shape), 4.0)  # px over which a border fades where it cannot be avoided
    away = [np.minimum(np.arange(n), np.arange(n)[::-1]) - 1.0 for n in lock.shape]
    down, across = (_smoothstep(np.clip(one / soft, 0.0, 1.0)) for one in away)
    feather = np.rint(255.0 * down[:, None] * across[None, :]).astype(np.uint8)
    lines = radial[0], radial[1] - LOWEST, radial[0] * radial[2]
    slope, offset, glow = ((line * steps).astype(np.float32)[None] for line in lines)
    calm = np.rint(255.0 * np.interp(radial[3], table, lifted)).astype(np.uint8)[None]
    codes = np.rint(255.0 * 256.0 * fine).astype(np.uint16)[None]
    dither = np.random.default_rng(1).integers(0, 256, (256, 256), dtype=np.uint16)
    return Toner(quiet, view, slope, offset, glow, calm, nearest, codes, dither, feather)


def tone_frame(frame: np.ndarray, toner: Toner, view: ClipView, lock: LimbLock, index: int) -> np.ndarray:
    """(height, width) uint8 tone of one frame in the picture's geometry."""
    matrix = affine_to_frame(view, lock, index)
    level = frame_level(frame, affine_to_frame(toner.view, lock, index), toner.quiet, lock, index)
    counts = frame.astype(np.float32, copy=False)  # the type OpenCV warps fastest
    gain = toner.gain / np.float32(level.gain)
    shift = toner.base - np.float32(level.sky) * gain - toner.halo * np.float32(level.veil / level.gain)
    places, dither = _grid(toner, view)
    tone = np.empty((view.height, view.width), np.uint8)
    border = frame_border(view, lock, index) < -0.5
    weight = warp(toner.feather, matrix, view, fill=0) if border else None
    for top in range(0, view.height, BAND_ROWS):
        band = slice(top, min(top + BAND_ROWS, view.height))
        line = cv2.multiply(warp(counts, matrix, view, band), cv2.LUT(places[band], gain))
        steps = cv2.add(line, cv2.LUT(places[band], shift), dtype=cv2.CV_16U)  # saturates
        tone[band] = _dithered(cv2.LUT(steps, toner.curve), dither[band])
        if weight is not None:
            share = weight[band]
            shown = cv2.multiply(tone[band], share, scale=1.0 / 255.0)
            calm = cv2.multiply(cv2.LUT(places[band], toner.calm), cv2.bitwise_not(share), scale=1.0 / 255.0)
            tone[band] = cv2.add(shown, calm)
    return tone


def busy_map(
    frames: list[tuple[int, np.ndarray]], views: list[ClipView], toner: Toner, lock: LimbLock
) -> np.ndarray:
    """Coarse (frames, rows, columns) float tone above the quiet Sun off the limb. `frames`: number in the
    sequence, and the frame; `views`: of these frames, all of one size."""
    tones = []
    for (index, frame), view in zip(frames, views, strict=True):
        small = view.scaled(0.125)
        calm = cv2.LUT(_grid(toner, small)[0], toner.calm)
        tone = cv2.GaussianBlur(tone_frame(frame, toner, small, lock, index), (0, 0), 1.0)
        tones.append(np.where(small.height_map_px() > 0.0, cv2.subtract(tone, calm), 0))
    return np.array(tones) / 255.0


@lru_cache(maxsize=1)  # most clips have one view alone
def _grid(toner: Toner, view: ClipView) -> tuple[np.ndarray, np.ndarray]:
    """(height, width) uint16 each: places in the radial tables, and the dither."""
    limb_px, offset = view.height_map_px(), -toner.nearest_px * STEPS_PER_PX
    places = cv2.addWeighted(limb_px, STEPS_PER_PX, limb_px, 0.0, offset, dtype=cv2.CV_16U)  # saturates
    whole = np.tile(toner.dither, (-(-view.height // 256), -(-view.width // 256)))
    return places, whole[: view.height, : view.width]


def _dithered(tone: np.ndarray, dither: np.ndarray) -> np.ndarray:
    """256 times the tone to uint8, with the dither added before the last bits are cut off."""
    return np.right_shift(cv2.add(tone, dither), 8).astype(np.uint8)


def _curve(look: Look, noise: float, middle: float) -> tuple[np.ndarray, np.ndarray]:
    """Tone (0 to 1, rising) against the line's value; noise (1 sigma) and middling plasma in units of the
    brightest."""
    table = np.linspace(LOWEST, HIGHEST, 8192)
    softening = np.geomspace(0.004, 3.0, 300)
    # 1 sigma of noise may reach this tone before the toe: beyond it the sky boils
    calm = look.peak * noise / (softening * np.arcsinh(1.0 / softening)) <= 0.035
    # the middling plasma this one, of the peak's: faint loops show, bright plasma keeps its shades
    shaded = np.arcsinh(middle / softening) / np.arcsinh(1.0 / softening) <= 0.56
    good = calm & shaded
    soft = float(softening[np.argmax(good)]) if good.any() else float(softening[-1])
    width = max(2.0 * noise, 1e-4)
    toe = 0.5 * (table - noise + np.hypot(table - noise, width)) - 0.2 * width
    tone = look.peak * np.arcsinh(np.maximum(toe, 0.0) / soft) / np.arcsinh(1.0 / soft)
    room = 1.0 - look.peak
    over = np.maximum(tone - look.peak, 0.0)
    tone = np.minimum(tone, look.peak) + room * over / (over + room)
    rising = tone + 1e-6 * np.arange(len(table))  # strictly, so that it can be turned round
    return rising / max(rising[-1], 1.0), table


def _radial_lines(
    quiet: QuietSun, look: Look, curve: np.ndarray, table: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slope, offset and quiet value of the line against distance from the limb."""
    inside = np.clip(-quiet.limb_px / max(float(-quiet.limb_px[0]), 1.0), 0.0, 1.0)
    tone = look.disc_limb + (look.disc_centre - look.disc_limb) * np.sqrt(inside)
    disc_value = np.interp(tone, curve, table)
    steep = np.interp(disc_value, table, np.gradient(curve, table))
    disc_sun = np.maximum(quiet.sun_at(np.minimum(quiet.limb_px, -2.0 * JOIN_PX)), 1e-6 * quiet.peak)
    contrast = 0.0 if quiet.burnt else look.disc_contrast * min(1.0, 0.25 / max(quiet.texture, 1e-9))
    disc_gain = contrast / (disc_sun * steep) * _unswayed(quiet, contrast / disc_sun / look.disc_limb)
    press = 1.0 + quiet.sun / (float(np.interp(look.disc_limb, curve, table)) * quiet.peak)
    off_value, off_gain = quiet.sun / quiet.peak / press, 1.0 / (quiet.peak * press)
    share = _smoothstep(np.clip(0.5 - quiet.limb_px / (2.0 * JOIN_PX), 0.0, 1.0))
    gain = share * disc_gain + (1.0 - share) * off_gain
    value = share * disc_value + (1.0 - share) * off_value
    return gain, value - gain * quiet.sun, value


def _smoothstep(share: np.ndarray) -> np.ndarray:
    return share**2 * (3.0 - 2.0 * share)


def _unswayed(quiet: QuietSun, share_per_count: np.ndarray) -> np.ndarray:
    """Factor on the disc's contrast (shares of its tone per count) that hides a limb displaced by the air."""
    near = np.arange(-30.0, 30.0, 0.5)  # frame px
    smooth = gaussian_filter1d(quiet.sun_at(near), 2.0)
    sway = np.abs(np.gradient(smooth, near)) * np.interp(near, quiet.limb_px, share_per_count)
    # moving the limb by 1 px the air may change the disc's tone by this share: more is a seam
    factor = gaussian_filter1d(np.minimum(1.0, 0.08 / np.maximum(sway, 1e-12)), 2.0)
    return np.interp(quiet.limb_px, near, factor, left=1.0, right=1.0)
