"""The slow structure of the strips: what stands still while knots pass, and how much it flickers.

At anchor times it is a low quantile over frames spread through a window, longer than the slowest knot needs
to cross its own size several times; low, since a knot is bright and hides what lies behind it for the smaller
part of the time. All is kept in the bands of scale space in which knots are looked for (`bands`): these are
linear.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.motion import limits
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip, StripGeometry

STEP = 4  # the flicker map is kept on every 4th row and column of a band


@dataclass(frozen=True, slots=True)
class Band:
    """One band of scale space: difference of two Gaussians on a pyramid level."""

    sigma_px: float  # of the inner Gaussian, in strip pixels
    fwhm_mm: float  # of the knots it fits best
    step: int  # strip pixels per pixel of the band


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """Slow structure and its flicker at one time, for every band."""

    time_s: float
    still: np.ndarray  # (rows, columns) float32, low quantile of the strips
    still_band: tuple[np.ndarray, ...]  # the same in every band
    flicker: tuple[np.ndarray, ...]  # 1 sigma of what is left when it is subtracted
    # (bands, 2) rms gradient of that (per pixel, along rows and columns) over its rms value
    slope: np.ndarray


def bands(geometry: StripGeometry, knot_mm: tuple[float, float]) -> tuple[Band, ...]:
    """Bands for knots between two diameters, and one wider than any knot, each 1.6 times coarser than the one
    before (scale space and the difference of Gaussians: Lindeberg 1998, Int. J. Comput. Vision 30, 79; Lowe
    2004, ibid. 60, 91)."""
    finest = max(knot_mm[0] / limits.FWHM / geometry.mm_per_row, 1.0)  # less than a pixel is not sampled
    coarsest = max(knot_mm[1] / limits.FWHM / geometry.mm_per_row, finest)
    count = 2 + math.ceil(round(math.log(coarsest / finest) / math.log(1.6), 6))
    # fine frames hold no knot as small as their pixels
    first = max(int(math.log2(finest / limits.SAMPLED_PX)), 0)
    return tuple(
        Band(finest * 1.6**k, finest * 1.6**k * limits.FWHM * geometry.mm_per_row, 2 ** (first + k // 2))
        for k in range(count)
    )


def band_images(image: np.ndarray, scale_space: tuple[Band, ...]) -> list[np.ndarray]:
    """The image in every band; `image` is float32 without nan."""
    sigma = [band.sigma_px for band in scale_space]
    sigma += [sigma[-1] * 1.6, sigma[-1] * 2.56]
    blurred: list[np.ndarray] = []
    for k, wanted in enumerate(sigma):
        level = scale_space[0].step * 2 ** (k // 2)
        if k == 0:
            source, step, variance = image, 1, 0.0
            while step < level:
                source, variance, step = cv2.pyrDown(source), variance + step**2, 2 * step
            have = math.sqrt(variance)
        elif k % 2:
            source, have = blurred[-1], sigma[k - 1]
        else:
            # pyrDown smooths by one pixel of the finer level (binomial of order 4) and keeps even pixels in
            # place.
            source, have = cv2.pyrDown(blurred[-1]), math.hypot(sigma[k - 1], level / 2)
        more = math.sqrt(max(wanted**2 - have**2, 0.0)) / level
        blurred.append(
            cv2.GaussianBlur(source, (0, 0), more, borderType=cv2.BORDER_REFLECT) if more > 0.3 else source
        )
    return [
        inner - cv2.pyrUp(outer, dstsize=inner.shape[::-1])  # dstsize is (width, height)
        for inner, outer in zip(blurred, blurred[2:], strict=False)
    ]


def anchors(strip: Strip, scale_space: tuple[Band, ...], motion: MotionSettings) -> Iterator[Anchor]:
    """Anchors in order of time, the first at or before the first strip, the last at or after the last."""
    _, rows, columns = strip.shape
    most = int(np.clip(60e6 / (4 * rows * columns), 9, 31))  # strips held at once: 60 MB
    for first, last in windows(strip.time_s, motion):
        chosen = np.unique(np.linspace(first, last - 1, min(most, last - first)).round().astype(int))
        stack = np.empty((len(chosen), rows, columns), np.float32)
        for k, one in enumerate(strip.mapped(np.asarray, chosen.tolist())):
            stack[k] = one
        still = low_quantile(stack, 0.3)
        still_band = band_images(still, scale_space)
        sigma, slope = _band_noise(stack, still, still_band, scale_space, strip.noise)
        flicker = []
        for small, quiet in zip(sigma, still_band, strict=True):
            y, x = np.indices(quiet.shape, np.float32) / np.float32(STEP)
            flicker.append(cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))
        yield Anchor(float(strip.time_s[chosen].mean()), still, tuple(still_band), tuple(flicker), slope)


def filled(image: np.ndarray, still: np.ndarray | float = 0.0) -> np.ndarray:
    """The strip with what it does not show replaced by the slow structure, or by one value."""
    missing = np.isnan(image)
    if not missing.any():
        return image
    whole = image.copy()
    np.copyto(whole, still, where=missing, casting="same_kind")  # far faster than np.where
    return whole


def gain(value: np.ndarray, quiet: np.ndarray) -> np.float32:
    """How bright the slow structure is in this strip: thin cloud leaves some per cent of change behind."""
    power = float(np.vdot(quiet, quiet))
    return np.float32(np.vdot(value, quiet) / power) if power > 0 else np.float32(1.0)


def windows(time_s: np.ndarray, motion: MotionSettings) -> list[tuple[int, int]]:
    """First and last (exclusive) strip of every anchor's window; windows overlap by half."""
    n = len(time_s)
    cadence = float(np.median(np.diff(time_s))) if n > 1 else 1.0
    # in which the slowest knot that must not be eaten, of 5 km/s, crosses its own size three times
    width = max(3.0 * motion.knot_mm[1] * 1e3 / 5.0, 80 * cadence)
    span = float(time_s[-1] - time_s[0])
    if span <= 1.5 * width:
        return [(0, n)]
    middles = np.linspace(time_s[0], time_s[-1], math.ceil(2 * span / width) + 1)
    starts, ends = (np.clip(middles + side, time_s[0], time_s[-1]) for side in (-width / 2, width / 2))
    edges = zip(np.searchsorted(time_s, starts), np.searchsorted(time_s, ends), strict=True)
    return [(int(a), min(int(b) + 1, n)) for a, b in edges if b - a >= 3]


