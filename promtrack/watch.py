"""`promtrack watch`: frames that come in now, and a line and a picture about them every minute.

Nothing is written into the folder that is watched. Half-written files wait until they stop growing.
"""

from __future__ import annotations

import os
import shutil
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import map_coordinates
from scipy.stats import theilslopes

from promtrack.errors import InputError
from promtrack.files import atomic_write
from promtrack.limb.edge import SmallFrame
from promtrack.limb.find import find_limb
from promtrack.limb.frame_limb import CEILING
from promtrack.limb.records import Place, frame_points, visible_angles
from promtrack.products.folder import ELSEWHERE
from promtrack.rounding import counted, duration, seconds
from promtrack.sequence.frame_source import Found, as_stored, channel_plan, displayed, full_scale
from promtrack.sequence.readers import as_set, find_frames
from promtrack.sequence.times import frame_times
from promtrack.settings import Settings
from promtrack.show.markup import element, filled, joined, write_page

RAYS_DEG = np.arange(0.0, 360.0, 0.5)
ACROSS_PX = np.arange(-12.0, 12.5)  # across the limb, where its steepness is measured
WARN_MIN = 10.0  # minutes before the limb leaves, or the disk is full, at which a warning is given
CLOCK_S = 120.0  # a stamp this far from the computer's clock is doubted


@dataclass(frozen=True, slots=True)
class Look:
    """Limb, sharpness and clipping of one frame."""

    place: Place  # the Sun's centre and the limb's radius
    arc_deg: float  # of limb inside the frame
    sharpness: float  # steepest fall across the limb per px, in parts of the step
    disc_clipped: float  # part of the disc at full scale; nan where the frame shows none
    beyond_clipped: float  # part of the picture beyond the limb at full scale


@dataclass(frozen=True, slots=True)
class Seen:
    """One frame that has come in."""

    name: str
    time_s: float  # POSIX time: of the stamp where there is one, else of arrival
    stamp_off_s: float  # stamp minus arrival; 0 without a stamp
    look: Look | None
    problem: str  # why there is no limb, or ''


def look_at(frame: np.ndarray, full_scale: float, *, radius_px: float | None = None) -> Look:
    """What the limb of one frame shows. `frame`: (rows, columns); `full_scale`: value at which the camera
    saturates; `radius_px`: radius of the limb, where earlier frames have given it. Raises LimbNotFound: with
    what was seen instead."""
    place = find_limb(SmallFrame(frame, full_scale), radius_px=radius_px)
    seen = RAYS_DEG[visible_angles(place, frame.shape, RAYS_DEG, margin_px=float(ACROSS_PX[-1]))]
    x, y = frame_points(place, seen[:, None], place.radius_px + ACROSS_PX[None, :])
    zone = map_coordinates(frame, [y, x], float, order=1)
    step = zone[:, :4].mean(axis=1) - zone[:, -4:].mean(axis=1)
    fall = -np.diff(cv2.blur(zone, (3, 1)), axis=1).min(axis=1)
    rows, columns = np.ogrid[0 : frame.shape[0] : 4, 0 : frame.shape[1] : 4]
    height_px = np.hypot(columns - place.x_px, rows - place.y_px) - place.radius_px
    burnt = frame[::4, ::4] >= CEILING * full_scale
    disc, beyond = burnt[height_px < -5.0], burnt[height_px > 10.0]
    return Look(
        place,
        arc_deg=0.5 * len(seen),
        sharpness=float(np.median(fall / np.maximum(step, 1e-6))) if len(seen) else np.nan,
        disc_clipped=float(disc.mean()) if len(disc) else np.nan,
        beyond_clipped=float(beyond.mean()) if len(beyond) else np.nan,
    )


