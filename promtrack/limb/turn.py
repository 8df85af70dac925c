"""How the field turns in time: constant, as computed from the site, or a smooth curve."""

from __future__ import annotations

import numpy as np

from promtrack.limb.circle import MAD, biweight


class TurnModel:
    """How the turn may run in time: a polynomial of at most `degree` on top of a known course.

    Called with each frame's own turn (as displacement at the limb) and its error; gives the modelled ones. A
    higher power is taken only when its coefficient stands out by 4 sigma: field rotation is nearly steady
    over an hour.
    """

    def __init__(self, time_s: np.ndarray, degree: int, course_px: np.ndarray | None = None):
        self.time = (time_s - time_s.mean()) / max(np.ptp(time_s), 1e-9)
        self.degree = degree
        self.course_px = np.zeros(len(time_s)) if course_px is None else course_px

    def __call__(self, turn_px: np.ndarray, err_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        value = turn_px - self.course_px
        for degree in range(self.degree, -1, -1):
            design = np.vander(self.time, degree + 1)
            solution, covariance = _robust_polynomial(
                design, value, np.maximum(err_px, 0.02 * np.median(err_px) + 1e-6)
            )
            if degree <= 1 or abs(solution[0]) > 4 * np.sqrt(covariance[0, 0]):
                break
        return design @ solution + self.course_px, np.sqrt(
            np.einsum("ij,jk,ik->i", design, covariance, design)
        )


def _robust_polynomial(
    design: np.ndarray, value: np.ndarray, err: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    weight = 1 / err**2
    for _ in range(8):
        normal = design.T @ (design * weight[:, None]) + 1e-15 * np.eye(design.shape[1])
        solution = np.linalg.solve(normal, design.T @ (weight * value))
        pull = (value - design @ solution) / err
        scale = max(MAD * float(np.median(np.abs(pull))), 1e-6)
        weight = biweight(pull / scale) / err**2
    return solution, np.linalg.inv(normal) * max(scale, 1.0) ** 2
