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
from scipy.stats import theilslopes

from promtrack.errors import InputError
from promtrack.files import atomic_write
from promtrack.limb.find import find_limb
from promtrack.limb.frame_limb import CEILING
from promtrack.limb.records import Place, frame_points, visible_angles
from promtrack.sequence.frame_source import Found, as_stored, channel_plan, displayed, full_scale
from promtrack.sequence.readers import as_set, find_frames
from promtrack.sequence.times import frame_times
from promtrack.settings import Settings
from promtrack.show.markup import element, whole_page, write_markup

__all__ = ["Seen", "Watch", "live_folder", "look_at", "watch_folder"]

PICTURE_PX = 960  # width of live.png
LIMB_BGR = (230, 180, 70)
_STYLE = """
body { background: #10131a; color: #e8eaee; font: 20px/1.4 system-ui, sans-serif; margin: 0 auto;
  padding: 1rem; max-width: 60rem; }
img { display: block; width: 100%; box-sizing: border-box; border: 1px solid #333b4b; }
.warn { background: #5a1f14; padding: .6rem 1rem; border-radius: .4rem; }
"""
RAYS_DEG = np.arange(0.0, 360.0, 0.5)
ACROSS_PX = np.arange(-12.0, 12.5)  # across the limb, where its steepness is measured
KEPT = 5000  # frames remembered: a night at a frame every few seconds, and memory stays flat
RECENT = 60  # frames from which drift and cadence are taken
WARN_MIN = 10.0  # minutes before the limb leaves, or the disk is full, at which a warning is given
CLOCK_S = 120.0  # a stamp this far from the computer's clock is doubted


@dataclass(frozen=True, slots=True)
class Seen:
    """What one frame shows."""

    name: str
    time_s: float  # POSIX time: of the stamp where there is one, else of arrival
    stamp_off_s: float  # stamp minus arrival; nan without a stamp
    x_px: float  # the Sun's centre and the limb's radius; nan where no limb was found
    y_px: float
    radius_px: float
    arc_deg: float  # of limb inside the frame
    sharpness: float  # steepest fall across the limb per px, in parts of the step
    disc_clipped: float  # part of the disc at full scale
    beyond_clipped: float  # part of the picture beyond the limb at full scale
    problem: str  # why there is no limb, or ''


def look_at(frame: np.ndarray, full_scale: float, *, radius_px: float | None = None) -> dict[str, float]:
    """Limb, sharpness and clipping of one frame: the fields of `Seen` from `x_px` to `beyond_clipped`.

    Parameters
    ----------
    frame : (rows, columns)
    full_scale : value at which the camera saturates
    radius_px : radius of the limb, where earlier frames have given it

    Raises
    ------
    LimbNotFound : with what was seen instead
    """
    circle = find_limb(frame, full_scale, radius_px=radius_px)
    place = Place(circle.x_px, circle.y_px, circle.radius_px)
    seen = RAYS_DEG[visible_angles(place, frame.shape, RAYS_DEG, margin_px=float(ACROSS_PX[-1]))]
    rho = circle.radius_px + ACROSS_PX
    x, y = frame_points(place, seen[:, None], rho[None, :])
    zone = cv2.remap(
        frame.astype(np.float32) if frame.dtype.kind == "f" else frame,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
    ).astype(float)
    step = zone[:, :4].mean(axis=1) - zone[:, -4:].mean(axis=1)
    fall = -np.diff(cv2.blur(zone, (3, 1)), axis=1).min(axis=1)
    sharp = float(np.median(fall / np.maximum(step, 1e-6))) if len(seen) else np.nan
    rows, columns = np.ogrid[0 : frame.shape[0] : 4, 0 : frame.shape[1] : 4]
    distance = np.hypot(columns - circle.x_px, rows - circle.y_px)
    burnt = frame[::4, ::4] >= CEILING * full_scale
    disc, beyond = distance < circle.radius_px - 5, distance > circle.radius_px + 10
    return {
        "x_px": circle.x_px,
        "y_px": circle.y_px,
        "radius_px": circle.radius_px,
        "arc_deg": len(seen) * float(RAYS_DEG[1] - RAYS_DEG[0]),
        "sharpness": sharp,
        "disc_clipped": float(burnt[disc].mean()) if disc.any() else np.nan,
        "beyond_clipped": float(burnt[beyond].mean()) if beyond.any() else np.nan,
    }


