"""When each frame was taken: found frames and settings in, UTC times and a report out.

Each source answers for all frames at once, with NaT for a frame it knows nothing about. With times.source =
auto the first source of the list that knows the time of most frames is taken. Playback is not time: a film,
or names, that would put frames less than a second apart are asked about.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from pathlib import Path

import numpy as np

from promtrack.errors import InputError, SettingsError
from promtrack.sequence.bursts import find_bursts
from promtrack.sequence.fits_header import middle_of_exposure
from promtrack.sequence.frame_source import Found
from promtrack.sequence.records import Rejected, TimeReport
from promtrack.sequence.stamps import (
    NO_TIME,
    Stamp,
    find_by_pattern,
    minute_pattern,
    parse_stamp,
    pattern_search,
    read_zone,
    running_numbers,
    stamps_in_names,
    stamps_to_utc,
    table_stamps,
)
from promtrack.settings import TimesSettings

GIVE = (
    "give them, for instance: --set times.start=2026-05-17T09:31:20Z --set times.cadence_s=10, "
    "or a table with the columns file and time: --set times.table=FILE"
)


@dataclass(frozen=True, slots=True, eq=False)
class FrameTimes:
    """Frames, in the order of their files or of time, and their times."""

    frames: list[Found]
    times_utc: np.ndarray  # (n,) datetime64[us], middle of the exposure where it is known; NaT: no time
    report: TimeReport  # in the order of files: problems of the stamps only
    left_out: tuple[Rejected, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Asked:
    frames: list[Found]
    settings: TimesSettings
    zone: tzinfo
    folder: Path

    def utc(
        self, stamps: list[Stamp | None], shift_s: np.ndarray | float = 0.0
    ) -> tuple[np.ndarray, list[str]]:
        """(n,) times of the frames from the stamps of their files, and what was odd about the stamps."""
        times, problems = stamps_to_utc(stamps, self.zone)
        return _shifted(times, shift_s + self.within_file_s), problems

    @property
    def within_file_s(self) -> np.ndarray:
        """(n,) seconds since the first frame of the same file; nan where that is not known."""
        if self.settings.cadence_s > 0:
            return np.array([frame.number for frame in self.frames]) * self.settings.cadence_s
        since = np.array([frame.stamps.since_start_s for frame in self.frames])
        single = np.array([frame.count == 1 for frame in self.frames])
        return np.where(single & ~np.isfinite(since), 0.0, since)

    @property
    def in_files(self) -> str:
        """How the time within a file was found, for the report."""
        if all(frame.count == 1 for frame in self.frames):
            return ""
        cadence_s = self.settings.cadence_s
        return f" + {cadence_s:g} s a frame" if cadence_s > 0 else " + time within the file"


@dataclass(frozen=True, slots=True, eq=False)
class _Answer:
    times_utc: np.ndarray
    detail: str
    problems: tuple[str, ...] = ()

    @property
    def known(self) -> int:
        """Number of frames whose time is known."""
        return int(np.count_nonzero(~np.isnat(self.times_utc)))


def frame_times(frames: list[Found], settings: TimesSettings, folder: Path) -> FrameTimes:
    """Times of all frames from the source that the settings name, or the first that knows most of them.
    Raises InputError: no source knows the time of two frames or more, or frames would be less than a second
    apart by what may be playback or a running number; SettingsError: a zone, start, pattern or table that
    cannot be used."""
    asked = _Asked(frames, settings, read_zone(settings.zone), folder)
    looked: dict[str, _Answer | None] = {}
    auto = settings.source == "auto"
    for source, answer_of in _SOURCES.items():
        if source == "file-date" if auto else source.partition(":")[0] != settings.source:
            continue
        looked[source] = found = answer_of(asked)
        if found and 2 * found.known > len(frames):
            break
    answers = {source: answer for source, answer in looked.items() if answer and answer.known}
    if not answers:
        raise InputError(_unknown(frames, settings), remedy=GIVE)
    kind = max(answers, key=lambda source: answers[source].known)
    source, answer = kind.partition(":")[0], answers[kind]
    if auto:
        _ask_about_cadence(frames, settings, kind, answer)
    problems = answer.problems + _not_used(source, answer, answers, settings)
    problems += _contradicted(asked, source, answer, looked) if auto else ()
    offset = np.timedelta64(round(settings.offset_s * 1e6), "us")
    return FrameTimes(frames, answer.times_utc + offset, TimeReport(source, answer.detail, problems))


def _ask_about_cadence(frames: list[Found], settings: TimesSettings, kind: str, answer: _Answer) -> None:
    """Raises InputError where the playback of a film, or numbers in names, would put frames less than a
    second apart; bursts with pauses between them are what they seem."""
    playback = kind in ("names", "exif", "cadence", "video:container") and settings.cadence_s == 0
    times = np.sort(answer.times_utc[~np.isnat(answer.times_utc)])
    steps = np.diff(times) / np.timedelta64(1, "s")
    film = any(np.isfinite(frame.stamps.since_start_s) and frame.stamps.fits is None for frame in frames)
    if not playback or not (film or kind == "names") or not (steps > 0).any():
        return
    usual = float(np.median(steps[steps > 0]))
    whole = np.all((times - times[0]) % np.timedelta64(1, "s") == np.timedelta64(0))
    if usual >= 1.0 or (whole and not film) or find_bursts(times):
        return
    what = f"has {1 / usual:.3g} frames a second by its names, whose decimals may be a running number"
    if film:
        what = f"plays {1 / usual:.3g} pictures a second, and playback is seldom the time between exposures"
    right = f"if it is right as it is, --set times.source={kind.partition(':')[0]}"
    remedy = f"give --set times.cadence_s=10 or the like; {right}"
    raise InputError(f"{what}: how far apart in time are the frames?", remedy=remedy)


def _contradicted(
    asked: _Asked, used: str, answer: _Answer, looked: dict[str, _Answer | None]
) -> tuple[str, ...]:
    """What other stamps say otherwise: by them the same frames run backward, or at another pace. `looked`:
    the answers of sources that were asked already."""
    said: list[str] = []
    for source in ("fits", "names", "exif"):
        if source == used:
            continue
        try:
            other = looked[source] if source in looked else _SOURCES[source](asked)
        except SettingsError:  # of a source that is not used
            continue
        both = ~np.isnat(answer.times_utc) & (~np.isnat(other.times_utc) if other else False)
        if other is None or 2 * both.sum() <= len(both):
            continue
        # over half of the frames, so that whole seconds do not count, nor one stray stamp
        half = max(1, int(both.sum()) // 2)
        here, there = (
            (one.times_utc[both][half:] - one.times_utc[both][:-half]) / np.timedelta64(1, "s")
            for one in (answer, other)
        )
        if there.any() and here.all():
            pace = float(np.median(there / here))
            if not 0.8 < pace < 1.25:  # frames are seldom saved as evenly as they are taken
                way = "run backward" if pace < 0 else f"lie {pace:.3g} times as far apart"
                by = f"by times.source={source} ({other.detail}) the frames"
                said.append(f"{by} {way}: one of them is wrong")
    return tuple(said)


def _not_used(
    source: str, answer: _Answer, answers: dict[str, _Answer], settings: TimesSettings
) -> tuple[str, ...]:
    """What the user gave for the times and was not used, as the frames say more."""
    said: tuple[str, ...] = ()
    if "table" in answers and source != "table":
        names = f"times.table names only {answers['table'].known} of the {len(answer.times_utc)} frames"
        said = (f"{names} and is not used: times are from {source}",)
    if source == "cadence" or settings.pattern:
        return said
    if settings.start or (settings.cadence_s > 0 and "s a frame" not in answer.detail):
        key, too = ("start", "") if settings.start else ("cadence_s", ", with times.start")
        unused = f"times.{key} is not used, since the times come from {source}"
        said += (f"{unused}; to use it nevertheless: --set times.source=cadence{too}",)
    return said


def _unknown(frames: list[Found], settings: TimesSettings) -> str:
    if settings.source in ("auto", "cadence") and bool(settings.start) != (settings.cadence_s > 0):
        given, missing = ("start", "cadence_s") if settings.start else ("cadence_s", "start")
        unsaid = "the frames do not say when they were recorded"
        absent = "missing or 0" if settings.start else "missing"
        return f"times.{given} is given, but times.{missing} is {absent}, and {unsaid}"
    pattern = minute_pattern(frames[0].file.name)
    if settings.source in ("auto", "names") and pattern and not settings.pattern:
        return (
            f"the stamps in the names end at the minute ('{frames[0].name}', read as {pattern}); what stands "
            f"behind may be seconds or a running number (if the minute is enough: times.pattern={pattern})"
        )
    looked = {
        "auto": "headers, file names and camera data were looked at",
        "cadence": "times.start and times.cadence_s are missing",
        "table": "the table names none of them",
        "names": "their names hold no stamp",
    }
    what = "nothing in the film says" if frames[0].count > 1 else "no frame says"
    return f"{what} when it was recorded ({looked.get(settings.source, 'times.source = ' + settings.source)})"


def _shifted(times_utc: np.ndarray, seconds: np.ndarray) -> np.ndarray:
    sane = np.isfinite(seconds) & (np.abs(seconds) < 1e9)
    moved = times_utc + np.round(np.where(sane, seconds, 0.0) * 1e6).astype("timedelta64[us]")
    return np.where(sane, moved, NO_TIME)


def _from_fits(asked: _Asked) -> _Answer | None:
    if not any(frame.stamps.fits for frame in asked.frames):
        return None
    middles = [middle_of_exposure(frame.stamps.fits or {}) for frame in asked.frames]
    times, problems = asked.utc([stamp for stamp, _, _ in middles], np.array([s for _, s, _ in middles]))
    labels = Counter(label for stamp, _, label in middles if stamp)
    if len(labels) > 1:
        kinds = ", ".join(f"{label} ({count})" for label, count in labels.items())
        problems.append(f"the frames have different time keywords: {kinds}")
    detail = labels.most_common(1)[0][0] if labels else ""
    return _Answer(times, detail + asked.in_files, tuple(problems))


def _from_table(asked: _Asked) -> _Answer | None:
    if not asked.settings.table:
        if asked.settings.source == "table":
            what = "times.source is table, but times.table is empty"
            raise SettingsError(what, remedy="name it: --set times.table=FILE")
        return None
    stamps, path = table_stamps(asked.settings.table, asked.folder)
    rows = []
    for frame in asked.frames:
        keys = [frame.name, f"{frame.file.stem}#{frame.number}"]
        keys += [frame.file.name, frame.file.stem] if frame.count == 1 else []
        rows.append(next((stamps[key] for key in keys if key in stamps), None))
    times, problems = stamps_to_utc(rows, asked.zone)
    return _Answer(times, f"table {path.name}", tuple(problems))


def _from_clock(asked: _Asked) -> _Answer:
    times = np.array([frame.stamps.clock_utc for frame in asked.frames], "datetime64[us]")
    return _Answer(times, "stamps recorded with the frames")


def _from_names(asked: _Asked) -> _Answer:
    names = list(dict.fromkeys(frame.file.name for frame in asked.frames))
    stamps = _by_pattern(names, asked.settings) if asked.settings.pattern else stamps_in_names(names)
    # A film's name gives its start only; where the user has given the start, that counts.
    given = asked.settings.source == "auto" and bool(asked.settings.start)
    own = [None if given and f.count > 1 else stamps[f.file.name] for f in asked.frames]
    times, problems = asked.utc(own)
    how = f"pattern {asked.settings.pattern}" if asked.settings.pattern else "stamps in the file names"
    return _Answer(times, how + asked.in_files, tuple(problems))


def _by_pattern(names: list[str], settings: TimesSettings) -> dict[str, Stamp | None]:
    """Stamps by the user's pattern; a pattern without a date takes the date of times.start."""
    search = pattern_search(settings.pattern)
    stamps = {name: find_by_pattern(name, settings.pattern, search) for name in names}
    if "%Y" in settings.pattern or "%y" in settings.pattern:
        return stamps
    day = parse_stamp(settings.start)
    if day is None:
        remedy = "add %Y, or give the date as well: --set times.start=2026-05-17"
        raise SettingsError(f"times.pattern '{settings.pattern}' has no year", remedy=remedy)
    return {
        name: stamp and replace(stamp, written=datetime.combine(day.written.date(), stamp.written.time()))
        for name, stamp in stamps.items()
    }


