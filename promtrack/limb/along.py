"""The shift of the limb zone against a running template, block by block along the limb.

A circle fixes the limb across itself; the position along it comes from what stands on and over the limb:
prominences, spicules and disc texture. Each block gives its own shift, so that a block with moving plasma
is outvoted, and each point of the zone counts only as far as it has stayed the same from frame to frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from promtrack.limb.edge import Grid, Zone

MEMORY = 40   # frames over which the template forgets


@dataclass(frozen=True, slots=True, eq=False)
class BlockShifts:
    """Shift of every block of the zone against the template."""

    block: np.ndarray         # (b,) number of the block
    theta_deg: np.ndarray     # (b,) its middle
    along_px: np.ndarray      # (b,) at the limb, towards larger angle
    along_err_px: np.ndarray  # from the residual of the block's own fit
    across_px: np.ndarray     # outward
    across_err_px: np.ndarray
    gain: np.ndarray          # brightness against the template
    misfit: np.ndarray        # rms residual relative to that usual for the block


class LimbTemplate:
    """Mean limb zone of the frames so far and its scatter, on the grid; an accumulator changed in place."""

    def __init__(self, grid: Grid, block_px: float):
        size = (len(grid.theta_deg), len(grid.offset_px))
        self.grid = grid
        self.mean = np.zeros(size, np.float32)
        self.scatter = np.zeros(size, np.float32)   # running mean square residual
        self.count = np.zeros(size[0], np.float32)
        self.rays_per_block = max(8, round(block_px / grid.step_px))
        self.frames = 0

    def coarse_shift(self, zone: Zone, most_px: float) -> tuple[float, float]:
        """Shift along the limb in px and the height of the correlation peak (0 to 1).

        Plain cross-correlation of what varies along the limb, summed over the heights.
        """
        ray = zone.ray[self.count[zone.ray] > 0]
        if len(ray) < 32:
            return 0.0, 0.0
        first, last = int(ray[0]), int(ray[-1])
        length = next_fast_len(last - first + 1 + int(2 * most_px / self.grid.step_px) + 8, real=True)
        here, there = (self._laid_out(values, rays, first, length) for values, rays in (
            (zone.value, zone.ray), (self.mean[ray], ray)))
        # only a wide prominence would survive the lowest frequencies, and vignetting and halo live there
        spectrum = rfft(here, axis=0) * np.conj(rfft(there, axis=0))
        spectrum[:3] = 0
        correlation = irfft(spectrum.sum(axis=1), n=length)
        reach = int(most_px / self.grid.step_px) + 1
        window = np.concatenate([correlation[-reach:], correlation[:reach + 1]])
        at = int(np.argmax(window))
        norm = np.sqrt((here.astype(float)**2).sum() * (there.astype(float)**2).sum()) + 1e-12
        if at in (0, len(window) - 1):
            return 0.0, 0.0
        left, middle, right = window[at - 1:at + 2]
        shift = at - reach + 0.5 * (left - right) / min(left + right - 2 * middle, -1e-12)
        return shift * self.grid.step_px, float(middle / norm)

    def _laid_out(self, values: np.ndarray, rays: np.ndarray, first: int, length: int) -> np.ndarray:
        inside = (rays >= first) & (rays - first < length)
        flat = np.zeros((length, values.shape[1]), np.float32)
        # each height weighs by its own noise: the disc is bright and grainy, the prominences are faint
        part = values[inside] - values[inside].mean(axis=0)
        scale = np.sqrt(np.maximum(self.scatter[rays[inside]].mean(axis=0), 1e-12)) if self.frames > 3 else part.std(axis=0)
        flat[rays[inside] - first] = part / (scale + 1e-6)
        return flat

    def block_shifts(self, zone: Zone, ceiling: float) -> BlockShifts:
        """Least-squares shift, gain and offset of every block against the template.

        Zone = gain T + offset - along dT/d(along) - across dT/d(across); each point weighs by its past scatter.
        `ceiling` is the count above which the camera is burnt out: there nothing can be seen.
        """
        known = self.count[zone.ray] > 0
        ray, value = zone.ray[known], zone.value[known]
        template = self.mean[ray]
        d_along = (self.mean[(ray + 1) % len(self.mean)] - self.mean[ray - 1]) * np.float32(0.5 / self.grid.step_px)
        beside = (self.count[(ray + 1) % len(self.mean)] > 0) & (self.count[ray - 1] > 0)
        d_across = np.gradient(template, axis=1).astype(np.float32)
        weight = self._weight(ray) * zone.valid[known] * beside[:, None] * ((template < ceiling) & (value < ceiling))
        block = ray // self.rays_per_block
        starts = np.nonzero(np.diff(block, prepend=-1))[0]
        return self._solve(value, template, d_along, d_across, weight, block, starts)

    def _weight(self, ray: np.ndarray) -> np.ndarray:
        if self.frames < 3:
            return np.ones((len(ray), self.mean.shape[1]), np.float32)
        scatter = self.scatter[ray]
        floor = max(float(np.percentile(scatter, 10)), 1e-6)
        return 1 / (scatter + np.float32(floor))

    def _solve(self, value: np.ndarray, template: np.ndarray, d_along: np.ndarray, d_across: np.ndarray,
               weight: np.ndarray, block: np.ndarray, starts: np.ndarray) -> BlockShifts:
        if not len(starts):
            empty = np.zeros(0)
            return BlockShifts(empty.astype(int), *([empty] * 7))
        basis = (template, np.ones_like(template), -d_along, -d_across)
        weighted = [weight * b for b in basis]

        def total(product_of: np.ndarray, other: np.ndarray) -> np.ndarray:
            return np.add.reduceat(np.einsum("ij,ij->i", product_of, other).astype(float), starts)

        normal = np.empty((len(starts), 4, 4))
        right = np.empty((len(starts), 4))
        for i in range(4):
            right[:, i] = total(weighted[i], value)
            for j in range(i, 4):
                normal[:, i, j] = normal[:, j, i] = total(weighted[i], basis[j])
        square = total(weight * value, value)
        points = np.add.reduceat((weight > 0).sum(axis=1), starts)
        unit = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), 1e-30))
        scaled = normal * unit[:, :, None] * unit[:, None, :] + 1e-9 * np.eye(4)
        inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
        solution = np.einsum("bij,bj->bi", inverse, right)
        residual = np.maximum(square - (solution * right).sum(1), 0) / np.maximum(points - 4, 1)
        # neighbouring samples share the camera's noise through the interpolation: two to an independent one
        gain = solution[:, 0]
        safe = np.where(np.abs(gain) > 0.05, gain, np.nan)
        error = np.sqrt(2 * residual[:, None] * np.einsum("bii->bi", inverse)[:, 2:]) / np.abs(safe)[:, None]
        number = block[starts]
        theta = (number + 0.5) * self.rays_per_block * self.grid.step_deg
        return BlockShifts(number, theta, solution[:, 2] / safe, error[:, 0], solution[:, 3] / safe, error[:, 1],
                           gain, np.sqrt(residual))

    def add(self, zone: Zone, gain: float) -> None:
        """Take an aligned zone into the mean and its residual into the scatter."""
        ray = zone.ray
        value = zone.value / np.float32(gain)
        self.count[ray] = np.minimum(self.count[ray] + 1, MEMORY)
        part = (1 / self.count[ray])[:, None]
        change = np.where(zone.valid | (self.count[ray] == 1)[:, None], value - self.mean[ray], 0)
        if self.frames > 0:
            old = (self.count[ray] > 1)[:, None]
            self.scatter[ray] += np.where(old, part * (change**2 - self.scatter[ray]), 0)
        self.mean[ray] += part * change
        self.frames += 1
