"""What leaves the limb room: where the Sun stands in each frame and how far that can be trusted; and the
geometry of a frame, both ways.

A point at image angle theta (degrees counter-clockwise from image up, in the orientation of the reference
frame) and distance rho from the Sun's centre lies at
    x = centre_x - rho sin(theta + turn),   y = centre_y - rho cos(theta + turn)
in that frame. Refraction presses the disc together along the direction of the zenith by 1 - flattening; rho
counts in px of the direction that it leaves alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from promtrack.checks import Check

Sizes = TypeVar("Sizes", float, np.ndarray)

# Reason of frames that are sound, but not of the exposure that shows the prominence best.
OTHER_EXPOSURE = "the other exposure: its disc is shown, its prominence is not measured"


@dataclass(frozen=True, slots=True, eq=False)
class LimbLock:
    """The Sun's place in every frame of a sequence (arrays have one value a frame)."""

    names: tuple[str, ...]
    used: np.ndarray  # bool
    reason: tuple[str, ...]  # '' where used, else one short reason
    centre_x_px: np.ndarray  # with the common radius
    centre_y_px: np.ndarray
    centre_err_px: np.ndarray  # 1 sigma, across the limb
    along_err_px: np.ndarray  # 1 sigma, along the limb at the limb
    # 1 sigma, systematic: slow drift of the centre against the frames' mean
    refraction_drift_err_px: np.ndarray
    # from flattening that is not modelled; heights above the limb have no part in it
    angle_deg: np.ndarray  # turn about the Sun's centre relative to the reference frame, counter-clockwise
    angle_err_deg: np.ndarray
    frame_radius_px: np.ndarray  # radius fitted to the frame alone
    frame_radius_err_px: np.ndarray
    limb_arc_deg: np.ndarray
    limb_rms_px: np.ndarray
    sharpness: np.ndarray  # limb gradient relative to the sequence's median; 1 = usual
    transparency: np.ndarray  # of the disc's light, 1 = usual; nan where the disc is burnt out
    sky: np.ndarray  # counts, far off the limb
    saturated_fraction: np.ndarray  # of the frame's pixels
    flattening: np.ndarray  # 1 - vertical / horizontal diameter, from refraction; 0 where unknown
    zenith_deg: np.ndarray  # image angle of the zenith; nan where unknown
    radius_px: float  # common radius
    radius_err_px: float
    own_radius_px: float  # of the limb alone, before anything stated is joined in; that is checked against it
    own_radius_err_px: float
    from_deg: float  # visible limb in the reference frame, image angles, from < to
    to_deg: float
    reference: int  # index of the reference frame
    limb_points_px: np.ndarray  # (m, 2) x, y: limb points kept in the reference frame
    rejected_points_px: np.ndarray  # (k, 2) limb points rejected there
    shape: tuple[int, int]  # rows, columns of a frame
    edge_bias_px: float  # stated bias of the edge by saturation; 0 when not saturated
    notes: tuple[str, ...]  # plain sentences: what could not be told apart, limits, warnings
    checks: tuple[Check, ...] = ()  # of lock and scale, by what is not the fit itself

    @property
    def rejected(self) -> np.ndarray:
        """(n,) bool, frames left out because something is wrong with them."""
        return ~self.used & np.array([reason != OTHER_EXPOSURE for reason in self.reason], bool)


@dataclass(frozen=True, slots=True)
class Place:
    """Where the Sun stands in one frame."""

    x_px: float
    y_px: float
    radius_px: float
    turn_deg: float = 0.0
    flattening: float = 0.0
    zenith_deg: float = 0.0  # image angle of the zenith in this frame


