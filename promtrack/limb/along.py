"""The shift of the limb zone against a running template, block by block along the limb.

A circle fixes the limb across itself; the position along it comes from what stands on and over the limb:
prominences, spicules and disc texture. Each block gives its own shift, so that a block with moving plasma
is outvoted, and each point of the zone counts only as far as it has stayed the same from frame to frame.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from promtrack.limb.edge import Grid, Zone

MEMORY = 40  # frames over which the template forgets
EDGE_ROWS_PX = 5.5  # the edge itself is left to the circle
LEAST_SCATTER = 1e-6  # counts squared


@dataclass(frozen=True, slots=True, eq=False)
class BlockShifts:
    """Shift of every block of the zone against the template."""

    block: np.ndarray  # (b,) number of the block
    theta_deg: np.ndarray  # (b,) its middle
    along_px: np.ndarray  # (b,) at the limb, towards larger angle
    along_err_px: np.ndarray  # from the residual of the block's own fit
    across_px: np.ndarray  # outward
    across_err_px: np.ndarray
    gain: np.ndarray  # brightness against the template
    misfit: np.ndarray  # rms residual relative to that usual for the block


class LimbTemplate:
    """Mean limb zone of the frames so far and its scatter, on the grid; an accumulator changed in place."""

    def __init__(self, grid: Grid, block_px: float):
        size = (len(grid.theta_deg), len(grid.offset_px))
        self.grid = grid
        self.pitch_px = float(grid.offset_px[1] - grid.offset_px[0])
        self.mean = np.zeros(size, np.float32)
        self.scatter = np.zeros(size, np.float32)  # running mean square residual
        self.count = np.zeros(size[0], np.float32)
        self.rays_per_block = max(8, round(block_px / grid.step_px))
        self.frames = 0
        self.least_scatter = LEAST_SCATTER  # what no point is surer than

    def unshifted(self, zone: Zone, error_px: float) -> BlockShifts:
        """The shifts of the frame that has become the template: none, to `error_px`."""
        _, number, _ = self._whole_blocks(zone.ray)
        none, error = np.zeros(len(number)), np.full(len(number), error_px)
        return BlockShifts(
            number,
            self._middle_deg(number),
            none,
            error,
            none,
            error,
            none + 1.0,
            np.full(len(number), np.nan),
        )

    def _middle_deg(self, block: np.ndarray) -> np.ndarray:
        return ((block + 0.5) * self.rays_per_block - 0.5) * self.grid.step_deg

    def coarse_shift(self, zone: Zone, most_px: float) -> float:
        """Shift along the limb in px: cross-correlation of what varies along the limb, summed over bands of
        height.

        Every stretch of limb has the same say, however bright: an eruption must not outshout the quiet rest.
        """
        ray = zone.ray[self.count[zone.ray] > 0]
        if len(ray) < 32:
            return 0.0
        first, count = int(ray[0]), len(self.count)
        reach = int(most_px / self.grid.step_px) + 1
        length = next_fast_len(int((ray[-1] - first) % count) + 1 + 2 * reach, real=True)
        here = self._laid_out(zone.value, (zone.ray - first) % count, length)
        there = self._laid_out(self.mean[ray], (ray - first) % count, length)
        spectrum = rfft(here, axis=1) * np.conj(rfft(there, axis=1))
        spectrum[:, :3] = 0  # vignetting and halo live in the lowest frequencies
        correlation = irfft(spectrum.sum(axis=0), n=length)
        window = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
        at = int(np.argmax(window))
        if at in (0, len(window) - 1):
            return 0.0
        left, middle, right = window[at - 1 : at + 2]
        return (
            at - reach + 0.5 * (left - right) / min(left + right - 2 * middle, -1e-12)
        ) * self.grid.step_px

    def _laid_out(self, values: np.ndarray, place: np.ndarray, length: int) -> np.ndarray:
        """(bands, length): bands of three heights without the edge's own, each stretch brought to the same
        strength."""
        inside = place < length
        bands = _bands(values[inside], np.abs(self.grid.offset_px) > EDGE_ROWS_PX)
        window = 2 * self.rays_per_block + 1
        bands = bands - cv2.blur(bands, (window, 1), borderType=cv2.BORDER_REFLECT)
        strength = cv2.blur(bands * bands, (window, 1), borderType=cv2.BORDER_REFLECT)
        floor = np.median(strength, axis=1, keepdims=True) + np.float32(1e-12)
        flat = np.zeros((len(bands), length), np.float32)
        flat[:, place[inside]] = bands / np.sqrt(strength + floor)
        return flat

    def block_shifts(self, zone: Zone, ceiling: float) -> BlockShifts:
        """Least-squares shift and gain of every block against the template.

        Zone = gain T - along dT/d(along) - across dT/d(across) + an offset for every height: what does not
        vary along the limb (halo, limb darkening, the edge itself) has no say, since it brightens and dims
        with the air. Each point weighs by its past scatter. `ceiling` is the count above which the camera is
        burnt out.
        """
        row, number, slot = self._whole_blocks(zone.ray)
        if not len(number):
            empty = np.zeros(0)
            return BlockShifts(empty.astype(int), *([empty] * 7))
        ray, heights, length = zone.ray[row], len(self.grid.offset_px), self.rays_per_block
        template, value = self.mean[ray], zone.value[row]
        used = zone.valid[row] & (template < ceiling) & (value < ceiling)
        used[:, np.abs(self.grid.offset_px) <= EDGE_ROWS_PX] = False
        weight = np.zeros((len(number) * length, heights), np.float32)
        weight[slot] = self.weight(ray) * used
        columns = np.zeros((4, len(number) * length, heights), np.float32)
        columns[0, slot] = template
        columns[1, slot] = (self.mean[(ray + 1) % len(self.mean)] - self.mean[ray - 1]) * np.float32(
            -0.5 / self.grid.step_px
        )
        columns[2, slot] = np.gradient(template, axis=1) * np.float32(-1 / self.pitch_px)
        columns[3, slot] = value
        return self._solve(
            columns.reshape(4, len(number), length, heights),
            weight.reshape(len(number), length, heights),
            number,
        )

    def _whole_blocks(self, ray: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Rows of a zone with a template on both sides that fill at least half a block, the numbers of those
        blocks, and the place of each row when the blocks, all equally long, stand one after the other."""
        count, length = self.count, self.rays_per_block
        seen = (count[ray] > 0) & (count[(ray + 1) % len(count)] > 0) & (count[ray - 1] > 0)
        number, size = np.unique(ray[seen] // length, return_counts=True)
        number = number[size >= length // 2]
        row = np.flatnonzero(seen & np.isin(ray // length, number))
        return row, number, np.searchsorted(number, ray[row] // length) * length + ray[row] % length

    def weight(self, ray: np.ndarray) -> np.ndarray:
        """(rays, heights) weight of the template's points, by their past scatter."""
        if self.frames < 4:
            return np.ones((len(ray), self.mean.shape[1]), np.float32)
        scatter = self.scatter[ray]
        young = self.count[ray] < 4
        if young.any() and not young.all():
            # limb that has just come into view has shown no scatter yet: take that of the same height
            # elsewhere
            scatter[young] = scatter[~young].mean(axis=0)
        floor = max(float(np.percentile(scatter[::4], 10)), self.least_scatter)
        return 1 / (scatter + np.float32(floor))

    def _solve(self, columns: np.ndarray, weight: np.ndarray, number: np.ndarray) -> BlockShifts:
        """Solve every block: `columns` is (4, blocks, rays, heights), the last one the values to be
        explained."""
        mean = np.einsum("cbrh,brh->cbh", columns, weight) / (weight.sum(axis=1) + np.float32(1e-20))
        columns -= mean[:, :, None, :]
        flat = columns.reshape(4, len(number), -1)
        weighted = flat * weight.reshape(len(number), -1)
        square = np.matmul(weighted.transpose(1, 0, 2), flat.transpose(1, 2, 0)).astype(float)
        normal, right = square[:, :3, :3], square[:, :3, 3]
        points, heights = (
            np.count_nonzero(weight, axis=(1, 2)),
            np.count_nonzero(np.abs(self.grid.offset_px) > EDGE_ROWS_PX),
        )
        unit = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), 1e-30))
        scaled = normal * unit[:, :, None] * unit[:, None, :] + 1e-6 * np.eye(3)
        inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
        solution = np.einsum("bij,bj->bi", inverse, right)
        residual = np.maximum(square[:, 3, 3] - (solution * right).sum(1), 0) / np.maximum(
            points - 3 - heights, 1
        )
        gain = solution[:, 0]
        safe = np.where(np.abs(gain) > 0.1, gain, np.nan)
        # neighbouring samples share the camera's noise through the interpolation: two to an independent one
        error = np.sqrt(2 * residual[:, None] * np.einsum("bii->bi", inverse)[:, 1:]) / np.abs(safe)[:, None]
        misfit = np.sqrt(residual) if self.frames >= 6 else np.full(len(number), np.nan)
        return BlockShifts(
            number,
            self._middle_deg(number),
            solution[:, 1] / safe,
            error[:, 0],
            solution[:, 2] / safe,
            error[:, 1],
            gain,
            misfit,
        )

    def brightness(self, zone: Zone, ceiling: float) -> float:
        """Light of a zone against the template's: the usual ratio of their sums along the rays.

        Not the blocks' own gain, which falls as the prominences change.
        """
        ray = self.count[zone.ray] > 0
        value, template = zone.value[ray][::2], self.mean[zone.ray[ray]][::2]
        fit = zone.valid[ray][::2] & (value < ceiling) & (template < ceiling)
        below = (template * fit).sum(axis=1)
        known = below > 0
        return float(np.median((value * fit).sum(axis=1)[known] / below[known])) if known.any() else 1.0

    def add(self, zone: Zone, gain: float, along_px: np.ndarray, across_px: np.ndarray) -> None:
        """Take a zone, moved by what is left of its shift on each ray, into the mean and its residual into
        the scatter."""
        ray = zone.ray
        value = zone.value
        if np.any(along_px) or np.any(across_px):
            slope_along = np.empty_like(value)
            slope_along[1:-1] = value[2:] - value[:-2]
            slope_along[0], slope_along[-1] = 0, 0
            value = value + slope_along * (along_px * (0.5 / self.grid.step_px)).astype(np.float32)[:, None]
            value += np.gradient(zone.value, axis=1) * (across_px / self.pitch_px).astype(np.float32)[:, None]
        value = value * np.float32(1 / gain)
        first = (self.count[ray] == 0)[:, None]
        self.count[ray] = np.minimum(self.count[ray] + 1, MEMORY)
        part = (1 / self.count[ray])[:, None]
        old = self.mean[ray]
        change = np.where(zone.valid | first, value - old, 0)
        if self.frames > 0:
            past = self.scatter[ray]
            self.scatter[ray] = past + np.where(first, 0, part * (change**2 - past))
        self.mean[ray] = old + part * change
        self.frames += 1


def _bands(values: np.ndarray, heights: np.ndarray) -> np.ndarray:
    """Means over bands of three of the chosen heights, one row a band."""
    count = int(heights.sum()) // 3 * 3
    chosen = np.flatnonzero(heights)[:count].reshape(-1, 3)
    return np.ascontiguousarray(
        (values[:, chosen[:, 0]] + values[:, chosen[:, 1]] + values[:, chosen[:, 2]]).T
    )