def low_quantile(stack: np.ndarray, quantile: float) -> np.ndarray:
    """(rows, columns) quantile over the first axis of what is shown, 0 where nothing ever is."""
    count = np.isfinite(stack).sum(axis=0)
    n = len(stack)
    if count.min() == n:
        return np.partition(stack, int(quantile * (n - 1)), axis=0)[int(quantile * (n - 1))]
    ordered = np.sort(stack, axis=0)  # nan goes last
    at = np.floor(quantile * np.maximum(count - 1, 0)).astype(np.intp)
    return np.nan_to_num(np.take_along_axis(ordered, at[None], axis=0)[0], nan=0.0)


def _band_noise(
    stack: np.ndarray,
    still: np.ndarray,
    still_band: list[np.ndarray],
    scale_space: tuple[Band, ...],
    strip_noise: np.ndarray,
) -> tuple[list[np.ndarray], np.ndarray]:
    """What is left in every band: 1 sigma on every 4th row and column, and (bands, 2) its rms slope; at least
    what white noise of the strips would leave, less a margin, since resampling ties neighbours: where the
    frames' grey scale is coarser than the noise, the scatter in time says nothing."""
    samples: list[list[np.ndarray]] = [[] for _ in scale_space]
    slopes: list[list[tuple[float, float]]] = [[] for _ in scale_space]
    for i, image in enumerate(stack):
        images = band_images(filled(image, still), scale_space)
        for k, (value, quiet) in enumerate(zip(images, still_band, strict=True)):
            left = value - quiet
            samples[k].append(left[::STEP, ::STEP])
            if i % STEP == 0:
                slopes[k].append(_slopes(left))
    white = np.random.default_rng(0).standard_normal(np.minimum(still.shape, 256)).astype(np.float32)
    sigma = []
    for sample, image, band in zip(samples, band_images(white, scale_space), scale_space, strict=True):
        own = np.nan_to_num(strip_noise[:: band.step * STEP])[:, None].astype(np.float32)
        sigma.append(np.maximum(_noise_map(np.stack(sample)), np.float32(0.7 * float(np.std(image))) * own))
    return sigma, np.median(slopes, axis=1)


def _slopes(left: np.ndarray) -> tuple[float, float]:
    # Median absolute values: a knot covers little of the strip. Central differences over two pixels.
    value = np.median(np.abs(left[::2, ::2]))
    if value == 0:
        return (0.0, 0.0)
    return (
        float(np.median(np.abs(left[2::2, ::2] - left[:-2:2, ::2])) / 2 / value),
        float(np.median(np.abs(left[::2, 2::2] - left[::2, :-2:2])) / 2 / value),
    )


def _noise_map(samples: np.ndarray) -> np.ndarray:
    """1-sigma noise on every 4th row and column of a band from its scatter in time, at least the typical one
    of its height; from the median down to the lower quartile, since neither a stream of bright knots nor the
    dark rings that a difference of Gaussians puts around them must raise it."""
    lower, middle = np.partition(samples, (len(samples) // 4, len(samples) // 2), axis=0)[
        [len(samples) // 4, len(samples) // 2]
    ]
    spread = ((middle - lower) / limits.QUARTILE).astype(np.float32)
    local = cv2.blur(spread, (5, 5), borderType=cv2.BORDER_REFLECT)
    height = np.median(spread, axis=1, keepdims=True)
    small = np.maximum(local, height)
    return np.maximum(small, np.float32(1e-6) * max(float(small.max()), 1e-30))
