"""What leaves the limb room: where the Sun stands in each frame, and how far that can be trusted.

Geometry of a frame: a point at image angle theta (degrees counter-clockwise from image up, in the
orientation of the reference frame) and distance rho from the Sun's centre lies at
    x = centre_x - rho sin(theta + turn),   y = centre_y - rho cos(theta + turn)
in that frame, with theta scaled by the flattening where refraction matters (see `limb.geometry`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.checks import Check

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
class Terms:
    """Which terms of the system are in use; all but for the ablation (tests/benchmarks/ablation.py)."""

    features: bool = True  # shifts of blocks against the template
    relief: bool = True  # of the limb, the same in all frames
    edge_offset: bool = True  # of a frame's whole edge: blur, the fringe's brightness
    width: bool = True  # part of that offset which goes with the edge's width
    level: bool = True  # slow drift of the features against the limb
    correlation: bool = True  # of neighbouring limb, one length
    robust: bool = True  # reweighting


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """What is known beforehand of a sequence of n frames."""

    wide: bool  # so much limb that its circle alone places the Sun: features have no part in the centres
    # (n,) turn of the field as a displacement at the limb; None: it is to be found
    turn_px: np.ndarray | None
    carried_px: np.ndarray  # (n,) by the Sun's rotation, of the features along the limb
    joint_px: np.ndarray  # (n - 1,) 1 sigma of a new template's place on the one before, 0 within a template
    edge_bias_px: float  # 1 sigma of where the edge lies against the limb, the same in all frames
    # loops stand all along the limb: its shape says half as much as its scatter promises (without this every
    # third frame of the 304 angstrom sequence is placed 477 px off, by four stated errors)
    rough: bool = False
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
    turn_px: np.ndarray  # (n,) displacement at the limb
    turn_err_px: np.ndarray
    radius_px: float
    radius_err_px: float
    frame_radius_px: np.ndarray  # (n,) of each frame alone
    frame_radius_err_px: np.ndarray
    edge_centre_px: np.ndarray  # (n, 2) of each frame's edge alone, with the common radius and relief
    edge_err_px: np.ndarray  # (n, 2) its 1 sigma across and along
    axes: np.ndarray  # (n, 2, 2) unit vectors across and along the limb
    own_radius_px: tuple[float, float] = (np.nan, np.nan)  # of the limb alone, and its 1 sigma