@dataclass(slots=True)
class Watch:
    """What has come in so far, changed in place; raises InputError where there is no such folder."""

    folder: Path
    settings: Settings = field(default_factory=Settings)
    seen: deque[Seen] = field(default_factory=lambda: deque(maxlen=60))  # drift and cadence are from these
    count: int = 0
    size_bytes: float = 0.0  # of the last frame's file
    best: float = 0.0  # sharpness
    last_frame: np.ndarray | None = None
    found: deque[Found] = field(default_factory=lambda: deque(maxlen=8))  # times need more than one
    done: set[str] = field(default_factory=set)
    waiting: dict[str, tuple[int, int]] = field(default_factory=dict)  # size and date at the last look
    doubt: str = ""  # of the clock, in the words in which it was said last
    doubt_s: float = 0.0  # how far off the stamps were then

    def __post_init__(self) -> None:
        if not self.folder.is_dir():
            remedy = "name the folder that the camera writes into"
            raise InputError("is no folder", where=str(self.folder), remedy=remedy)

    def new_files(self) -> list[Path]:
        """Files that have come in and stopped growing since the last call, the oldest first."""
        ready, found = [], {}
        with os.scandir(self.folder) as entries:
            for entry in entries:
                if entry.name in self.done or entry.name.startswith(".") or not entry.is_file():
                    continue
                state = entry.stat()
                now = (state.st_size, state.st_mtime_ns)
                if self.waiting.get(entry.name) == now and state.st_size:
                    ready.append((state.st_mtime_ns, entry.name))
                else:
                    found[entry.name] = now
        self.waiting = found
        self.done |= {name for _, name in ready}
        return [self.folder / name for _, name in sorted(ready)]

    def take(self, path: Path) -> None:
        """Look at one file; nothing changes where it holds no frame."""
        try:
            found = as_set(find_frames(path, bayer=self.settings.camera.bayer)[0][-1], self.settings.camera)
            stored = as_stored(found)
            frame = displayed(found, channel_plan(stored, found.colour), stored)
            file = path.stat()
        except (InputError, FileNotFoundError):  # a file may be moved away meanwhile
            return
        self.found.append(found)
        stamp_s = self._stamp_s()
        known = [one.look.place.radius_px for one in self.seen if one.look]
        look, problem = None, ""
        try:
            radius_px = float(np.median(known)) if len(known) >= 5 else None
            look = look_at(frame, full_scale([frame], found), radius_px=radius_px)
            self.best = max(self.best, float(np.nan_to_num(look.sharpness)))
        except InputError as error:
            problem = error.what
        time_s = file.st_mtime if stamp_s is None else stamp_s
        self.seen.append(Seen(path.name, time_s, time_s - file.st_mtime, look, problem))
        self.count, self.size_bytes, self.last_frame = self.count + 1, float(file.st_size), frame

    def _stamp_s(self) -> float | None:
        """POSIX time of the last frame by its own stamp, None where it has none yet."""
        try:
            time_utc = frame_times(list(self.found), self.settings.times, self.folder).times_utc[-1]
        except InputError:
            return None
        return None if np.isnat(time_utc) else float(time_utc.astype("datetime64[us]").astype(int)) / 1e6

    def lines(self, now_s: float) -> tuple[list[str], list[str]]:
        """Sentences on how it goes, and warnings about what is about to be lost. `now_s`: POSIX time."""
        if not self.seen:
            return [f"No frame yet in {self.folder}."], []
        last = self.seen[-1]
        step = float(np.median(np.diff([s.time_s for s in self.seen]))) if len(self.seen) > 1 else 0.0
        said, warned = [f"{counted(self.count, 'frame')}, the last {last.name}"], []
        if step > 0.0:
            said.append(f"one every {seconds(step)}")
            quiet = now_s - max(s.time_s - s.stamp_off_s for s in self.seen)
            if quiet > max(3.0 * step, 10.0):
                times = f"{quiet / step:.0f} times the usual step"
                warned.append(f"No frame has come for {quiet:.0f} s, {times}.")
        if abs(last.stamp_off_s) <= CLOCK_S:
            self.doubt = ""
        elif not self.doubt or abs(last.stamp_off_s - self.doubt_s) > CLOCK_S:
            self.doubt_s = last.stamp_off_s
            off = f"{duration(abs(self.doubt_s))} {'after' if self.doubt_s > 0.0 else 'before'}"
            self.doubt = f"The stamp of {last.name} lies {off} this computer's clock: wrong clock or zone."
        warned += [self.doubt] if self.doubt else []
        if last.look is None:
            warned.append(f"{last.name}: {last.problem}.")
        else:
            self._of_limb(last.look, said, warned)
        if step > 0.0 and self.size_bytes:
            left_s = shutil.disk_usage(self.folder).free / self.size_bytes * step
            said.append(f"disk for {duration(left_s)}")
            if left_s < 60.0 * WARN_MIN:
                warned.append(f"The disk is full in {duration(left_s)}.")
        return ["; ".join(said) + "."], warned

    def _of_limb(self, look: Look, said: list[str], warned: list[str]) -> None:
        said.append(f"limb over {look.arc_deg:.0f} deg")
        self._of_drift(said, warned)
        part = look.sharpness / self.best if self.best else np.nan
        said.append(f"sharpness {100 * part:.0f} % of the best so far")
        if look.disc_clipped > 0.5:
            said.append("disc burnt out")
        if look.beyond_clipped > 0.001:
            burnt = f"{100 * look.beyond_clipped:.1f} % of the picture beyond the limb is burnt out"
            warned.append(f"{burnt}: prominences are clipped; expose less.")

    def _of_drift(self, said: list[str], warned: list[str]) -> None:
        """How the Sun drifts, and when less than `limb.least_arc_deg` of it is left; nothing of fewer than
        five frames. Slopes after Theil (1950) and Sen (1968, J. Am. Stat. Assoc. 63, 1379): one leap does not
        change them."""
        good = [(one.time_s / 60.0, one.look.place) for one in self.seen if one.look]
        minutes = np.array([minute for minute, _ in good])
        if len(good) < 5 or np.ptp(minutes) <= 0.0 or self.last_frame is None:
            return
        x, y, radius = np.array([(place.x_px, place.y_px, place.radius_px) for _, place in good]).T
        vx, vy = (float(theilslopes(v, minutes).slope) for v in (x, y))
        where = ("right" if vx > 0 else "left") if abs(vx) > abs(vy) else ("down" if vy > 0 else "up")
        said.append(f"the Sun drifts {np.hypot(vx, vy):.1f} px a minute {where}")
        for minute in range(241):
            place = Place(x[-1] + vx * minute, y[-1] + vy * minute, float(np.median(radius)))
            seen = visible_angles(place, self.last_frame.shape, RAYS_DEG)
            if 0.5 * seen.sum() < self.settings.limb.least_arc_deg:
                leaves = f"he limb leaves the frame in {duration(60.0 * minute)}"
                said.append(f"t{leaves}")
                if minute < WARN_MIN:
                    warned.append(f"T{leaves}: guide it {_OPPOSITE[where]}.")
                return


