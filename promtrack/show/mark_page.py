"""The page to mark on: strips, frames and what was measured in, one self-contained HTML file out.

The page works offline, by mouse and keyboard, and saves promtrack-marks.toml, which the next run reads.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from promtrack.motion.interpretation import label_motion
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import iso
from promtrack.sequence.records import spread_over
from promtrack.show.markup import MOST_PX, Markup, data_address, filled, resource, write_page
from promtrack.show.records import Measured


def write_mark_page(measured: Measured, path: Path) -> Path:
    """Write the page on which fronts and knots are clicked, knots dropped, regions covered, frames left out.
    `path`: the page to write; it appears under this name only when it is whole. Raises InputError: a frame or
    the strips cannot be read."""
    strip, labels = measured.strip, label_motion(measured.motion)
    low = max(int(np.ceil(strip.geometry.row(3.0))), 0)
    some = np.concatenate([strip.read(int(i), int(i) + 1)[0][low:] for i in spread_over(len(strip), 8)])
    seen = some[np.isfinite(some)]
    # the brightest plasma above the limb, but for a few pixels, becomes white
    white = max(float(np.percentile(seen, 99.5)), 1e-6) if len(seen) else 1.0
    chosen = spread_over(len(strip), 240).tolist()
    strips = [_strip_picture(measured, index, white) for index in chosen]
    frames, factor = _frame_pictures(measured)
    shown = set(chosen)
    # outward up, angles that run counter-clockwise in the frames run to the left, as the frames show them
    geometry = asdict(strip.geometry) | {"mirrored": measured.orientation.sign > 0}
    data = {
        "geometry": geometry,
        "strips": [entry for entry, _ in strips],
        "frames": [entry for entry, _ in frames],
        "sizes": {"strips": strips[0][1], "frames": frames[0][1] if frames else strips[0][1]},
        "frame_factor": factor,
        "place": marks_place(measured.sequence.path),
        "knots": [_track(measured, k, labels.knot(k) or str(k.knot), shown) for k in measured.motion.knots],
        "fronts": [
            _track(measured, f, labels.front(f) or str(f.front), shown)
            | {"from_deg": f.from_deg % 360.0, "to_deg": f.to_deg % 360.0}
            for f in measured.motion.fronts
        ],
    }
    # "<" inside JSON could end the script element
    blob = json.dumps(data, allow_nan=False).replace("<", "\\u003c")
    page = filled(
        "mark_page.html",
        angles="position angles" if strip.geometry.position_angles else "image angles",
        place=marks_place(measured.sequence.path),
        style=resource("mark_page.css"),
        script=resource("mark_page.js"),
        data=Markup(blob),
    )
    return write_page(path, page)


def marks_place(source: Path) -> str:
    """Where a run looks for marks, in words."""
    return "into the folder of frames" if source.is_dir() else f"into the folder in which {source.name} lies"


def _track(measured: Measured, track: KnotTrack | Front, name: str, shown: set[int]) -> dict[str, Any]:
    strip = measured.strip
    at = np.searchsorted(strip.time_s, track.time_s - 1e-6).tolist()
    angles, heights = np.round(track.angle_deg % 360.0, 4).tolist(), np.round(track.height_mm, 3).tolist()
    points = zip(at, angles, heights, strict=True)
    return {"name": name, "points": [[iso(strip.times_utc[i]), a, h] for i, a, h in points if i in shown]}


def _strip_picture(measured: Measured, index: int, white: float) -> tuple[dict[str, Any], tuple[int, int]]:
    """One strip as a picture, its top row first and as the Sun stands in the frames."""
    strip, geometry = measured.strip, measured.strip.geometry
    light = np.nan_to_num(strip.read(index, index + 1)[0])[::-1]
    if measured.orientation.sign > 0:
        light = light[:, ::-1]
    # what is faint shows too: a hyperbolic arcsine of the light
    tone = np.arcsinh(np.clip(light / white, 0.0, 1.5) * 10.0) / np.arcsinh(10.0)
    # one pixel as long along the limb as upward, at 20 Mm
    wide = geometry.columns * geometry.mm_per_column(20.0) / geometry.mm_per_row
    factor = min(MOST_PX / wide, 1.0)
    size = (max(round(wide * factor), 1), max(round(geometry.rows * factor), 1))
    picture = cv2.resize(np.clip(255 * tone, 0, 255).astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    name = measured.sequence.names[int(strip.frame[index])]
    return {"time": iso(strip.times_utc[index]), "name": name, "picture": _jpeg(picture)}, size


def _frame_pictures(measured: Measured) -> tuple[list[tuple[dict[str, Any], tuple[int, int]]], float]:
    """Some frames, made smaller, and how many pixels of the camera one of their pixels is."""
    sequence = measured.sequence
    factor = max(sequence.shape[1] / MOST_PX, 1.0)
    size = (round(sequence.shape[1] / factor), round(sequence.shape[0] / factor))
    out = []
    used = np.flatnonzero(measured.lock.used)
    for index, frame in sequence.frames(used[spread_over(len(used), 40)].tolist()):
        small = cv2.resize(frame.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        low, high = np.percentile(small, (1.0, 99.8))
        tone = np.sqrt(np.clip((small - low) / max(high - low, 1e-6), 0.0, 1.0))
        entry = {"time": iso(sequence.times_utc[index]), "name": sequence.names[index]}
        out.append((entry | {"picture": _jpeg((255 * tone).astype(np.uint8))}, size))
    return out, factor


def _jpeg(picture: np.ndarray) -> str:
    data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 82])[1]
    return data_address("image/jpeg", data.tobytes())
