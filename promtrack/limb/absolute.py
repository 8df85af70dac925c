"""Where the Sun's centre stands in all frames together: what the limb alone leaves open, and what a header
says of it.

Frames are placed against each other far better than against the Sun. On a short arc the common centre slides
along the limb with the limb's own relief, and moves across it with the radius.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.geometry import Place
from promtrack.limb.radius import Edges, RadiusFit, arc_blocks, centre_only, without_outliers
from promtrack.limb.solve import Centres

HEADER_CENTRE_ERR_ARCSEC = (
    1.0  # of a centre that a header states: the pointing of calibrated frames (common practice, no source)
)
DISAGREE = 11.8  # chi squared of two coordinates that normal errors exceed in 0.3 % of cases
WORTH_SAYING_DEG = 0.1  # error of the angles along the limb


@dataclass(frozen=True, slots=True, eq=False)
class CommonCentre:
    """Error of the centre common to all frames, in image directions x, y."""

    cov_px2: np.ndarray  # (2, 2) from the limb's relief, the radius held
    per_radius: np.ndarray  # (2,) shift of the centre for a radius larger by one px

    def covariance(self, radius_err_px: float) -> np.ndarray:
        """(2, 2) px2, with what the radius adds."""
        return self.cov_px2 + np.outer(self.per_radius, self.per_radius) * radius_err_px**2


def common_centre(edges: Edges, radius: RadiusFit) -> CommonCentre:
    """A jackknife over stretches of limb: relief that stands still shifts every frame alike."""
    weight = without_outliers(edges)
    offset = edges.offset_px - radius.shift_px
    parts = arc_blocks(weight)
    left_out = np.array([centre_only(edges, weight * (1 - p), offset).mean(axis=0) for p in parts])
    apart = left_out - left_out.mean(axis=0)
    per_radius = centre_only(edges, weight, -np.ones_like(offset)).mean(axis=0)
    return CommonCentre((len(parts) - 1) / len(parts) * apart.T @ apart, per_radius)


def header_err_px(arcsec_per_px: float, off_px: float) -> tuple[float, list[str]]:
    """Error of a header's centre whose pointing was found to be off by `off_px` across the limb, and a
    sentence where it is."""
    usual = HEADER_CENTRE_ERR_ARCSEC / arcsec_per_px
    if off_px <= 3.0 * usual:
        return float(np.hypot(usual, off_px)), []
    return float(np.hypot(usual, off_px)), [
        f"The limb stands {off_px:.0f} px ({off_px * arcsec_per_px:.0f} arcsec) from where the FITS header puts it; it was found by the "
        "Sun's size, and the header's centre is believed no further than that."
    ]


def join_header(
    centres: Centres, radius: RadiusFit, error: CommonCentre, found: Place, stated: Place, err_px: float
) -> tuple[Centres, RadiusFit, list[str]]:
    """Centres and radius with the header's centre of the first frame taken into account, each by its error.

    Parameters
    ----------
    found, stated : the Sun's place in the first frame, from the limb and from the header
    err_px : 1 sigma of the header's centre, either way
    """
    apart = np.array([found.x_px - stated.x_px, found.y_px - stated.y_px])
    limb = error.covariance(radius.err_px)
    both = limb + np.eye(2) * err_px**2
    if apart @ np.linalg.solve(both, apart) > DISAGREE:
        return (
            centres,
            radius,
            [
                f"The FITS header puts the Sun's centre {np.hypot(*apart):.1f} px from where the limb puts it; "
                "the limb is believed."
            ],
        )
    gain = np.linalg.solve(both, limb).T
    grown = (
        np.linalg.solve(both, error.per_radius) * radius.err_px**2
    )  # how much of the difference is the radius's
    moved = replace(
        centres, shift_px=centres.shift_px - _turned(gain @ apart, centres.turn_px / found.radius_px)
    )
    left = max(1.0 - float(grown @ error.per_radius), 0.0)
    return (
        moved,
        replace(
            radius, shift_px=radius.shift_px - float(grown @ apart), err_px=radius.err_px * np.sqrt(left)
        ),
        [],
    )


def _turned(shift: np.ndarray, turn_rad: np.ndarray) -> np.ndarray:
    """(n, 2) the same shift on the Sun in frames turned, counter-clockwise, against the first."""
    turn = turn_rad - turn_rad[0]
    return np.column_stack(
        [shift[0] * np.cos(turn) + shift[1] * np.sin(turn), shift[1] * np.cos(turn) - shift[0] * np.sin(turn)]
    )


def angle_note(error: CommonCentre, radius_px: float) -> list[str]:
    """One sentence about the angles along the limb, where the limb leaves them open."""
    size = float(np.hypot(*error.per_radius))
    if size < 0.3:  # limb nearly all round
        return []
    along = np.array([error.per_radius[1], -error.per_radius[0]]) / size
    err_px = float(np.sqrt(along @ error.cov_px2 @ along))
    err_deg = np.degrees(err_px / radius_px)
    if err_deg < WORTH_SAYING_DEG:
        return []
    return [
        f"The limb's curvature places the Sun's centre along the limb to +- {err_px:.1f} px, the same in all frames: angles along "
        f"the limb are sure to {err_deg:.1f} deg only."
    ]