_OPPOSITE = {"left": "right", "right": "left", "up": "down", "down": "up"}


def live_folder(folder: Path, out: Path | None) -> Path:
    """`out`, or else FOLDER's name with -live appended, beside it; raises InputError where it lies inside."""
    if out is None:
        return folder.absolute().with_name(folder.absolute().name + "-live")
    if Path(os.path.realpath(out)).is_relative_to(os.path.realpath(folder)):
        raise InputError("lies inside the folder that is watched", where=str(out), remedy=ELSEWHERE)
    return out


def watch_folder(
    watch: Watch,
    out: Path,
    *,
    every_s: float = 60.0,
    until_s: float = float("inf"),
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.time,
) -> Iterator[str]:
    """Lines to print, until `until_s` or the caller's Ctrl-C.

    Parameters
    ----------
    watch : of the folder into which frames come; nothing is written there
    out : folder for live.png and live.html
    every_s : seconds between two lines; files are looked for every second
    until_s : end after so many seconds, with a last line
    sleep, clock : of the system; tests give their own
    """
    spoken, shown, doubt = False, False, ""
    ready: deque[Path] = deque()
    due, end = clock(), clock() + until_s
    while True:
        now = clock()
        ready.extend(watch.new_files())
        if ready:
            first = not watch.seen
            watch.take(ready.popleft())
            due = now if first and watch.seen else due
        # what stood there at the start is looked at before the first line
        behind = not shown and (ready or (watch.waiting and not watch.seen))
        if now >= end or (now >= due and (watch.seen or not spoken) and (not behind or now >= due + every_s)):
            said, warned = watch.lines(now)
            write_live(Path(out), watch, said=said, warned=warned)
            new = [w for w in warned if w != doubt]  # the page keeps on showing it
            doubt = watch.doubt
            for line in (*said, *(f"WARNING: {w}" for w in new)):
                yield f"{datetime.fromtimestamp(now, UTC):%H:%M:%S} UTC  {line}"
            due, spoken, shown = now + every_s, True, bool(watch.seen)
        if now >= end:
            return
        if not ready:
            sleep(1.0)


def write_live(out: Path, watch: Watch, *, said: list[str], warned: list[str]) -> None:
    """live.png, the last frame with its limb, and live.html, which renews itself, in the folder `out`.
    `said`, `warned`: sentences for the page; warnings stand out."""
    out.mkdir(parents=True, exist_ok=True)
    lines = [element("p", words) for words in said]
    lines += [element("p", words, class_="warn", role="alert") for words in warned]
    if watch.last_frame is not None:
        picture = _picture(watch.last_frame, watch.seen[-1].look)
        with atomic_write(out / "live.png") as part:
            part.write_bytes(cv2.imencode(".png", picture)[1].tobytes())
        address = f"live.png?{int(time.time())}"  # a new one, so that no browser shows the last picture
        lines.append(element("img", src=address, alt="the last frame, with the limb that was found"))
    write_page(out / "live.html", filled("live.html", lines=joined(lines)))


def _picture(frame: np.ndarray, look: Look | None) -> np.ndarray:
    """The frame (rows, columns) as a smaller picture (rows, columns, 3), blue first."""
    factor = min(960 / frame.shape[1], 1.0)
    small = cv2.resize(frame.astype(np.float32), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    high = float(np.percentile(small, 99.9))
    grey = (255 * np.sqrt(np.clip(small / max(high, 1e-6), 0, 1))).astype(np.uint8)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    if look:
        limb = look.place
        x, y, radius = (round(v * factor * 16) for v in (limb.x_px, limb.y_px, limb.radius_px))
        cv2.circle(picture, (x, y), radius, (230, 180, 70), 1, cv2.LINE_AA, 4)  # OpenCV: x, y, in 1/16 px
    return picture
