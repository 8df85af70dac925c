"""Locked frames for the user's own work: 16-bit TIFF in the geometry of the reference frame."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from promtrack.atomic_write import atomic_write
from promtrack.errors import InputError
from promtrack.limb.records import LimbLock
from promtrack.show.view import ClipView, affine_to_frame, warp

__all__ = ["locked_name", "write_locked"]


def locked_name(index: int, time_utc: np.datetime64) -> str:
    """'00041-20240511T083210.tif': number and time (UTC) of the frame."""
    stamp = str(time_utc.astype("datetime64[s]")).replace("-", "").replace(":", "")
    return f"{index:05d}-{stamp}.tif"


def write_locked(
    frame: np.ndarray, path: Path, view: ClipView, lock: LimbLock, index: int, full_scale: float
) -> None:
    """One frame turned and shifted onto the reference frame; brightness is linear, the camera's full scale is
    65535.

    What the frame does not show repeats its border.
    """
    picture = warp(frame.astype(np.float32, copy=False), affine_to_frame(view, lock, index), view)
    counts = np.rint(np.clip(picture * np.float32(65535.0 / full_scale), 0.0, 65535.0)).astype(np.uint16)
    done, data = cv2.imencode(".tif", counts)
    with atomic_write(path) as temporary:
        temporary.write_bytes(data.tobytes())
        again = cv2.imdecode(np.fromfile(temporary, np.uint8), cv2.IMREAD_UNCHANGED) if done else None
        if again is None or again.dtype != np.uint16 or not np.array_equal(again, counts):
            raise InputError(
                "the file just written does not read back",
                where=str(path),
                remedy="check the disk, then run `promtrack clip` again",
            )
