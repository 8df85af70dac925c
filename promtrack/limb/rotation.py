"""Rotation of the field, as the frames show it when laid on each other in pairs, against the one assumed; and
rotation of the Sun, which carries what stands on the limb along it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.checks import Check
from promtrack.limb.edge import FAR_SIGMA, MAD
from promtrack.limb.measure import BLOCK, EDGE_ROWS_PX, MOST_ALONG_PX, Pairs, Template
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings
from promtrack.sun import Orientation, limb_drift, orient, solar_view


def rotation_check(
    pairs: list[Pairs],
    radius_px: float,
    *,
    assumed_deg_h: float,
    settings: tuple[tuple[str, float], ...] = (),
) -> list[Check]:
    """The turn of the field as the frames of each template, laid on each other in pairs, show it, against the
    one computed or assumed. `settings`: other settings of the mount, in words, and the rotation that each
    would give, deg an hour."""
    steps = np.unique(np.concatenate([pair.steps for pair in pairs])) if pairs else ()
    rates = [rate for step in steps if (rate := _rate(pairs, step))]
    if not rates:
        return []
    # beyond the reach of the search pairs say nothing; and where near pairs contradict far ones by 3 sigma,
    # they show plasma that moves, which is carried no farther than it lives
    reach_s = 0.7 * MOST_ALONG_PX / max(abs(rates[0].px_s), 1e-9)
    rates = [rates[0]] + [rate for rate in rates[1:] if rate.apart_s < reach_s]
    while any(rate.unlike(other) for rate in rates for other in rates):
        rates = rates[1:]
    surest = min(rates, key=lambda rate: rate.err_px_s)
    beside = max(abs(rate.px_s - surest.px_s) - rate.err_px_s for rate in rates)
    err_px_s = np.hypot(surest.err_px_s, max(beside, 0.0) / 2)
    extra, rate_err = np.degrees([surest.px_s, err_px_s]) * 3600.0 / radius_px
    span = float(sum(pair.apart_s[pair.steps == 1].sum() for pair in pairs)) / 3600.0
    # less than a degree beside the rotation assumed, over the recording, does no harm
    if abs(extra) < FAR_SIGMA * rate_err or abs(extra) * span < 1.0:
        to = f"to {max(abs(extra), rate_err):.2g} deg an hour"
        words = f"The frames turn as assumed ({assumed_deg_h:+.2f} deg an hour), {to}."
        return [Check("lock", "field rotation", "good", words)]
    seen = assumed_deg_h + extra
    near = 3 * rate_err + 0.15 * abs(seen)
    fits = [words for words, rate in settings if not abs(rate - seen) >= near]
    advice = f"{' or '.join(fits)} would fit" if fits else "check camera.mount, camera.mirrored and the site"
    words = (
        f"The frames turn by {seen:+.2f} +- {rate_err:.2f} deg an hour, not by {assumed_deg_h:+.2f} "
        f"as the settings say: {advice}. The field rotation is measured in the frames instead."
    )
    return [Check("lock", "field rotation", "poor", words)]


@dataclass(frozen=True, slots=True)
class _Rate:
    px_s: float
    err_px_s: float
    apart_s: float

    def unlike(self, other: _Rate) -> bool:
        """Whether two rates contradict each other by 3 sigma."""
        return abs(self.px_s - other.px_s) > 3 * np.hypot(self.err_px_s, other.err_px_s)


def _rate(pairs: list[Pairs], step: int) -> _Rate | None:
    """None of fewer than five pairs. Frames far apart tell a turn from plasma that moves and from errors that
    add up from each frame to the next; but they are less alike. Pairs that overlap are taken as one."""
    used = [(pair.steps == step) & (pair.apart_s > 0) for pair in pairs]  # stamps may be alike
    apart_s = np.concatenate([pair.apart_s[some] for pair, some in zip(pairs, used, strict=True)])
    along_px = np.concatenate([pair.along_px[some] for pair, some in zip(pairs, used, strict=True)])
    if len(apart_s) < 5:
        return None
    rate = float(np.median(along_px / apart_s))
    spread = max(MAD * float(np.median(np.abs(along_px - rate * apart_s))), 0.05)
    usual_s = float(np.median(apart_s))
    return _Rate(rate, spread * float(np.sqrt(step / len(apart_s))) / usual_s, usual_s)


# of the radius, where texture of the disc is looked at: inside the limb's own darkening
SEEN_DEPTH = 0.98


def carried_px(
    template: Template,
    radius_px: float,
    sequence: Sequence,
    indices: np.ndarray,
    *,
    limb: LimbSettings,
    camera: CameraSettings,
) -> tuple[np.ndarray, tuple[str, ...]]:
    """(n,) px along the limb, towards larger image angle, by which the features were carried in the frames
    `indices` since the first of them; 0 where it is not known or not wanted; and notes."""
    time_s = sequence.time_s[indices] - sequence.time_s[indices[0]]
    none = np.zeros(len(indices))
    if not limb.solar_rotation:
        return none, ()
    view = solar_view(sequence.times_utc[indices[0]], header=sequence.header)
    orientation = orient(view, camera=camera, header=sequence.header)
    if orientation.position_angles and np.isfinite(view.b0_deg):
        course = drift_px_s(template, radius_px, orientation, view.b0_deg) * time_s
        size = abs(float(course[-1]))
        words = (
            f"Solar rotation carries what stands on the limb by {size:.1f} px along it over the recording "
            f"(B0 = {view.b0_deg:+.1f} deg); this is taken out of the Sun's place."
        )
    else:
        poles = limb_drift(np.array([0.0, 180.0]), np.array(SEEN_DEPTH), np.nan_to_num(view.b0_deg))
        course, size = none, float(np.abs(poles).max() * radius_px * time_s[-1])
        words = (
            f"Solar rotation carries what stands on the limb along it, by up to {size:.1f} px over the "
            "recording; without camera.north_deg it is not known which way, and the lock takes it for a "
            "motion of the Sun."
        )
    return course, (words,) * (round(size, 1) > 0.0)


def drift_px_s(template: Template, radius_px: float, orientation: Orientation, b0_deg: float) -> float:
    """Mean motion of the zone's features along the limb, towards larger image angle; they count by the square
    of their slope along the limb and by their scatter, as in the shifts of the blocks."""
    grid, row = template.grid, np.flatnonzero(template.known)
    if not len(row):
        return 0.0
    slope = template.mean[(row + 1) % len(template.mean)] - template.mean[row - 1]
    # what noise alone makes of the mean's slope is no feature
    noise = 2.0 / np.maximum(template.weight[row], 1e-20) / len(template.time_s)
    weight = template.weight[row] * np.maximum(slope**2 - 2.0 * noise, 0.0)
    weight = weight * (template.mean[row] < template.ceiling) * (np.abs(grid.offset_px) > EDGE_ROWS_PX)
    ray = template.block[row // BLOCK] * BLOCK + row % BLOCK
    angle = orientation.to_product(grid.theta_deg[ray])[:, None]
    distance = 1.0 + grid.offset_px / radius_px
    drift = limb_drift(angle, distance[None, :], b0_deg)
    # stretches with much to see count alike, those with noise alone hardly
    total = weight.sum(axis=1)
    mean = (weight * drift).sum(axis=1) / np.maximum(total, 1e-20)
    share = np.minimum(total, np.median(total)) ** 2
    return orientation.sign * radius_px * float((share * mean).sum() / max(float(share.sum()), 1e-30))
