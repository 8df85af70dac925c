"""How coarse the numbers of a frame are: a frame in, what one step of its digits is worth out."""

from __future__ import annotations

import numpy as np


def smallest_step(frame: np.ndarray) -> float:
    """Least difference between two values of a frame, counts: 1 in 8 bits, 16 for 12 bits spread over 16; 0
    for a constant frame."""
    values = np.unique(frame[::3, ::3])
    values = values[np.isfinite(values)].astype(float)
    return float(np.diff(values).min()) if len(values) > 1 else 0.0