@dataclass(frozen=True, slots=True)
class Terms:
    """Which terms of the system are in use; all but for the ablation (tests/benchmarks/ablation.py)."""

    features: bool = True  # shifts of blocks against the template
    relief: bool = True  # of the limb, the same in all frames
    edge_offset: bool = True  # of a frame's whole edge: blur, the fringe's brightness
    width: bool = True  # part of that offset which goes with the edge's width
    level: bool = True  # slow drift of the features against the limb
    correlation: bool = True  # of neighbouring limb, one length
    lasting: bool = True  # part of the edge's noise that lasts from frame to frame
    robust: bool = True  # reweighting


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known beforehand of a sequence of n frames."""

    wide: bool  # so much limb that its circle alone places the Sun: features have no part in the centres
    turn_px: np.ndarray | None  # (n,) of the field, a displacement at the provisional limb; None: to be found
    carried_px: np.ndarray  # (n,) by the Sun's rotation, of the features along the limb
    joint_px: np.ndarray  # (n - 1,) shift along from a template to the next, 0 within a template, and
    joint_err_px: np.ndarray  # 1 sigma
    edge_bias_px: float  # 1 sigma of where the edge lies against the limb, the same in all frames
    # loops stand all along the limb: its shape says half as much as its scatter promises (without this every
    # third frame of the 304 angstrom sequence is placed 477 px off, by four stated errors)
    rough: bool = False
    darkens: bool = True  # towards the limb; other light than H-alpha may do the reverse
    optics_px: tuple[float, float] | None = None  # radius and its 1 sigma
    radius_px: float | None = None  # held
    header_px: np.ndarray | None = None  # (n, 2) centres; nan in frames without a header
    header_err_px: float = 1.0  # 1 sigma, common to all frames
    header_frame_px: float = np.inf  # 1 sigma from frame to frame
    header_check: Check | None = None  # headers against the limb, solved without them


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Places of n frames, and what was found on the way."""

    centre_px: np.ndarray  # (n, 2)
    across_err_px: np.ndarray  # (n,) 1 sigma against the mean of all frames, across the limb
    along_err_px: np.ndarray  # and along it
    common_err_px: np.ndarray  # (2,) 1 sigma of the mean of all centres, across and along
    turn_deg: np.ndarray  # (n,) of the field
    turn_err_deg: np.ndarray
    radius_px: float
    radius_err_px: float
    frame_radius_px: np.ndarray  # (n,) of each frame alone
    frame_radius_err_px: np.ndarray
    edge_centre_px: np.ndarray  # (n, 2) of each frame's edge alone, with the common radius and relief
    edge_err_px: np.ndarray  # (n, 2) its 1 sigma across and along
    axes: np.ndarray  # (n, 2, 2) unit vectors across and along the limb
    own_radius_px: tuple[float, float] = (np.nan, np.nan)  # of the limb alone, and its 1 sigma


def place_of(lock: LimbLock, index: int) -> Place:
    """The Sun's place in frame `index` of a lock."""
    flat = float(lock.flattening[index])
    zenith = float(lock.zenith_deg[index]) if flat else 0.0
    return Place(
        float(lock.centre_x_px[index]),
        float(lock.centre_y_px[index]),
        lock.radius_px,
        float(lock.angle_deg[index]),
        flat,
        zenith,
    )


def turn_at(lock: LimbLock, index: int) -> float:
    """Turn of frame `index`; of one left out, on the line through the ten used frames nearest to it."""
    if lock.used[index] and np.isfinite(lock.angle_deg[index]):
        return float(lock.angle_deg[index])
    known = np.flatnonzero(lock.used & np.isfinite(lock.angle_deg))
    near = known[np.argsort(np.abs(known - index), kind="stable")[:10]]
    if len(near) < 2:
        return float(lock.angle_deg[near[0]]) if len(near) else 0.0
    _, offset = np.polyfit(near - index, lock.angle_deg[near], 1)
    return float(offset)


