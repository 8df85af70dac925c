"""Strips as bright as the usual one, without backdrop: found once for a sequence, applied to each strip.

The usual strip is the median in time of frames spread over the sequence. Thin cloud dims one part of a frame
more than another, but the disc just inside the limb shines through the same air as the prominence above it,
and its mean over a few degrees is steady to better than a per cent. Where the disc is burnt out or out of
view, the contrast of the prominences gives one number for the strip; where there are none, the lock's number
stands in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.edge import MAD, weighted_median
from promtrack.limb.records import LimbLock
from promtrack.sequence.records import MANY, Sequence, spread_over
from promtrack.strip.records import StripGeometry
from promtrack.strip.sky_background import Backdrop, Blocks, plan_blocks, usual_backdrop
from promtrack.workers import map_ahead


@dataclass(frozen=True, slots=True, eq=False)
class Evener:
    """Takes backdrop, transparency, exposure and gain out of strips: what is the same for all of them."""

    lock: LimbLock
    blocks: Blocks
    rim: Rim
    backdrop: Backdrop

    @classmethod
    def of(
        cls,
        sample: Callable[[np.ndarray, int], np.ndarray],
        sequence: Sequence,
        lock: LimbLock,
        geometry: StripGeometry,
    ) -> Evener:
        """The usual strip of a sequence, from up to 24 of its frames. `sample`: gives the strip (rows,
        columns) of a frame and its index, as bright as the frame. Raises InputError: a frame cannot be
        read."""
        blocks = plan_blocks(geometry)
        # Mm, clear of the limb's blur; the mottles average out over its area
        low, high = (int(np.clip(np.ceil(geometry.row(h)), 0, geometry.rows)) for h in (-18.0, -3.0))
        span_deg = geometry.columns * geometry.deg_per_column
        count = int(np.clip(round(span_deg), 3, geometry.columns))
        rim = Rim(slice(low, high if high - low >= 3 else low), count, sequence.full_scale)
        used = np.flatnonzero(lock.used)
        picked = used[spread_over(used.size, MANY)]

        def look(numbered: tuple[int, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
            strip = sample(numbered[1], numbered[0])
            return rim.cells(strip, float(lock.sky[numbered[0]])), blocks.means(strip)

        looked = list(map_ahead(look, sequence.frames(picked)))
        cells, means = (np.array(part) for part in zip(*looked, strict=True))
        rim = replace(rim, usual=usual_rim(cells))
        by_rim = [rim.clearness(one, means.shape[2]) for one in cells]
        given = np.nan_to_num(lock.transparency[picked], nan=1.0)
        firm = [i for i, one in enumerate(by_rim) if one is not None]
        first = [means[i] / by_rim[i] for i in firm] or list(means / given[:, None, None])
        evener = cls(lock, blocks, rim, usual_backdrop(blocks, first))
        if len(firm) < len(means):
            even = [evener._clear(c, m, t) for c, m, t in zip(by_rim, means, given, strict=True)]
            usual = usual_backdrop(blocks, [m / c for m, c in zip(means, even, strict=True)])
            evener = replace(evener, backdrop=usual)
        return evener

    def even(self, strip: np.ndarray, index: int) -> np.ndarray:
        """The strip (rows, columns) of frame `index` without backdrop, as bright as the usual strip."""
        cells = self.rim.cells(strip, float(self.lock.sky[index]))
        by_rim = self.rim.clearness(cells, strip.shape[1])
        means = self.blocks.means(strip) if by_rim is None else None
        clear = self._clear(by_rim, means, float(self.lock.transparency[index]))
        strip *= np.float32(1.0) / np.asarray(clear, np.float32)
        strip -= self.backdrop.fit(self.blocks.means(strip))
        return strip

    def _clear(self, by_rim: np.ndarray | None, means: np.ndarray | None, given: float) -> np.ndarray | float:
        """Brightness against the usual strip: by the rim, by the prominences, or as the lock has it."""
        if by_rim is not None or means is None:
            return np.nan_to_num(given, nan=1.0) if by_rim is None else by_rim
        high = self.blocks.halo[:, 0] > 0
        contrast = gain_by_contrast(means, self.backdrop.usual, self.backdrop.sigma, high)
        return contrast if np.isfinite(contrast) else float(np.nan_to_num(given, nan=1.0))


LEAST_SHARE = 0.3  # of the cells along the limb that must be known


@dataclass(frozen=True, slots=True, eq=False)
class Rim:
    """Where the disc's rim lies in the strips, and its usual brightness along the limb."""

    rows: slice
    count: int  # cells along the limb
    full_scale: float
    usual: np.ndarray | None = None  # (cells,) counts above the sky at usual transparency

    def cells(self, strip: np.ndarray, sky: float) -> np.ndarray:
        """(cells,) mean of the rim above the sky; nan where burnt out or not in view. `strip`: (rows,
        columns) as bright as the frame; `sky`: counts far off the limb in that frame."""
        rim = strip[self.rows]
        if not len(rim):
            return np.full(self.count, np.nan)
        light = cv2.resize(rim, (self.count, 1), interpolation=cv2.INTER_AREA)[0].astype(float)
        if (burnt := rim >= 0.98 * self.full_scale).any():
            share = cv2.resize(burnt.astype(np.float32), (self.count, 1), interpolation=cv2.INTER_AREA)
            light[share[0] > 0.02] = np.nan
        light -= sky
        return np.where(light > 0.0, light, np.nan)

    def clearness(self, cells: np.ndarray, columns: int) -> np.ndarray | None:
        """(columns,) brightness of a strip with these cells against the usual one, for that many columns;
        None where too little of the rim is known."""
        ratio = cells / self.usual if self.usual is not None else np.full(self.count, np.nan)
        known = np.isfinite(ratio)
        if known.mean() < LEAST_SHARE:
            return None
        weight, total = _blurred(known), _blurred(np.where(known, ratio, 0.0))
        smooth = np.where(weight > 0.05, total / np.maximum(weight, 0.05), np.median(ratio[known]))
        place = (np.arange(columns) + 0.5) / columns * len(smooth) - 0.5
        return np.interp(place, np.arange(len(smooth)), smooth).astype(np.float32)


