"""What shines behind the prominences: sky and scattered light off the limb, the mean disc inside it.

Both change fast with height and slowly with angle, and are fitted to means over blocks of columns and bins of
rows in two steps, so that all strips agree on what is prominence and what is sky:

1. Once for the sequence, from its usual strip (the median in time of strips spread over it): at each height
   the lower edge of the brightness along the angle, as a polynomial of low order; what stands out
   is left out.
2. For each strip, what has changed against the usual strip, in which prominences that stand still cancel. A
   robust fit to all heights at once (constant in height and two scale heights, times polynomials in angle)
   finds what belongs to the air; a fit of each height to what the first one did not leave out refines it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.edge import MAD, TUKEY
from promtrack.limb.frame_limb import QUIET_SHARE
from promtrack.strip.records import StripGeometry

SHARP_MM = 8.0  # below this height the fringe of spicules allows no smoothing along height


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Blocks of columns and bins of rows of a geometry, and the smooth functions fitted to them."""

    block: int  # columns in a block
    bins: np.ndarray  # (b,) first row of each bin of rows
    basis: np.ndarray  # (terms, columns) polynomials in angle
    block_basis: np.ndarray  # (terms, blocks)
    off_limb: np.ndarray  # (b,) bool: outliers are bright there; on the disc they are dark as well
    halo: np.ndarray  # (b, 3) float32: how scattered light depends on height; 0 below `SHARP_MM`
    between: np.ndarray  # (rows, b) float32: linear interpolation from bins to rows

    def means(self, strip: np.ndarray) -> np.ndarray:
        """(bins, blocks) means of a strip (rows, columns); nan where nothing is shown."""
        rows, count = strip.shape[0], self.block_basis.shape[1]
        used = strip[:, : count * self.block]
        blocks = cv2.resize(used, (count, rows), interpolation=cv2.INTER_AREA)
        seen = np.isfinite(blocks)
        total = np.add.reduceat(np.where(seen, blocks, 0.0), self.bins, axis=0)
        number = np.add.reduceat(seen.astype(np.float32), self.bins, axis=0)
        return np.where(number > 0, total / np.maximum(number, 1.0), np.nan).astype(np.float32)

    def field(self, coefficients: np.ndarray) -> np.ndarray:
        """(rows, columns) float32 of the bins' coefficients (b, terms)."""
        return (self.between @ coefficients.astype(np.float32)) @ self.basis


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """The backdrop of a sequence, from which that of each strip is found."""

    blocks: Blocks
    usual: np.ndarray  # (b, blocks) float32 usual strip, nan where no strip shows it
    base: np.ndarray  # (b, terms) coefficients of the usual strip's backdrop
    sigma: np.ndarray  # (b,) usual scatter of a block in time

    def fit(self, means: np.ndarray) -> np.ndarray:
        """(rows, columns) backdrop of the strip with these block means; all nan where it shows too little.
        `means`: (b, blocks) of `Blocks.means`, at usual transparency."""
        return self.blocks.field(self.base + _filled(self.changes(means)))

    def changes(self, means: np.ndarray) -> np.ndarray:
        """(b, terms) coefficients of what sky and scattered light have changed against the usual strip; nan
        where too little is seen."""
        change = means - self.usual
        seen = np.isfinite(change)
        change = np.where(seen, change, np.float32(0.0))
        residual = change - self._of_the_air(change, seen)
        for _ in range(4):
            scale = np.maximum(MAD * row_quantile(np.abs(residual), seen, 0.5), self.sigma)
            weight = seen * _biweight(np.abs(residual) / scale[:, None])  # without prominences
            coefficients = _fitted(change, weight, self.blocks.block_basis)
            residual = change - coefficients @ self.blocks.block_basis
        coefficients[weight.sum(axis=1) < max(3.0, 0.1 * change.shape[1])] = np.nan
        return coefficients

    def _of_the_air(self, change: np.ndarray, seen: np.ndarray) -> np.ndarray:
        """(b, blocks) first guess of the change: one smooth function of height and angle off the limb, the
        median of each bin near it and on the disc."""
        start = np.repeat(row_quantile(change, seen, 0.5)[:, None], change.shape[1], axis=1)
        halo = self.blocks.halo
        high = np.flatnonzero((halo[:, 0] > 0) & (seen.sum(axis=1) >= 8))
        if len(high) < 2 * halo.shape[1]:
            return start
        picked = high[:: max(len(high) // 16, 1)]  # more bins would cost time for a smooth function
        sigma, shown = self.sigma[picked, None], seen[picked]
        wanted = change[picked] / sigma
        design = np.einsum("bh,tk->bkht", halo[picked] / sigma, self.blocks.block_basis)
        design = design.reshape(wanted.size, -1)
        tried = [_redescending(design, wanted, shown, row_quantile(wanted, shown, q)) for q in (0.2, 0.8)]
        solution = min(tried, key=lambda one: one[1])[0]
        whole = np.einsum("bh,ht->bt", halo[high], solution.reshape(halo.shape[1], -1))
        start[high] = whole @ self.blocks.block_basis
        return start


def _redescending(
    design: np.ndarray, wanted: np.ndarray, seen: np.ndarray, start: np.ndarray
) -> tuple[np.ndarray, float]:
    """Solution by Tukey's biweight whose scale shrinks from the scatter about `start` (b,) to 1.5 sigma, and
    its loss. A new prominence, or one that is gone, may cover nearly half of the blocks: so the fit begins
    once from a low level and once from a high one. From the median alone 22 % of the light of a prominence
    over 40 % of the limb was lost."""
    residual, shown, least = (wanted - start[:, None]).ravel(), seen.ravel(), 1.5
    damping = np.eye(design.shape[1], dtype=np.float32) * np.float32(1e-3 * np.mean(design[:, 0] ** 2))
    scale = max(MAD * float(np.median(np.abs(residual[shown]))), least)
    for _ in range(7):  # halves the scale each time
        weighted = design * (shown * _biweight(residual / np.float32(scale)))[:, None]
        solution = np.linalg.solve(weighted.T @ design + damping, weighted.T @ wanted.ravel())
        before, residual = residual, wanted.ravel() - design @ solution
        if scale == least and np.abs(residual - before).max() < 0.01:  # sigma of a block
            break
        scale = max(0.5 * scale, least)
    loss = 1.0 - np.power(np.maximum(1.0 - np.square(residual / (TUKEY * least)), 0.0), 3)
    return solution, float(loss[shown].mean())


def usual_backdrop(blocks: Blocks, samples: Iterable[np.ndarray]) -> Backdrop:
    """The backdrop of a sequence. `samples`: (bins, blocks) means of strips spread over the sequence, at
    usual transparency; one at least."""
    cube = np.stack(list(samples))
    shown = np.isfinite(cube).any(axis=0)
    even = cube
    for _ in range(3):  # the sky of each strip is taken out of the median that finds it
        usual = np.full(cube.shape[1:], np.nan, np.float32)
        usual[shown] = np.nanmedian(even[:, shown], axis=0)
        scatter = np.abs(even - usual)
        sigma = np.array([MAD * _median(scatter[:, b]) for b in range(len(usual))], np.float32)
        sigma = np.maximum(sigma, 1e-3 * max(_median(sigma), 1e-3))
        backdrop = Backdrop(blocks, usual, np.zeros((len(usual), len(blocks.block_basis))), sigma)
        even = np.stack([means - _filled(backdrop.changes(means)) @ blocks.block_basis for means in cube])
    base = _lower_edge(np.nan_to_num(usual), shown, blocks.block_basis, blocks.off_limb)
    return replace(backdrop, base=_filled(base))


def _median(values: np.ndarray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else 0.0


def plan_blocks(geometry: StripGeometry) -> Blocks:
    """Blocks, bins and polynomials for a geometry."""
    block = max(-(-geometry.columns // 96), 1)  # that many blocks at most
    count = max(geometry.columns // block, 1)
    span_deg = geometry.columns * geometry.deg_per_column
    terms = int(np.clip(1 + np.floor(span_deg / 25.0), 1, 6))  # the halo changes no faster
    u = np.linspace(-1.0, 1.0, geometry.columns)
    basis = np.polynomial.legendre.legvander(u, terms - 1).T
    block_basis = basis[:, : count * block].reshape(terms, count, block).mean(axis=2)
    # single rows up to 8 Mm, then bins of 2 Mm that widen to 5 Mm from 100 Mm on
    first = list(range(int(np.clip(np.ceil(geometry.row(SHARP_MM)), 1, geometry.rows))))
    row = first[-1] + 1
    while row < geometry.rows:
        first.append(row)
        # at the border of the row: the limb lies on a row, and a twentieth of whole rows may be just a half
        wide_mm = float(np.clip(0.05 * geometry.height_mm(row + 0.5), 2.0, 5.0))
        row += max(round(wide_mm / geometry.mm_per_row), 1)
    bins = np.array(first)
    centres = np.asarray(geometry.height_mm((bins + np.append(bins[1:], geometry.rows) - 1) / 2.0))
    rows_mm = geometry.height_mm(np.arange(geometry.rows))
    # scale heights in Mm between which those of scattered light lie
    halo = np.stack([np.ones_like(centres), *(np.exp(-centres / scale) for scale in (30.0, 120.0))], axis=1)
    halo[centres < SHARP_MM] = 0.0
    return Blocks(
        block=block,
        bins=bins,
        basis=basis.astype(np.float32),
        block_basis=block_basis.astype(np.float32),
        off_limb=centres > 0.0,
        halo=halo.astype(np.float32),
        between=np.stack(
            [np.interp(rows_mm, centres, one) for one in np.eye(len(centres))], axis=1, dtype=np.float32
        ),
    )


def _fitted(value: np.ndarray, weight: np.ndarray, basis: np.ndarray) -> np.ndarray:
    """(b, terms) weighted least squares of each bin; 0 where nothing has weight."""
    terms = len(basis)
    products = (basis[:, None, :] * basis[None, :, :]).reshape(terms * terms, -1).T
    normal = (weight @ products).reshape(-1, terms, terms)
    # damps higher terms where few blocks are left
    normal += np.diag(0.02 * np.arange(terms, dtype=np.float32))
    normal[:, 0, 0] += weight.sum(axis=1) == 0
    return np.linalg.solve(normal, ((weight * value) @ basis.T)[:, :, None])[:, :, 0]


def _filled(coefficients: np.ndarray) -> np.ndarray:
    """Bins whose coefficients are nan take those of the bins beside them; all stay nan if none is known."""
    known = np.isfinite(coefficients[:, 0])
    if known.all() or not known.any():
        return coefficients
    place = np.arange(len(known))
    return np.stack([np.interp(place, place[known], term[known]) for term in coefficients.T], axis=1)


def _biweight(sigmas: np.ndarray) -> np.ndarray:
    return np.square(np.maximum(1.0 - np.square(sigmas / np.float32(TUKEY)), np.float32(0.0)))


def _lower_edge(level: np.ndarray, seen: np.ndarray, basis: np.ndarray, off_limb: np.ndarray) -> np.ndarray:
    """(bins, terms) polynomial coefficients, prominences left out; nan where nothing is seen."""
    centre = row_quantile(level, seen, np.where(off_limb, QUIET_SHARE, 0.5))
    residual = level - centre[:, None]
    for turn in range(10):
        if turn < 4:
            # Hug the lower edge first, slope and all, or the brighter end of a slanting halo would pass for a
            # prominence.
            weight = seen * np.where((residual > 0) & off_limb[:, None], np.float32(0.02), np.float32(1.0))
        else:
            offset = row_quantile(residual, seen, QUIET_SHARE) * off_limb * (turn == 4)
            weight = _ordinary(residual - offset[:, None], seen, off_limb).astype(np.float32)
        coefficients = _fitted(level - centre[:, None], weight, basis)
        residual = level - centre[:, None] - coefficients @ basis
    coefficients[:, 0] += centre
    coefficients[weight.sum(axis=1) < 3] = np.nan
    return coefficients


def _ordinary(residual: np.ndarray, seen: np.ndarray, off_limb: np.ndarray) -> np.ndarray:
    """Blocks that belong to the backdrop: not far above it, nor (dust, filaments) far below."""
    below = seen & (residual < 0)
    # Blocks below the fit are free of prominences, so their scatter is the backdrop's.
    sigma = MAD * row_quantile(-residual, below, 0.5) + 1e-6
    upper = np.where(off_limb, 2.5, 4.0) * sigma
    kept = seen & (residual < upper[:, None]) & (residual > -4.0 * sigma[:, None])
    # A wide faint prominence can pass for a bend of the halo in one row; the rows beside it know better.
    agreed = cv2.blur(kept.astype(np.float32), (1, 7)) > 0.45  # (x, y)
    return np.where(off_limb[:, None], kept & agreed, kept)


def row_quantile(values: np.ndarray, seen: np.ndarray, share: np.ndarray | float) -> np.ndarray:
    """Quantile of the seen values of each row; 0 where none is seen."""
    ordered = np.sort(np.where(seen, values, np.inf), axis=1)
    place = np.maximum((seen.sum(axis=1) - 1) * share, 0).astype(int)
    picked = ordered[np.arange(len(ordered)), place]
    return np.where(np.isfinite(picked), picked, 0.0).astype(np.float32)
