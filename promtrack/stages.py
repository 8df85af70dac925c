"""The stages of a run, one after the other: what each depends on, does, leaves, and brings back.

lock, strip, motion, clip, figures, report. What a stage has written is read back before the next one begins:
a run that goes on has the very same numbers as one that was never stopped.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from promtrack import __version__
from promtrack.checks import SUBJECTS, Check, light
from promtrack.errors import InputError, PromtrackError, SettingsError
from promtrack.files import atomic_write
from promtrack.limb import joined, lock_exposures
from promtrack.limb.records import LimbLock, to_frame, turn_at
from promtrack.limb.rotation import SEEN_DEPTH
from promtrack.marks import Marks, Place
from promtrack.motion import measure_motion, named_sectors
from promtrack.motion.by_hand import passes, with_marks
from promtrack.motion.motion_checks import TURN, Sensor
from promtrack.motion.records import Motion
from promtrack.products.folder import ProductFolder, stamp_of
from promtrack.products.strips import check_space, finish_strip, read_strip, strip_header
from promtrack.products.summary import Verdict, write_summary
from promtrack.products.tables import read_lock, read_motion, write_lock, write_motion
from promtrack.sequence import Sequence
from promtrack.sequence.sort_by_time import night
from promtrack.settings import MotionSettings, Settings
from promtrack.show import Measured, draw_figures, render_clip, write_report
from promtrack.show.region_of_interest import asked_angle, asked_track
from promtrack.show.timing import chosen_frames
from promtrack.show.verdict import lights
from promtrack.strip import shown_height_range, strip_geometry, unwrap
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path
from promtrack.strip.unwrap import block_px
from promtrack.sun import Circumstances, measure_scale, orient, refuse_uncertain, solar_view

# Settings sections that each stage depends on, beyond those of the stages before it.
_SECTIONS = {
    "lock": ("times", "site", "camera", "limb"),
    "strip": ("strip",),
    "motion": ("motion",),
    "clip": ("clip",),
    "figures": ("figures",),
    "report": ("clip", "figures"),
}
STAGES = tuple(_SECTIONS)
MEASURED = ("lock", "strip", "motion")
Advance = Callable[[int, int], None]  # called with the steps of a stage that are done, and all of them
Progress = Callable[[str], Advance]


def silent(stage: str) -> Advance:
    """Shows no progress."""
    return lambda done, total: None


@dataclass(slots=True)
class Job:
    """One run under way: where it reads and writes, and what the stages have found so far."""

    source: Path
    folder: ProductFolder
    settings: Settings
    progress: Progress = silent
    log: logging.Logger = field(default_factory=lambda: logging.getLogger("promtrack"))
    fingerprint: str = ""  # of the input before it was opened: what changes later is seen by the next run
    notes: tuple[str, ...] = ()  # sentences about the input and the settings
    marks: Marks = Marks()
    sequence: Sequence = field(init=False)  # as recorded; each is set by its stage, in this order
    lock: LimbLock = field(init=False)
    joined: Sequence = field(init=False)  # the frames to measure and show: two exposures are joined to one
    strip: Strip = field(init=False)
    motion: Motion = field(init=False)
    files: dict[str, list[Path]] = field(default_factory=dict)

    @property
    def about(self) -> Circumstances:
        """The Sun on the date, the scale and the orientation: cheap, so made from the lock each time."""
        camera, header = self.settings.camera, self.sequence.header
        moment = self.sequence.times_utc[self.lock.reference]
        view = solar_view(moment, site=self.settings.site, header=header)
        hours = float(np.abs(self.sequence.times_utc - moment).max() / np.timedelta64(1, "h"))
        # camera.north_deg holds for the first frame, angles for the reference frame.
        turn = turn_at(self.lock, 0)
        orientation = orient(view, camera=camera, header=header, turn_deg=turn, hours=hours)
        ends = [float(orientation.to_product(end)) for end in (self.lock.from_deg, self.lock.to_deg)]
        scale = measure_scale(
            self.lock.own_radius_px,
            self.lock.own_radius_err_px,
            view,
            camera=camera,
            limb=self.settings.limb,
            header=header,
            line=self.sequence.line,
            arc_deg=(min(ends), max(ends)) if orientation.position_angles else None,
        )
        return Circumstances(view, scale, orientation)

    @property
    def verdict(self) -> Verdict:
        """The lights of lock, scale and motion as far as the run has come."""
        if getattr(self, "motion", None) is None:
            return {subject: light(self.lock.checks, subject) for subject in SUBJECTS}
        return {one.subject: (one.level, one.reasons) for one in lights(self.measured())}

    def measured(self) -> Measured:
        """Everything measured, for the show room."""
        return Measured(
            self.settings, self.joined, self.lock, *self.about, self.strip, self.motion, __version__
        )

    def stamp(self, stage: str) -> str:
        """What the stage depends on, in three parts: frames with version, settings of this stage and those
        before, marks."""
        sections = [name for s in (*before(stage), stage) for name in _SECTIONS[s]]
        settings = [getattr(self.settings, name) for name in dict.fromkeys(sections)]
        marks = self.marks
        seen = [marks.leave_out, marks.covered_sensor]
        seen += [marks.covered_sun] if stage != "lock" else []
        seen += [marks.drop, marks.no_front, marks.fronts, marks.knots] if before(stage)[1:] else []
        return "-".join(
            (stamp_of(__version__, self.fingerprint), stamp_of(*settings), stamp_of(*filter(None, seen)))
        )


def before(stage: str) -> tuple[str, ...]:
    """The stages whose products a stage reads."""
    return MEASURED[: MEASURED.index(stage)] if stage in MEASURED else MEASURED


def refuse(job: Job, stage: str) -> None:
    """Raises SettingsError, before anything is written, if the run lacks what the settings ask for."""
    if stage == "motion":
        _check_asked_for(job.settings.motion, job.strip.geometry)
    if stage == "clip":
        asked_angle(job.settings.clip.at, job.motion, job.strip)
        chosen_frames(np.flatnonzero(job.lock.used), job.sequence.times_utc, job.settings.clip)


def _check_asked_for(motion: MotionSettings, geometry: StripGeometry) -> None:
    """Raises SettingsError if strips of this geometry lack the sectors and slits that the settings name."""
    named_sectors(motion, geometry)
    for path in motion.slits:
        try:
            parse_path(path, geometry)
        except SettingsError as error:
            raise error.at("motion.slits") from None


def load(job: Job, stage: str) -> None:
    """Bring back what a stage has left, raises InputError where it is damaged; what clip, figures and report
    leave no later stage reads."""
    if stage == "lock":
        job.lock = read_lock(job.folder)
        if job.lock.names != job.sequence.names:
            what, remedy = "does not belong to the frames in the input", "make it again with `promtrack lock`"
            raise InputError(what, where=str(job.folder["frames"]), remedy=remedy)
        job.joined = joined(job.sequence, job.lock)
    elif stage == "strip":
        just_made = getattr(job, "strip", None)
        job.strip = replace(read_strip(job.folder), decoded=just_made and just_made.decoded)
    elif stage == "motion":
        job.motion = read_motion(job.folder, job.strip)
        job.strip = replace(job.strip, decoded=None)  # what follows reads a few strips


def _do_lock(job: Job, progress: Advance) -> list[Path]:
    s = job.settings
    lock = lock_exposures(job.sequence, limb=s.limb, camera=s.camera, site=s.site, progress=progress)
    checks = list(lock.checks)
    if dark := night(job.sequence, s.site):  # an impossible site: what is computed from it is wrong
        checks.append(Check("lock", "Sun above the horizon", "poor", dark))
    if lock.used.sum() == 1:
        alone = "One frame cannot be compared with others: nothing checks its place and its radius."
        checks.append(Check("lock", "one frame", "fair", alone))
    job.lock = replace(lock, checks=tuple(checks))
    rejected = int(lock.rejected.sum())
    if rejected > s.limb.most_rejected * len(job.sequence) or not lock.used.any():
        reasons = ", ".join(sorted({reason for reason in lock.reason if reason}))
        what = f"{rejected} of {len(job.sequence)} frames cannot be trusted ({reasons})"
        remedy = "look at the frames, or allow more with --set limb.most_rejected="
        raise InputError(what, where=str(job.source), remedy=remedy)
    refuse_uncertain(job.about.scale, str(job.source))
    for note in job.lock.notes:
        job.log.info(note)
    path = write_lock(job.folder, job.sequence, job.lock)
    _write_summary(job)  # motion completes it
    return [path]


def _write_summary(job: Job, measured: Measured | None = None) -> Path:
    known = job.about, job.verdict, measured, job.notes
    return write_summary(job.folder, __version__, job.sequence, job.lock, *known)


def _do_strip(job: Job, progress: Advance) -> list[Path]:
    about, strips = job.about, job.settings.strip
    _, scale, orientation = about
    checked = f"; {scale.check}" if scale.check else ""
    size = f"{scale.km_per_px:.1f} +- {scale.sigma_km_per_px:.1f} km a pixel"
    job.log.info("scale: %s (%s)%s", size, scale.source, checked)
    job.log.info("orientation: %s", orientation.source)
    geometry = strip_geometry(job.lock, scale, orientation, strip=strips)
    if strips.high_mm is None:
        geometry = shown_height_range(job.joined, job.lock, orientation, geometry)
    extent = f"{geometry.low_mm:.0f} to {geometry.height_mm(geometry.rows - 1):.0f} Mm above the limb"
    job.log.info("strips: %d x %d px, %s", geometry.columns, geometry.rows, extent)
    _check_asked_for(job.settings.motion, geometry)  # rather now than when the frames are unwrapped
    check_space(job.folder, geometry, int(job.lock.used.sum()))
    hidden_px = job.marks.hidden_px(job.sequence.shape)
    if hidden_px is not None and job.sequence.turned is not None:  # frames lie in both orientations
        hidden_px = hidden_px | hidden_px[::-1, ::-1]
    header = strip_header(geometry, job.sequence.times_utc[job.lock.used], about, __version__)
    with atomic_write(job.folder["strip"]) as part:
        job.strip = unwrap(
            job.joined,
            job.lock,
            orientation,
            geometry,
            path=part,
            header=header,
            hidden_px=hidden_px,
            hidden=job.marks.hidden(geometry),
            progress=progress,
        )
        finish_strip(part, job.strip, job.joined, job.lock, about)
    return [job.folder["strip"]]


def _do_motion(job: Job, progress: Advance) -> list[Path]:
    _, scale, orientation = job.about

    def place(frame: int, angle_deg: float, height_mm: float) -> tuple[float, float]:
        rho_px = job.lock.radius_px + height_mm * 1e3 / scale.km_per_px
        x, y = to_frame(job.lock, frame, np.asarray(orientation.to_image(angle_deg)), np.asarray(rho_px))
        return float(x), float(y)

    turns = any(c.name == "field rotation" and c.level == "poor" for c in job.lock.checks)
    doubt = TURN if turns else ""
    block_mm = block_px(job.joined.frame(job.lock.reference)) * scale.km_per_px / 1e3
    job.strip = job.strip.held()
    named = _named_place(job)
    job.motion = measure_motion(
        job.strip,
        motion=job.settings.motion,
        scale_err=scale.sigma_km_per_px / scale.km_per_px,
        clock_err=job.settings.times.rate_err,
        sensor=Sensor(place, job.lock.shape, block_mm),
        disc_counts=_disc_counts(job),
        doubt=doubt,
        progress=lambda done, total: progress(done, total + 1),
    )
    job.motion = with_marks(
        job.strip,
        job.motion,
        job.marks,
        rng=np.random.default_rng(0),  # the same marks give the same bytes
        doubt=doubt,
    )
    now = asked_track(job.settings.clip.at, job.motion)
    if named and now and not passes(job.strip, now, named):
        other = f"clip.at: the letter {job.settings.clip.at} now names another body than in the last run"
        control = replace(job.motion.control, notes=(*job.motion.control.notes, other))
        job.motion = replace(job.motion, control=control)
    for note in job.motion.control.notes:
        job.log.info(note)
    files = [*write_motion(job.folder, job.strip, job.motion, place), _write_summary(job, job.measured())]
    progress(len(job.strip) + 1, len(job.strip) + 1)
    return files


def _named_place(job: Job) -> Place | None:
    """Where the body that `clip.at` named in the folder's last run stood midway; None where it named none."""
    if job.settings.clip.at.strip():
        with suppress(PromtrackError):  # there was no run, or its tables are damaged
            track = asked_track(job.settings.clip.at, read_motion(job.folder, job.strip))
            if track is not None:
                middle = len(track.time_s) // 2
                seen = job.strip.moment(track.time_s[middle])
                return Place(seen, float(track.angle_deg[middle]), float(track.height_mm[middle]), np.nan)
    return None