def _from_exif(asked: _Asked) -> _Answer | None:
    stamps = [frame.stamps.exif for frame in asked.frames]
    if not any(stamps):
        return None
    times, problems = asked.utc([parse_stamp(stamp) for stamp in stamps])
    how = "with decimals" if any("." in stamp for stamp in stamps) else "in whole seconds"
    return _Answer(times, f"EXIF DateTimeOriginal {how}", tuple(problems))


def _from_cadence(asked: _Asked) -> _Answer | None:
    if not asked.settings.start:
        return None
    start = parse_stamp(asked.settings.start)
    if start is None:
        what = f"times.start '{asked.settings.start}' is no time"
        raise SettingsError(what, remedy="write it as 2026-05-17T09:31:20Z")
    cadence_s = asked.settings.cadence_s
    one_film = len({frame.file for frame in asked.frames}) == 1 and asked.frames[0].count > 1
    if cadence_s <= 0 and not one_film:
        return None
    times, problems = stamps_to_utc([start], asked.zone)
    seconds = asked.within_file_s
    numbers = running_numbers([frame.file.name for frame in asked.frames]) if cadence_s > 0 else None
    if cadence_s > 0:
        seconds = np.arange(len(asked.frames)) * cadence_s
    if numbers is not None and (steps := np.diff(numbers)).min() > 0 and not (steps % steps.min()).any():
        place = (numbers - numbers[0]) // steps.min()
        seconds, missing = place * cadence_s, int(place[-1]) + 1 - len(place)
        if missing:
            problems.append(f"{missing} numbers are missing in the names: the times follow the numbers")
    step = f", {cadence_s:g} s a frame" if cadence_s > 0 else " + time within the file"
    return _Answer(_shifted(times, seconds), f"start {asked.settings.start}{step}", tuple(problems))


def _from_container(asked: _Asked) -> _Answer:
    times, problems = asked.utc([parse_stamp(frame.stamps.created) for frame in asked.frames])
    problems.append(
        "the times rest on the creation time in the film, which some recorders write at the end of the "
        "recording or in local time; compare it with your notes"
    )
    return _Answer(times, "creation time of the film" + asked.in_files, tuple(problems))


def _from_file_date(asked: _Asked) -> _Answer:
    written = [np.datetime64(round(frame.file.stat().st_mtime * 1e6), "us") for frame in asked.frames]
    doubt = "file modification times say when a file was written, and copying may change them"
    times = _shifted(np.array(written), asked.within_file_s)
    return _Answer(times, "modification time of the files" + asked.in_files, (doubt,))


# In the order in which auto tries them; behind the colon stands which kind of that source.
_SOURCES: dict[str, Callable[[_Asked], _Answer | None]] = {
    "table": _from_table,
    "fits": _from_fits,
    "video:clock": _from_clock,
    "names": _from_names,
    "exif": _from_exif,
    "cadence": _from_cadence,
    "video:container": _from_container,
    "file-date": _from_file_date,
}