def usual_rim(cells: np.ndarray) -> np.ndarray | None:
    """(cells,) usual brightness along the limb from that of several strips (n, cells), each relative to its
    own median, at the median level of those that show it; None where fewer than `LEAST_SHARE` of the
    cells are known."""
    enough = np.isfinite(cells).mean(axis=1) >= LEAST_SHARE
    if not enough.any():
        return None
    cells = cells[enough]
    level = np.nanmedian(cells, axis=1)
    known = np.isfinite(cells).any(axis=0)
    usual = np.full(cells.shape[1], np.nan)
    usual[known] = np.nanmedian((cells / level[:, None])[:, known], axis=0) * np.median(level)
    return usual if known.mean() >= LEAST_SHARE else None


def gain_by_contrast(means: np.ndarray, usual: np.ndarray, sigma: np.ndarray, high: np.ndarray) -> float:
    """Brightness of a strip's prominences against the usual strip's; nan where its 1-sigma error would exceed
    2 %.

    A robust slope of `means` against `usual` (bins, blocks), both less the median of their height, so that a
    change of the sky has no part in it; plasma that moves or fades is an outlier. `sigma`: (bins,) scatter of
    a usual block in time; `high`: (bins,) bool, clear of the limb.
    """
    shown = np.isfinite(means) & np.isfinite(usual)
    rows = high & (shown.sum(axis=1) >= 8)
    if not rows.any():
        return float("nan")
    one, other = (np.where(shown, values, np.nan)[rows] for values in (usual, means))
    x, y = (values - np.nanmedian(values, axis=1)[:, None] for values in (one, other))
    bright = np.isfinite(x) & (x > 5.0 * sigma[rows, None])
    if bright.sum() < 20:
        return float("nan")
    x, y = x[bright], y[bright]
    slope = weighted_median(y / x, x)  # the slope of least absolute deviations
    scatter = MAD * float(np.median(np.abs(y - slope * x)))
    err = 1.25 * scatter / float(np.sqrt(np.sum(x * x)))
    return slope if slope > 0 and err < 0.02 * slope else float("nan")


def _blurred(cells: np.ndarray) -> np.ndarray:
    """Smoothed by 1.5 cells of about a degree (1 sigma): the finest cloud followed is four times as wide."""
    return cv2.GaussianBlur(cells.astype(np.float32)[None], (0, 0), 1.5, borderType=cv2.BORDER_REFLECT)[0]
