"""What shines behind the prominences: sky and scattered light off the limb, the mean disc inside it, for one
strip.

Both change fast with height and slowly with angle. At each height a low-order polynomial in angle is fitted
to the strip averaged over blocks of columns; blocks that stand out above it (prominences) are left out, and
the fit repeats. Off the limb the coefficients are then smoothed along height, the more the farther out.
Nothing is kept from one strip to the next, so a strip's backdrop does not depend on what came before it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.strip.records import StripGeometry

__all__ = ["Backdrop", "plan_backdrop"]

BLOCKS = 96  # blocks of columns, at most
DEG_PER_TERM = 25.0  # the halo changes no faster with angle than polynomials of this reach follow
MOST_TERMS = 6
START_QUANTILE = 0.35  # at most about half of the limb may be covered by prominences at any height
HUGGING, ROUNDS = 4, 6  # rounds that hug the lower edge, and rounds that leave prominences out
HUG_ABOVE = np.float32(0.02)  # weight of what lies above the lower edge
ABOVE_SIGMA, BELOW_SIGMA = 2.5, 4.0
SHARP_MM = 8.0  # below this height the fringe of spicules allows no smoothing along height
WIDEST_MM = 12.0  # half-width of the smoothing far out


@dataclass(frozen=True, slots=True, eq=False)
class Backdrop:
    """What a backdrop fit needs that is the same for all strips of one geometry."""

    block: int  # columns in a block
    bins: np.ndarray  # (b,) first row of each bin of rows
    basis: np.ndarray  # (terms, columns) polynomials in angle
    block_basis: np.ndarray  # (terms, blocks)
    off_limb: np.ndarray  # (b,) bool: outliers are bright there; on the disc they are dark as well
    smoother: np.ndarray  # (rows, b) float32: coefficients of the bins to coefficients of the rows

    def fit(self, strip: np.ndarray) -> np.ndarray:
        """(rows, columns) backdrop of a strip; all nan where the strip shows too little for any.

        Parameters
        ----------
        strip : (rows, columns) float32, nan where the frame shows nothing
        """
        level, seen = self._blocks(strip)
        coefficients = _fit_rows(level, seen, self.block_basis, self.off_limb)
        return _spread(self.smoother, coefficients) @ self.basis

    def _blocks(self, strip: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean of each bin of rows x block of columns, and its share of pixels seen."""
        rows, count = strip.shape[0], self.block_basis.shape[1]
        used = strip[:, : count * self.block]
        blocks = cv2.resize(used, (count, rows), interpolation=cv2.INTER_AREA)
        seen = np.isfinite(blocks)
        total = np.add.reduceat(np.where(seen, blocks, 0.0), self.bins, axis=0)
        number = np.add.reduceat(seen.astype(np.float32), self.bins, axis=0)
        return total / np.maximum(number, 1.0), number > 0


