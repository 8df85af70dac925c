"""What each stage does: from the records and products before it to its own, and back from the disk."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from promtrack import __version__
from promtrack.errors import InputError, SettingsError
from promtrack.limb import lock_limb
from promtrack.limb.geometry import place_of, to_frame, turn_at
from promtrack.limb.records import LimbLock
from promtrack.limb.second import second_limb_note
from promtrack.motion import measure_motion, named_sectors
from promtrack.motion.records import Motion
from promtrack.products import (
    ProductFolder,
    finish_strip,
    read_lock,
    read_motion,
    read_strip,
    strip_header,
    write_lock,
    write_motion,
    write_summary,
)
from promtrack.products.folder import stamp_of
from promtrack.products.strips import Circumstances, check_space
from promtrack.sequence import Sequence
from promtrack.settings import Settings
from promtrack.show import Measured, render_clip, write_report
from promtrack.strip import strip_geometry, under_ceiling, unwrap
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path
from promtrack.sun import Orientation, Scale, SolarView, measure_scale, orient, solar_view
from promtrack.whole import whole_file

__all__ = ["BEFORE", "DOERS", "LOADERS", "Job", "Progress", "check_asked_for", "silent"]

log = logging.getLogger("promtrack")
# Settings sections that each stage depends on, beyond those of the stages before it.
_SECTIONS = {
    "lock": ("times", "site", "camera", "limb"),
    "strip": ("strip",),
    "motion": ("motion",),
    "clip": ("clip",),
    "figures": ("figures",),
    "report": ("clip", "figures"),
}
BEFORE = {
    "lock": (),
    "strip": ("lock",),
    "motion": ("lock", "strip"),
    "clip": ("lock", "strip", "motion"),
    "figures": ("lock", "strip", "motion"),
    "report": ("lock", "strip", "motion"),
}
Progress = Callable[[str], Callable[[int, int], None]]


def silent(stage: str) -> Callable[[int, int], None]:
    """Tells no progress."""
    return lambda done, total: None


@dataclass(slots=True)
class Job:
    """One run under way: where it reads and writes, and what the stages have found so far."""

    source: Path
    folder: ProductFolder
    settings: Settings
    progress: Progress = silent
    fingerprint: str = field(
        init=False
    )  # of the input before it was opened: what changes later is seen by the next run
    sequence: Sequence = field(init=False)  # each is set by its stage, in this order
    lock: LimbLock = field(init=False)
    strip: Strip = field(init=False)
    motion: Motion = field(init=False)
    files: dict[str, list[Path]] = field(default_factory=dict)

    @property
    def geometry(self) -> tuple[SolarView, Scale, Orientation]:
        """The Sun on the date, the scale and the orientation: cheap, so worked out from the lock each
        time."""
        camera, header = self.settings.camera, self.sequence.header
        view = solar_view(
            self.sequence.times_utc[self.lock.reference], site=self.settings.site, header=header
        )
        scale = measure_scale(
            self.lock.own_radius_px,
            self.lock.own_radius_err_px,
            view,
            camera=camera,
            limb=self.settings.limb,
            header=header,
        )
        # camera.north_deg holds for the first frame, angles for the reference frame.
        return view, scale, orient(view, camera=camera, header=header, turn_deg=turn_at(self.lock, 0))

    def measured(self) -> Measured:
        """Everything measured, for the show room."""
        view, scale, orientation = self.geometry
        return Measured(
            settings=self.settings,
            sequence=self.sequence,
            lock=self.lock,
            view=view,
            scale=scale,
            orientation=orientation,
            strip=self.strip,
            motion=self.motion,
            version=__version__,
        )

    def stamp(self, stage: str) -> str:
        """What the stage depends on: version, input files, and the settings of this stage and those
        before."""
        sections = [name for s in (*BEFORE[stage], stage) for name in _SECTIONS[s]]
        return stamp_of(
            __version__, self.fingerprint, *(getattr(self.settings, s) for s in dict.fromkeys(sections))
        )


def check_asked_for(job: Job, geometry: StripGeometry) -> None:
    """Raises SettingsError if strips of this geometry do not show the sectors and slits that the settings
    name."""
    named_sectors(job.settings.motion, geometry)
    for path in job.settings.motion.slits:
        try:
            parse_path(path, geometry)
        except SettingsError as error:
            raise error.at("motion.slits") from None


def _do_lock(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    s = job.settings
    lock = lock_limb(job.sequence, limb=s.limb, camera=s.camera, site=s.site, progress=progress)
    second = second_limb_note(
        job.sequence.frame(lock.reference), job.sequence.full_scale, place_of(lock, lock.reference)
    )
    job.lock = replace(lock, notes=(*lock.notes, *second))
    rejected = int((~job.lock.used).sum())
    if rejected > s.limb.most_rejected * len(job.sequence) or job.lock.used.sum() < 2:
        reasons = ", ".join(sorted({reason for reason in job.lock.reason if reason}))
        raise InputError(
            f"{rejected} of {len(job.sequence)} frames cannot be trusted ({reasons})",
            where=str(job.source),
            remedy="look at the frames, or allow more with --set limb.most_rejected=",
        )
    for note in job.lock.notes:
        log.info(note)
    path = write_lock(job.folder, job.sequence, job.lock)
    write_summary(
        job.folder, __version__, job.sequence, job.lock, geometry=job.geometry
    )  # motion completes it
    return [path]


def _do_strip(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    view, scale, orientation = job.geometry
    log.info(
        "scale: %.1f +- %.1f km a pixel (%s)%s",
        scale.km_per_px,
        scale.sigma_km_per_px,
        scale.source,
        f"; {scale.check}" if scale.check else "",
    )
    log.info("orientation: %s", orientation.source)
    geometry = strip_geometry(job.lock, scale, orientation, strip=job.settings.strip, limb=job.settings.limb)
    if job.settings.strip.high_mm is None:
        geometry = under_ceiling(job.sequence, job.lock, orientation, geometry)
    log.info(
        "strips: %d x %d px, %.0f to %.0f Mm above the limb",
        geometry.columns,
        geometry.rows,
        geometry.low_mm,
        geometry.height_mm(geometry.rows - 1),
    )
    about = Circumstances(view, scale, orientation, job.settings.limb.height_mm, __version__)
    check_asked_for(job, geometry)  # rather now than when the frames are unwrapped
    check_space(job.folder, geometry, int(job.lock.used.sum()))
    with whole_file(job.folder["strip"]) as part:
        part.unlink(missing_ok=True)
        strip = unwrap(
            job.sequence,
            job.lock,
            orientation,
            geometry,
            path=part,
            header=strip_header(geometry, job.sequence.times_utc[job.lock.used], about),
            progress=progress,
        )
        finish_strip(part, strip, job.sequence, job.lock, about)
    _load_strip(job)
    return [job.folder["strip"]]


def _do_motion(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    _, scale, orientation = job.geometry
    job.motion = measure_motion(
        job.strip,
        motion=job.settings.motion,
        scale_err=scale.sigma_km_per_px / scale.km_per_px,
        clock_err=job.settings.times.rate_err,
        progress=lambda done, total: progress(done, total + 1),
    )
    for note in job.motion.control.notes:
        log.info(note)

    def place(frame: int, angle_deg: float, height_mm: float) -> tuple[float, float]:
        rho_px = job.lock.radius_px + height_mm * 1e3 / scale.km_per_px
        x, y = to_frame(job.lock, frame, np.asarray(orientation.to_image(angle_deg)), np.asarray(rho_px))
        return float(x), float(y)

    files = write_motion(job.folder, job.strip, job.motion, place)
    progress(len(job.strip) + 1, len(job.strip) + 1)
    return [
        *files,
        write_summary(
            job.folder, __version__, job.sequence, job.lock, geometry=job.geometry, motion=job.motion
        ),
    ]


def _do_clip(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    return list(render_clip(job.measured(), job.folder.path, progress=progress))


def _do_figures(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    from promtrack.show import draw_figures  # see there why so late

    return list(draw_figures(job.measured(), job.folder["figures"], progress=progress))


def _do_report(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    figures = [file for file in job.folder.files_of("figures") if file.suffix == ".png" and file.exists()]
    return [
        write_report(
            job.measured(),
            job.folder["report"],
            clip=job.folder["clip"],
            poster=job.folder["poster"],
            figures=figures,
        )
    ]


def _load_lock(job: Job) -> None:
    job.lock = read_lock(job.folder)
    if job.lock.names != job.sequence.names:
        raise InputError(
            "does not belong to the frames in the input",
            where=str(job.folder["frames"]),
            remedy="make it again with `promtrack lock`",
        )


def _load_strip(job: Job) -> None:
    job.strip = read_strip(job.folder)


def _load_motion(job: Job) -> None:
    job.motion = read_motion(job.folder, job.strip)


def _load_nothing(job: Job) -> None:
    """Files that no later stage reads back into records."""


DOERS: dict[str, Callable[[Job, Any], list[Path]]] = {
    "lock": _do_lock,
    "strip": _do_strip,
    "motion": _do_motion,
    "clip": _do_clip,
    "figures": _do_figures,
    "report": _do_report,
}
LOADERS: dict[str, Callable[[Job], None]] = {
    "lock": _load_lock,
    "strip": _load_strip,
    "motion": _load_motion,
    "clip": _load_nothing,
    "figures": _load_nothing,
    "report": _load_nothing,
}
