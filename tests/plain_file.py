"""Strips in a file as they are, for tests that make a cube themselves: nothing is rounded or packed."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from promtrack.strip.records import StripGeometry


@dataclass(frozen=True)
class PlainFile:
    """Little-endian float32 values in a file."""

    path: Path
    geometry: StripGeometry

    def read(self, first: int, last: int) -> np.ndarray:
        rows, columns = self.geometry.rows, self.geometry.columns
        count, before = (last - first) * rows * columns, first * rows * columns
        return np.fromfile(self.path, "<f4", count, offset=4 * before).reshape(-1, rows, columns)
