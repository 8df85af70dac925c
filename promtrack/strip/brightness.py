"""Strips as bright as the usual one, without backdrop: found once for a sequence, applied to each strip.

The usual strip is the median in time of frames spread over the sequence. Those that show the disc's rim
unburnt set its level; the others are brought to it by the contrast of their prominences.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence
from promtrack.strip.records import StripGeometry
from promtrack.strip.sky_background import Backdrop, Blocks, plan_blocks, usual_backdrop
from promtrack.strip.transparency import Rim, gain_by_contrast, rim_of, usual_rim
from promtrack.workers import map_ahead

__all__ = ["Evener"]


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
        """The usual strip of a sequence, from up to 24 of its frames.

        Parameters
        ----------
        sample : gives the strip (rows, columns) of a frame and its index, as bright as the frame

        Raises
        ------
        InputError : a frame cannot be read
        """
        blocks, rim = plan_blocks(geometry), rim_of(geometry, sequence.full_scale)
        used = np.flatnonzero(lock.used)
        picked = used[np.unique(np.linspace(0, used.size - 1, min(used.size, 24)).astype(int))]

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