def _disc_counts(job: Job) -> float:
    """Brightness of the disc just inside the limb, in the strips' counts; nan where it is burnt out."""
    lock, index = job.lock, job.lock.reference
    angles = np.linspace(lock.from_deg, lock.to_deg, 200)
    x, y = to_frame(lock, index, angles, np.full(angles.shape, SEEN_DEPTH * lock.radius_px))
    column, row = np.rint(x).astype(int), np.rint(y).astype(int)
    inside = (column >= 0) & (row >= 0) & (column < lock.shape[1]) & (row < lock.shape[0])
    light = job.joined.frame(index)[row[inside], column[inside]]
    if not len(light) or np.median(light) >= job.joined.full_scale:
        return float("nan")
    return float(np.median(light) - lock.sky[index]) / float(lock.transparency[index])


def _do_report(job: Job, progress: Advance) -> list[Path]:
    folder, measured = job.folder, job.measured()
    figures = [file for file in folder.files_of("figures") if file.suffix == ".png" and file.exists()]
    clip, poster = folder["clip"], folder["poster"]
    return [write_report(measured, folder["report"], clip=clip, poster=poster, figures=figures)]


DOERS: dict[str, Callable[[Job, Advance], list[Path]]] = {
    "lock": _do_lock,
    "strip": _do_strip,
    "motion": _do_motion,
    "clip": lambda job, progress: list(render_clip(job.measured(), job.folder.path, progress=progress)),
    "figures": lambda job, progress: list(
        draw_figures(job.measured(), job.folder["figures"], progress=progress)
    ),
    "report": _do_report,
}