def to_frame(
    lock: LimbLock, index: int, theta_deg: np.ndarray, rho_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Pixel coordinates x, y in frame `index` of points at image angle theta and distance rho (broadcast)."""
    return frame_points(place_of(lock, index), theta_deg, rho_px)


def to_polar(lock: LimbLock, index: int, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Image angle (reference frame, 0 to 360) and distance from the centre of pixels of frame `index`."""
    return polar_points(place_of(lock, index), x_px, y_px)


def frame_points(
    place: Place, theta_deg: np.ndarray, rho_px: np.ndarray | float
) -> tuple[np.ndarray, np.ndarray]:
    """Pixel coordinates x, y of (theta, rho) for a given place of the Sun."""
    angle = np.radians(np.asarray(theta_deg) + place.turn_deg)
    dx, dy = -rho_px * np.sin(angle), -rho_px * np.cos(angle)
    if place.flattening:
        dx, dy = squeezed(dx, dy, place.zenith_deg, -place.flattening)
    return place.x_px + dx, place.y_px + dy


def polar_points(place: Place, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(theta, rho) of pixels for a given place of the Sun; theta runs from 0 to 360."""
    dx, dy = np.asarray(x_px) - place.x_px, np.asarray(y_px) - place.y_px
    if place.flattening:
        dx, dy = squeezed(dx, dy, place.zenith_deg, place.flattening / (1 - place.flattening))
    theta = np.degrees(np.arctan2(-dx, -dy)) - place.turn_deg
    return np.mod(theta, 360.0), np.hypot(dx, dy)


def shifted_place(place: Place, dx_px: float, dy_px: float) -> Place:
    """The place moved by an offset measured in the Sun's round, not flattened, frame."""
    if place.flattening:
        dx_px, dy_px = squeezed(dx_px, dy_px, place.zenith_deg, -place.flattening)
    return replace(place, x_px=place.x_px + dx_px, y_px=place.y_px + dy_px)


def moved_to(place: Place, radius_px: float, shape: tuple[int, ...]) -> Place:
    """The place of a circle of this radius on the limb seen, on which `place` lies with its own radius."""
    theta = np.arange(0.0, 360.0, 0.5)
    angle = np.radians(theta[visible_angles(place, shape, theta)])
    if not len(angle):
        return replace(place, radius_px=radius_px)
    out = np.array([np.sin(angle).mean(), np.cos(angle).mean()])
    x, y = map(float, (place.x_px, place.y_px) - (place.radius_px - radius_px) * out)
    return replace(place, x_px=x, y_px=y, radius_px=radius_px)


def visible_angles(
    place: Place, shape: tuple[int, ...], theta_deg: np.ndarray, margin_px: float = 2.0
) -> np.ndarray:
    """Which of the limb's points at `theta_deg` lie inside a frame of `shape` (rows, columns)."""
    return inside_frame(*frame_points(place, theta_deg, place.radius_px), shape, margin_px)


def inside_frame(x: np.ndarray, y: np.ndarray, shape: tuple[int, ...], margin_px: float) -> np.ndarray:
    """Which points lie inside a frame of `shape` (rows, columns) by a margin, as booleans."""
    rows, columns = shape
    across = (x >= margin_px) & (x <= columns - 1 - margin_px)
    return across & (y >= margin_px) & (y <= rows - 1 - margin_px)


def visible_range(place: Place, shape: tuple[int, int]) -> tuple[float, float]:
    """Image angles between which the limb can be seen: the full circle less its widest hidden gap."""
    theta = np.arange(0.0, 360.0, 360.0 / max(360, int(2 * np.pi * place.radius_px)))
    seen = np.nonzero(visible_angles(place, shape, theta))[0]
    if not len(seen):
        return 0.0, 0.0
    gaps = np.diff(seen, append=seen[0] + len(theta))
    widest = int(np.argmax(gaps))
    if gaps[widest] < 3:
        return 0.0, 360.0
    start = float(theta[seen[(widest + 1) % len(seen)]])
    return start, start + 360.0 - float(gaps[widest]) * 360.0 / len(theta)


def squeezed(dx: Sizes, dy: Sizes, zenith_deg: float, stretch: float) -> tuple[Sizes, Sizes]:
    """Offsets, px, of any shape, stretched along the zenith's direction by 1 + stretch."""
    zx, zy = -np.sin(np.radians(zenith_deg)), -np.cos(np.radians(zenith_deg))
    along = stretch * (dx * zx + dy * zy)
    return dx + along * zx, dy + along * zy
