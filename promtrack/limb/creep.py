"""How far the circle's centre creeps off the Sun's while a flattening that is not modelled changes.

The circle is laid on the limb seen, and stays on it; heights above the limb are not touched. But a limb
flattened towards the zenith lies nearer to the Sun's centre than a round one, by R f cos^2 of its angle from
the zenith, and its features are moved along it by R f sin cos. When f changes with the Sun's altitude, so
does what the centre is off by.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.geometry import squeezed
from promtrack.limb.radius import Edges

DIRECTIONS_DEG = np.arange(0.0, 180.0, 10.0)  # of the zenith in the picture: not known, all alike
ALL_ROUND = 0.5  # mean outward vector of a limb so long that no shift of features along it moves the centre


@dataclass(frozen=True, slots=True, eq=False)
class Creep:
    """1 sigma of the centre of every frame against their mean, systematic: the same course for all frames."""

    across_px: np.ndarray  # (n,)
    along_px: np.ndarray  # (n,)


def centre_creep(edges: Edges, flattening: np.ndarray, radius_px: float) -> Creep:
    """What a flattening of this course, towards a zenith anywhere, does to the centre of a circle held at one
    radius.

    Parameters
    ----------
    edges : for the limb seen
    flattening : (n,) in every frame
    """
    course = np.abs(flattening - flattening.mean()) * radius_px
    across, along = _response(edges.n[0], edges.weight.mean(axis=0))
    return Creep(across * course, along * course)


def _response(n: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Rms over the zenith's directions of the centre's shift for a flattening of 1 / radius, across the limb
    and along it.

    Across it the edge places the circle; along it the features on the limb do, but for a limb all round.
    """
    weight = weight / max(float(weight.sum()), 1e-12)
    middle = weight @ n
    size = float(np.hypot(*middle))
    out = middle / size if size > ALL_ROUND else np.array([0.0, -1.0])
    axes = np.array([out, [-out[1], out[0]]])
    shifts = []
    for zenith in DIRECTIONS_DEG:
        moved = np.column_stack(squeezed(n[:, 0], n[:, 1], zenith, -1.0)) - n
        radial = (moved * n).sum(axis=1)
        shift = (
            np.linalg.lstsq(n * np.sqrt(weight)[:, None], radial * np.sqrt(weight), rcond=1e-9)[0] @ axes.T
        )
        if size > ALL_ROUND:
            tangent = np.column_stack([-n[:, 1], n[:, 0]])
            shift[1] = weight @ (moved * tangent).sum(axis=1)
            shift[0] = (
                (weight * (n @ out))
                @ (radial - shift[1] * (n @ axes[1]))
                / ((weight * (n @ out)) @ (n @ out))
            )
        shifts.append(shift)
    across, along = np.sqrt(np.mean(np.square(shifts), axis=0))
    return float(across), float(along)