@dataclass(slots=True)
class Watch:
    """What has come in so far; an accumulator that is changed in place."""

    folder: Path
    settings: Settings = field(default_factory=Settings)
    seen: deque[Seen] = field(default_factory=lambda: deque(maxlen=KEPT))
    count: int = 0
    size_bytes: float = 0.0  # of the last frame's file
    best: float = 0.0  # sharpness
    last_frame: np.ndarray | None = None
    found: deque[Found] = field(
        default_factory=lambda: deque(maxlen=8)
    )  # the last ones; times need more than one
    done: set[str] = field(default_factory=set)
    waiting: dict[str, tuple[int, int]] = field(default_factory=dict)  # size and date at the last look

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

    def take(self, path: Path) -> Seen | None:
        """Look at one file; None where it holds no frame."""
        try:
            found = as_set(find_frames(path, bayer=self.settings.camera.bayer)[0][-1], self.settings.camera)
            stored = as_stored(found)
            frame = displayed(found, channel_plan(stored, found.colour), stored)
        except InputError:
            return None
        self.found.append(found)
        stamp_s = self._stamp_s()
        full = full_scale([frame], found)
        arrival = path.stat().st_mtime
        known = [s.radius_px for s in list(self.seen)[-RECENT:] if np.isfinite(s.radius_px)]
        values = dict.fromkeys(_NUMBERS, np.nan)
        problem = ""
        try:
            radius = float(np.median(known)) if len(known) >= 5 else None
            values |= look_at(frame, full, radius_px=radius)
        except InputError as error:
            problem = error.what
        time_s = arrival if stamp_s is None else stamp_s
        one = Seen(
            path.name, time_s, np.nan if stamp_s is None else stamp_s - arrival, **values, problem=problem
        )
        self.seen.append(one)
        self.count += 1
        self.size_bytes = float(path.stat().st_size)
        self.best = max(self.best, float(np.nan_to_num(one.sharpness)))
        self.last_frame = frame
        return one

    def _stamp_s(self) -> float | None:
        """POSIX time of the last frame by its own stamp, None where it has none yet."""
        try:
            times = frame_times(list(self.found), self.settings.times, self.folder).times_utc
        except InputError:
            return None
        return (
            None if np.isnat(times[-1]) else float(times[-1].astype("datetime64[us]").astype(np.int64)) / 1e6
        )

    def lines(self, now_s: float) -> tuple[list[str], list[str]]:
        """Sentences on how it goes, and warnings about what is about to be lost."""
        if not self.seen:
            return [f"No frame yet in {self.folder}."], []
        recent = list(self.seen)[-RECENT:]
        last = recent[-1]
        times = np.array([s.time_s for s in recent])
        step = float(np.median(np.diff(times))) if len(times) > 1 else np.nan
        said, warned = [f"{self.count} frames, the last {last.name}"], []
        if np.isfinite(step) and step > 0:
            said.append(f"one every {step:.3g} s")
            quiet = now_s - max(s.time_s - np.nan_to_num(s.stamp_off_s) for s in recent)
            if quiet > max(3.0 * step, 10.0):
                warned.append(
                    f"No frame has come for {quiet:.0f} s, {quiet / step:.0f} times the usual step."
                )
        if abs(np.nan_to_num(last.stamp_off_s)) > CLOCK_S:
            warned.append(
                f"The stamp of {last.name} lies {_minutes(abs(last.stamp_off_s) / 60.0)} "
                f"{'after' if last.stamp_off_s > 0.0 else 'before'} this computer's clock: "
                "wrong clock or zone."
            )
        if last.problem:
            warned.append(f"{last.name}: {last.problem}.")
        else:
            self._of_limb(recent, last, said, warned)
        free = shutil.disk_usage(self.folder).free
        if np.isfinite(step) and step > 0 and self.size_bytes:
            left = free / self.size_bytes * step / 60.0
            said.append(f"disk for {_minutes(left)}")
            if left < WARN_MIN:
                warned.append(f"The disk is full in {_minutes(left)}.")
        return ["; ".join(said) + "."], warned

    def _of_limb(self, recent: list[Seen], last: Seen, said: list[str], warned: list[str]) -> None:
        assert self.last_frame is not None
        good = [s for s in recent if np.isfinite(s.x_px)]
        said.append(f"limb over {last.arc_deg:.0f} deg")
        if len(good) >= 5:
            leaves, speed, where = _drift(good, self.last_frame.shape, self.settings.limb.least_arc_deg)
            said.append(f"the Sun drifts {speed:.1f} px a minute {where}")
            if np.isfinite(leaves):
                said.append(f"the limb leaves the frame in {_minutes(leaves)}")
                if leaves < WARN_MIN:
                    warned.append(
                        f"The limb leaves the frame in {_minutes(leaves)}: guide {_OPPOSITE[where]}."
                    )
        part = last.sharpness / self.best if self.best else np.nan
        said.append(f"sharpness {100 * part:.0f} % of the best so far")
        if last.disc_clipped > 0.5:
            said.append("disc burnt out")
        if last.beyond_clipped > 0.001:
            warned.append(
                f"{100 * last.beyond_clipped:.1f} % of the picture beyond the limb is burnt out: "
                "prominences are clipped; expose less."
            )


_NUMBERS = (
    "x_px", "y_px", "radius_px", "arc_deg", "sharpness", "disc_clipped", "beyond_clipped",
)  # fmt: skip
_OPPOSITE = {"left": "it right", "right": "it left", "up": "it down", "down": "it up"}


