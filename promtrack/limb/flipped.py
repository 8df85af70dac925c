"""Frames turned by 180 degrees, as many mounts leave them beyond the meridian: found and turned back. Mirror
images of other frames are refused.

The limb zone of a frame, laid out about its own limb, is compared with that of another frame as it is and
turned by half a circle. Only one that agrees clearly better when turned counts: a Sun that drifts from one
side of the picture to the other agrees with neither. Only where a few frames differ is the change sought.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.limb.edge import SmallFrame
from promtrack.limb.find import find_limb
from promtrack.limb.records import LimbLock, Place, place_of
from promtrack.sequence.records import FEW, Sequence, SolarHeader, spread_over

THETA_DEG = np.arange(0.0, 360.0, 0.5)
RADII = np.linspace(0.75, 1.10, 60)  # of the zone, in radii of the limb
# Correlation of zones that show the same limb, and by how much one must beat the other: on scenes of arcs and
# whole discs, minutes apart, the same limb gives 0.4 to 0.7, another one or the wrong turn 0.0 to 0.1.
ALIKE = 0.25


@dataclass(slots=True)
class _Zones:
    """Limb zones of frames, made when asked for."""

    sequence: Sequence
    lock: LimbLock | None = None  # where the Sun stands, if that is known already
    radius_px: float | None = None

    def of(self, index: int) -> np.ndarray | None:
        """(radii, angles) brightness about the mean of its distance, nan outside the frame; None: no limb."""
        try:
            frame = self.sequence.frame(index)
            place = self._place(index, frame)
        except InputError:
            return None
        theta = np.radians(THETA_DEG + place.turn_deg)
        size = max(place.radius_px * np.radians(THETA_DEG[1]), 1.0)  # frame px that a step of angle spans
        columns, rows = (max(round(side / size), 1) for side in frame.shape[::-1])
        small = cv2.resize(frame.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)
        rho = place.radius_px * RADII[:, None]
        x, y = (
            ((centre - rho * turn + 0.5) * part / whole - 0.5).astype(np.float32)
            for centre, turn, part, whole in (
                (place.x_px, np.sin(theta), columns, frame.shape[1]),
                (place.y_px, np.cos(theta), rows, frame.shape[0]),
            )
        )
        zone = cv2.remap(small, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan)
        seen = np.isfinite(zone)
        count = np.maximum(seen.sum(axis=1, keepdims=True), 1)
        level = np.nansum(zone, axis=1, keepdims=True) / count
        zone = zone - level
        spread = np.sqrt(np.nansum(zone**2, axis=1, keepdims=True) / count)
        return zone / np.maximum(spread, 1e-6 * np.abs(level) + 1e-12)  # above what sums are rounded to

    def _place(self, index: int, frame: np.ndarray) -> Place:
        if self.lock is not None:
            return place_of(self.lock, index)
        place = find_limb(SmallFrame(frame, self.sequence.full_scale), radius_px=self.radius_px)
        self.radius_px = self.radius_px or place.radius_px
        return place


def turned_back(sequence: Sequence) -> Sequence:
    """The sequence with all frames in the orientation of the first one, and a note where some were turned.
    Raises InputError: some frames are mirror images of others."""
    zones = _Zones(sequence)
    count = len(sequence)
    turned = np.zeros(count, bool)
    picks = spread_over(count, FEW - 1)  # an even number:
    # even and odd ones in turn, should every second frame be turned
    picks = np.minimum(picks // 2 * 2 + np.arange(len(picks)) % 2, count - 1)
    found = [(int(i), zone) for i in np.unique(picks) if (zone := zones.of(int(i))) is not None]
    changes = []
    for (before, zone), (index, other) in pairwise(found):
        if _is_mirrored(zone, other):
            what = f"is a mirror image of {sequence.names[before]}"
            remedy = "mirror one part of the frames, or put the two parts into folders of their own"
            raise InputError(what, where=sequence.names[index], remedy=remedy)
        changed = _is_turned(zone, other)
        turned[index] = turned[before] ^ changed
        if changed:
            changes.append((before, index))
    if not changes:
        return sequence
    if len(changes) == 1:
        before, after = changes[0]
        between = np.arange(before, after + 1)
        turned[_change(zones, between, lambda a, b: not _is_turned(a, b))[1] :] = True
    else:
        last, state = found[0][1], False
        for index in range(count):
            zone = zones.of(index)
            if zone is not None:
                state ^= _is_turned(last, zone)
                last = zone
            turned[index] = state
    return _with_turned(sequence, turned)


def another_limb(sequence: Sequence, lock: LimbLock) -> str:
    """One sentence where the limb changes from one used frame to the next as no Sun does; else ''."""
    zones, index = _Zones(sequence, lock), np.flatnonzero(lock.used)
    unlike = 0.1  # correlation of two zones that have nothing in common
    picks = index[spread_over(len(index), FEW)]
    found = [(int(i), zone) for i in picks if (zone := zones.of(int(i))) is not None]
    for (before, zone), (after, other) in pairwise(found):
        if _alike(zone, other) >= unlike:
            continue
        between = index[(index >= before) & (index <= after)]
        one, two = _change(zones, between, lambda a, b: _alike(a, b) >= unlike)
        first, second = zones.of(one), zones.of(two)
        gap_s = float(sequence.time_s[two] - sequence.time_s[one])
        # after an hour the limb is not known again
        if first is None or second is None or gap_s > 3600.0:
            continue
        if _alike(first, second) < unlike:
            return (
                f"{sequence.names[two]} shows another limb than {sequence.names[one]}: two recordings in one "
                "folder, or the telescope was moved; measure them apart."
            )
    return ""


def _change(
    zones: _Zones, index: np.ndarray, same: Callable[[np.ndarray, np.ndarray], bool]
) -> tuple[int, int]:
    """Neighbouring frames of `index` between which the zone changes, as from the first to the last."""
    low, high, zone = 0, len(index) - 1, zones.of(int(index[0]))
    while high - low > 1:
        middle = (low + high) // 2
        other = zones.of(int(index[middle]))
        if zone is None or other is None or same(zone, other):
            low, zone = middle, zone if other is None else other
        else:
            high = middle
    return int(index[low]), int(index[high])


def _is_turned(one: np.ndarray, other: np.ndarray) -> bool:
    half = one.shape[1] // 2
    turned = _alike(one, np.roll(other, half, axis=1))
    return turned > ALIKE and turned > _alike(one, other) + ALIKE


def _is_mirrored(one: np.ndarray, other: np.ndarray) -> bool:
    """Whether the zones agree only once one of them is reversed, as it is or turned by half a circle.
    Compared without what changes slowly along the limb, which a passing cloud mirrors by itself; beyond a
    burnt-out disc it is the prominences that are compared."""
    if burnt := _is_burnt(one) or _is_burnt(other):
        one, other = (np.where(RADII[:, None] > 1.015, zone, np.nan) for zone in (one, other))  # not the edge
    if _alike(one, other) > ALIKE:
        return False
    if not burnt:
        one, other = _fine(one), _fine(other)
    image = np.roll(other[:, ::-1], 1, axis=1)  # angle 0 stays where it is
    mirrored = max(_alike(one, np.roll(image, by, axis=1)) for by in (0, one.shape[1] // 2))
    return mirrored > _alike(one, other) + ALIKE


def _is_burnt(zone: np.ndarray) -> bool:
    """Whether most of a disc holds one value; of light as it is, the median is two thirds of its scatter."""
    inside = zone[RADII < 0.985]
    inside = inside[np.isfinite(inside)]
    return bool(len(inside)) and np.median(np.abs(inside)) < 0.1


def _fine(zone: np.ndarray) -> np.ndarray:
    """The zone less its mean over some degrees along the limb."""
    seen = np.isfinite(zone)
    # sigma in steps: what is wider along the limb does not show a mirror image
    wide = [
        cv2.GaussianBlur(part.astype(np.float32), (0, 0), sigmaX=6.0, sigmaY=0.1)
        for part in (np.where(seen, zone, 0.0), seen)
    ]
    return np.where(seen, zone - wide[0] / np.maximum(wide[1], 1e-6), np.nan)


def _alike(one: np.ndarray, other: np.ndarray) -> float:
    """Correlation of two zones, the best of small shifts along the limb; 0 where they share too little."""
    best = 0.0
    for shift in range(-8, 9):  # 4 degrees: so much a short arc leaves the place along the limb open
        moved = np.roll(other, shift, axis=1)
        common = np.isfinite(one) & np.isfinite(moved)
        if common.sum() >= 300:  # 4 degrees of the whole zone
            a, b = one[common], moved[common]
            best = max(best, float(a @ b / np.sqrt((a @ a) * (b @ b) + 1e-9)))
    return best


def _with_turned(sequence: Sequence, turned: np.ndarray) -> Sequence:
    read, (rows, columns) = sequence.read, sequence.shape

    def upright(index: int) -> np.ndarray:
        frame = read(index)
        return np.ascontiguousarray(frame[::-1, ::-1]) if turned[index] else frame

    def about(header: SolarHeader | None) -> SolarHeader | None:
        if header is None:
            return None
        return replace(
            header,
            centre_x_px=columns - 1 - header.centre_x_px,
            centre_y_px=rows - 1 - header.centre_y_px,
            north_deg=(header.north_deg + 180.0) % 360.0,
        )

    headers = tuple(about(h) if t else h for h, t in zip(sequence.headers, turned, strict=False))
    first = sequence.names[int(np.flatnonzero(turned)[0])]
    note = (
        f"{int(turned.sum())} of {len(turned)} frames, the first is {first}, stand turned by 180 degrees "
        "against the first frame (a mount that passed the meridian): turned back; their centres are those of "
        "the frames turned back"
    )
    return replace(sequence, read=upright, headers=headers, turned=turned, notes=(*sequence.notes, note))
