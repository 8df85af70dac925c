"""Angles in degrees that go round."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

__all__ = ["Angles", "wrapped_deg"]

Angles = TypeVar("Angles", float, np.ndarray)  # one angle or many: what goes in comes out


def wrapped_deg(angle_deg: Angles) -> Angles:
    """The same angle, -180 <= angle < 180; of a difference of two angles, the short way round."""
    return (angle_deg + 180.0) % 360.0 - 180.0
