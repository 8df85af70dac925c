"""From solar polar coordinates to the pixels of a frame, and back.

theta is the image angle of the reference frame (counter-clockwise from image up), rho the distance from the
Sun's centre in px of the direction that refraction leaves alone. Refraction presses the disc together along
the direction of the zenith by 1 - flattening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.records import LimbLock


@dataclass(frozen=True, slots=True)
class Place:
    """Where the Sun stands in one frame."""

    x_px: float
    y_px: float
    radius_px: float
    turn_deg: float = 0.0
    flattening: float = 0.0
    zenith_deg: float = 0.0  # image angle of the zenith in this frame


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
    """Turn of frame `index`, also of one that was left out: on the line through the ten used frames nearest
    to it."""
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
    """Image angle of the reference frame (0 to 360) and distance from the Sun's centre of pixels of frame
    `index`."""
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
    flat = place.flattening
    if flat:
        zx, zy = -np.sin(np.radians(place.zenith_deg)), -np.cos(np.radians(place.zenith_deg))
        along = -flat * (dx_px * zx + dy_px * zy)
        dx_px, dy_px = dx_px + along * zx, dy_px + along * zy
    return replace(place, x_px=place.x_px + dx_px, y_px=place.y_px + dy_px)


def visible_angles(
    place: Place, shape: tuple[int, int], theta_deg: np.ndarray, margin_px: float = 2.0
) -> np.ndarray:
    """Which of the limb's points at `theta_deg` lie inside a frame of `shape` (rows, columns), as
    booleans."""
    x, y = frame_points(place, theta_deg, place.radius_px)
    return (
        (x >= margin_px)
        & (x <= shape[1] - 1 - margin_px)
        & (y >= margin_px)
        & (y <= shape[0] - 1 - margin_px)
    )


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


def squeezed(
    dx: np.ndarray, dy: np.ndarray, zenith_deg: float, stretch: float
) -> tuple[np.ndarray, np.ndarray]:
    """Stretch offsets along the zenith's direction by 1 + stretch."""
    zx, zy = -np.sin(np.radians(zenith_deg)), -np.cos(np.radians(zenith_deg))
    along = stretch * (dx * zx + dy * zy)
    return dx + along * zx, dy + along * zy