def plan_backdrop(geometry: StripGeometry) -> Backdrop:
    """Blocks, bins, polynomials and smoothing for a geometry."""
    block = max(-(-geometry.columns // BLOCKS), 1)
    count = max(geometry.columns // block, 1)
    span_deg = geometry.columns * geometry.deg_per_column
    terms = int(np.clip(1 + np.floor(span_deg / DEG_PER_TERM), 1, MOST_TERMS))
    u = np.linspace(-1.0, 1.0, geometry.columns)
    basis = np.polynomial.legendre.legvander(u, terms - 1).T
    block_basis = basis[:, : count * block].reshape(terms, count, block).mean(axis=2)
    bins = _bins(geometry)
    centres = np.asarray(geometry.height_mm((bins + np.append(bins[1:], geometry.rows) - 1) / 2.0))
    smoother = _smoother(np.asarray(geometry.height_mm(np.arange(geometry.rows))), centres)
    return Backdrop(
        block, bins, basis.astype(np.float32), block_basis.astype(np.float32), centres > 0.0, smoother
    )


def _bins(geometry: StripGeometry) -> np.ndarray:
    """First row of each bin: single rows up to 8 Mm, then bins of 2 Mm that widen to 5 Mm from 100 Mm on."""
    bins = list(range(int(np.clip(np.ceil(geometry.row(SHARP_MM)), 1, geometry.rows))))
    row = bins[-1] + 1
    while row < geometry.rows:
        bins.append(row)
        wide_mm = float(np.clip(0.05 * geometry.height_mm(row), 2.0, 5.0))
        row += max(round(wide_mm / geometry.mm_per_row), 1)
    return np.array(bins)


def _smoother(heights: np.ndarray, centres: np.ndarray) -> np.ndarray:
    """Local quadratic regression along height, whose window widens from none at 8 Mm to 12 Mm either side."""
    weights = np.zeros((len(heights), len(centres)), np.float32)
    for row, height in enumerate(heights):
        reach = min((height - SHARP_MM) * 0.75, WIDEST_MM)
        near = np.flatnonzero(np.abs(centres - height) < reach) if reach > 0 else np.array([], int)
        if len(near) < 4:
            weights[row] = _linear(height, centres)
            continue
        d = (centres[near] - height) / reach
        root = np.sqrt((1.0 - np.abs(d) ** 3) ** 3)
        weights[row, near] = np.linalg.pinv(np.vander(d, 3, increasing=True) * root[:, None])[0] * root
    return weights


def _linear(height: float, centres: np.ndarray) -> np.ndarray:
    """Weights of linear interpolation between the bins, nearest beyond the ends."""
    weights = np.zeros(len(centres), np.float32)
    upper = int(np.clip(np.searchsorted(centres, height), 1, len(centres) - 1))
    share = np.clip((height - centres[upper - 1]) / (centres[upper] - centres[upper - 1]), 0.0, 1.0)
    weights[upper - 1], weights[upper] = 1.0 - share, share
    return weights


def _fit_rows(level: np.ndarray, seen: np.ndarray, basis: np.ndarray, off_limb: np.ndarray) -> np.ndarray:
    """(bins, terms) polynomial coefficients, prominences left out; nan where nothing is seen."""
    terms = len(basis)
    products = (basis[:, None, :] * basis[None, :, :]).reshape(terms * terms, -1).T
    damping = np.diag(0.02 * np.arange(terms, dtype=np.float32))  # of higher terms where few blocks are left
    centre = _quantile(level, seen, np.where(off_limb, START_QUANTILE, 0.5))
    residual = level - centre[:, None]
    for turn in range(HUGGING + ROUNDS):
        if turn < HUGGING:
            # Hug the lower edge first, slope and all, or the brighter end of a slanting halo would pass for a
            # prominence.
            weight = seen * np.where((residual > 0) & off_limb[:, None], HUG_ABOVE, np.float32(1.0))
        else:
            offset = (
                _quantile(residual, seen, START_QUANTILE) * off_limb
                if turn == HUGGING
                else np.zeros_like(centre)
            )
            weight = _ordinary(residual - offset[:, None], seen, off_limb).astype(np.float32)
        number = weight.sum(axis=1)
        normal = (weight @ products).reshape(-1, terms, terms) + damping
        right = (weight * (level - centre[:, None])) @ basis.T
        normal[:, 0, 0] += number == 0
        coefficients = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
        residual = level - centre[:, None] - coefficients @ basis
    coefficients[:, 0] += centre
    coefficients[number < 3] = np.nan
    return coefficients


def _ordinary(residual: np.ndarray, seen: np.ndarray, off_limb: np.ndarray) -> np.ndarray:
    """Blocks that belong to the backdrop: not far above it, nor (dust, filaments) far below."""
    below = seen & (residual < 0)
    # Blocks below the fit are free of prominences, so they tell the scatter.
    sigma = 1.4826 * _quantile(-residual, below, 0.5) + 1e-6
    upper = np.where(off_limb, ABOVE_SIGMA, BELOW_SIGMA) * sigma
    kept = seen & (residual < upper[:, None]) & (residual > -BELOW_SIGMA * sigma[:, None])
    # A wide faint prominence can pass for a bend of the halo in one row; the rows beside it know better.
    agreed = cv2.blur(kept.astype(np.float32), (1, 7)) > 0.45  # (x, y)
    return np.where(off_limb[:, None], kept & agreed, kept)


def _quantile(values: np.ndarray, seen: np.ndarray, share: np.ndarray | float) -> np.ndarray:
    """Quantile of the seen values of each row; 0 where none is seen."""
    ordered = np.sort(np.where(seen, values, np.inf), axis=1)
    place = np.maximum((seen.sum(axis=1) - 1) * share, 0).astype(int)
    picked = ordered[np.arange(len(ordered)), place]
    return np.where(np.isfinite(picked), picked, 0.0).astype(np.float32)


def _spread(smoother: np.ndarray, coefficients: np.ndarray) -> np.ndarray:
    """Coefficients of all rows; bins where too little is seen take those of the bins beside them."""
    known = np.isfinite(coefficients[:, 0])
    if not known.any():
        return np.full((len(smoother), coefficients.shape[1]), np.nan, np.float32)
    if not known.all():
        place = np.arange(len(known))
        coefficients = np.stack(
            [np.interp(place, place[known], term[known]) for term in coefficients.T], axis=1
        )
    return smoother @ coefficients.astype(np.float32)