def _drift(good: list[Seen], shape: tuple[int, ...], least_arc_deg: float) -> tuple[float, float, str]:
    """Minutes until less than `least_arc_deg` of limb is left, speed in px a minute, and the direction.

    Slopes after Theil (1950) and Sen (1968, J. Am. Stat. Assoc. 63, 1379): one leap does not change them.
    """
    minutes = np.array([s.time_s for s in good]) / 60.0
    minutes -= minutes[-1]
    if np.ptp(minutes) <= 0:
        return np.inf, 0.0, "left"
    x, y = np.array([s.x_px for s in good]), np.array([s.y_px for s in good])
    vx, vy = (float(theilslopes(v, minutes).slope) for v in (x, y))
    where = ("right" if vx > 0 else "left") if abs(vx) > abs(vy) else ("down" if vy > 0 else "up")
    radius = float(np.median([s.radius_px for s in good]))
    ahead = np.arange(0.0, 241.0)
    for minute in ahead:
        place = Place(x[-1] + vx * minute, y[-1] + vy * minute, radius)
        arc = visible_angles(place, (shape[0], shape[1]), RAYS_DEG).sum() * float(RAYS_DEG[1] - RAYS_DEG[0])
        if arc < least_arc_deg:
            return float(minute), float(np.hypot(vx, vy)), where
    return np.inf, float(np.hypot(vx, vy)), where


def _minutes(value: float) -> str:
    if value > 48 * 60:
        return f"{value / (24 * 60):.0f} days"
    return f"{value / 60.0:.1f} h" if value > 120 else f"{value:.0f} min"


def live_folder(folder: Path) -> Path:
    """FOLDER's name with -live appended, beside it."""
    return folder.absolute().with_name(folder.absolute().name + "-live")


def watch_folder(
    folder: Path,
    out: Path,
    settings: Settings,
    *,
    every_s: float = 60.0,
    until_s: float = float("inf"),
    sleep: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.time,
) -> Iterator[str]:
    """Lines to print, until `until_s` or the caller's Ctrl-C.

    Parameters
    ----------
    folder : where frames come in; nothing is written there
    out : folder for live.png and live.html
    every_s : seconds between two lines; files are looked for every second
    until_s : end after so many seconds, with a last line
    sleep, clock : of the system; tests give their own

    Raises
    ------
    InputError : there is no such folder
    """
    if not Path(folder).is_dir():
        raise InputError(
            "is no folder", where=str(folder), remedy="name the folder that the camera writes into"
        )
    watch, due, spoken = Watch(Path(folder), settings), clock(), False
    ready: deque[Path] = deque()
    end = clock() + until_s
    while True:
        ending = clock() >= end
        ready.extend(watch.new_files())
        if ready:
            watch.take(ready.popleft())
        if ending or (clock() >= due and (watch.seen or not spoken)):
            said, warned = watch.lines(clock())
            if watch.last_frame is not None:
                last = watch.seen[-1]
                limb = (last.x_px, last.y_px, last.radius_px)
                write_live(Path(out), watch.last_frame, limb, said=said, warned=warned)
            now = datetime.fromtimestamp(clock(), UTC).strftime("%H:%M:%S")
            for line in (*said, *(f"WARNING: {w}" for w in warned)):
                yield f"{now} UTC  {line}"
            due, spoken = clock() + every_s, True
        if ending:
            return
        if not ready:
            sleep(1.0)


def write_live(
    out: Path,
    frame: np.ndarray,
    limb_px: tuple[float, float, float],
    *,
    said: list[str],
    warned: list[str],
) -> None:
    """live.png, the frame with its limb, and live.html, which renews itself, in the folder `out`.

    Parameters
    ----------
    frame : (rows, columns)
    limb_px : x, y and radius of the limb; nan where none was found
    said, warned : sentences for the page; warnings stand out
    """
    out.mkdir(parents=True, exist_ok=True)
    with atomic_write(out / "live.png") as part:
        part.write_bytes(cv2.imencode(".png", _picture(frame, limb_px))[1].tobytes())
    lines = [element("p", words) for words in said]
    lines += [element("p", words, class_="warn", role="alert") for words in warned]
    address = f"live.png?{int(time.time())}"  # a new one, so that no browser shows the last picture
    picture = element("img", src=address, alt="the last frame, with the limb that was found")
    renew = element("meta", http_equiv="refresh", content="20")
    with atomic_write(out / "live.html") as part:
        write_markup(whole_page("Live: promtrack", _STYLE, *lines, picture, extra=[renew]), part)


def _picture(frame: np.ndarray, limb_px: tuple[float, float, float]) -> np.ndarray:
    factor = min(PICTURE_PX / frame.shape[1], 1.0)
    small = cv2.resize(frame.astype(np.float32), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    high = float(np.percentile(small, 99.9))
    grey = (255 * np.sqrt(np.clip(small / max(high, 1e-6), 0, 1))).astype(np.uint8)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    if np.isfinite(limb_px).all():
        x, y, radius = (round(v * factor * 16) for v in limb_px)  # OpenCV: x, y, in 1/16 px
        cv2.circle(picture, (x, y), radius, LIMB_BGR, 1, cv2.LINE_AA, 4)
    return picture
