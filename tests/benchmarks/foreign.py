"""Scenes drawn by another hand, for the benchmarks: a folder of scenes in, sequences and their truth out.

A folder holds one folder a scene:
    SCENE/frames/      the pictures as an observer would have them (one film, or stills with stamps in their
    names) SCENE/given.json   what the observer knows: site {lat_deg, lon_deg}, pixel_um, focal_length_mm,
    mount ('alt-az' or
                       another), mirror, north_on_display_deg_ccw_from_up_first_frame, format, date_start,
                       cadence_s
    SCENE/truth.json   limb_offset_Mm (height of its limb), km_per_px, and frames: a list of {file, center_x,
    center_y,
                       rot_deg, radius_limb_px, usable}, px with (0, 0) the centre of the top-left pixel
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from promtrack.limb import LimbLock, lock_limb
from promtrack.limb.records import Terms
from promtrack.sequence import open_sequence
from promtrack.sequence.calibrate import mend_hot_pixels
from promtrack.sequence.records import Sequence
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings, TimesSettings


@dataclass(frozen=True, slots=True, eq=False)
class ForeignScene:
    """One scene with what its observer knows."""

    name: str
    sequence: Sequence
    camera: CameraSettings
    site: SiteSettings
    limb: LimbSettings
    truth: dict

    def lock(self, terms: Terms = Terms()) -> LimbLock:
        """The lock as a run would make it."""
        return lock_limb(self.sequence, limb=self.limb, camera=self.camera, site=self.site, terms=terms)

    def errors(self, lock: LimbLock) -> tuple[np.ndarray, np.ndarray]:
        """(n, 2) errors of the centre across the limb and along it in the frames used, px, about their mean,
        and the stated ones."""
        number = {frame["file"]: i for i, frame in enumerate(self.truth["frames"])}
        which = [number.get(Path(name).name, i) for i, name in enumerate(lock.names)]
        true = np.array([[self.truth["frames"][i][key] for key in ("center_x", "center_y")] for i in which])
        true = true[lock.used]
        apart = np.column_stack([lock.centre_x_px, lock.centre_y_px])[lock.used] - true
        out = np.array([lock.shape[1], lock.shape[0]]) / 2 - true.mean(axis=0)
        out = out / np.hypot(*out) if np.hypot(*out) > 20 else np.array([0.0, -1.0])
        error = apart @ np.column_stack([out, [-out[1], out[0]]])
        stated = np.column_stack([lock.centre_err_px, lock.along_err_px])[lock.used]
        return error - error.mean(axis=0), stated

    def radius_error(self, lock: LimbLock) -> float:
        """Relative error of the common radius."""
        return lock.radius_px / float(np.median([f["radius_limb_px"] for f in self.truth["frames"]])) - 1


def foreign_scenes(folder: Path, part: str = "") -> list[ForeignScene]:
    """The scenes of a folder whose names hold `part`, in order of their names."""
    return [
        _read(where)
        for where in sorted(folder.iterdir())
        if (where / "truth.json").exists() and part in where.name
    ]


def _read(where: Path) -> ForeignScene:
    given, truth = (json.loads((where / name).read_text()) for name in ("given.json", "truth.json"))
    films = [path for path in (where / "frames").iterdir() if path.suffix in (".avi", ".mp4")]
    times = (
        TimesSettings(source="cadence", start=given["date_start"], cadence_s=given.get("cadence_s", 20))
        if films
        else TimesSettings()
    )
    camera = CameraSettings(
        pixel_um=given["pixel_um"],
        focal_mm=given["focal_length_mm"],
        mirrored=bool(given["mirror"]),
        mount="altazimuth" if given["mount"] == "alt-az" else "equatorial",
        north_deg=given["north_on_display_deg_ccw_from_up_first_frame"],
    )
    sequence = open_sequence(films[0] if films else where / "frames", times=times, camera=camera)
    site = SiteSettings(latitude_deg=given["site"]["lat_deg"], longitude_deg=given["site"]["lon_deg"])
    limb = LimbSettings(height_mm=round(truth["limb_offset_Mm"], 2))
    return ForeignScene(where.name, mend_hot_pixels(sequence)[0], camera, site, limb, truth)
