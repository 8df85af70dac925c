"""Sessions of one recording: what lies between pauses of hours, which is measured apart.

Over a pause no knot can be followed, focus and camera may have been changed, and the Sun has turned under
what stands on the limb: one run over it would join what does not belong together. Here is also the note on
times that put a recording into the night: mostly local time taken for UTC, so that every angle is wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.opening import open_sequence
from promtrack.sequence.records import Sequence
from promtrack.settings import Settings, SiteSettings
from promtrack.sun import sky_place
from promtrack.sun.ephemeris import LOWEST_DEG

PAUSE_H = 3.0  # quiet prominences keep their shape for hours; threads and knots live minutes to half an hour
# A pause is also this many usual steps: frames every few hours are one slow recording, not so many sessions.
PAUSE_STEPS = 10.0


@dataclass(frozen=True, slots=True)
class Session:
    """What lies between two pauses."""

    from_utc: np.datetime64  # whole seconds, as times.from takes them
    to_utc: np.datetime64
    frames: int

    @property
    def name(self) -> str:
        """'2026-05-17T0930', for a folder; sessions begin hours apart."""
        return str(self.from_utc)[:16].replace(":", "")

    @property
    def words(self) -> str:
        """First and last moment (UTC) and the number of frames, for messages."""
        return f"{self.from_utc}Z to {self.to_utc}Z ({self.frames} frames)"


def sessions(source: Path, settings: Settings | None = None) -> list[Session]:
    """The sessions of a recording, in order of time; one where it has no pause of more than `PAUSE_H` hours.

    Raises
    ------
    InputError, SettingsError : as `open_sequence` does
    """
    settings = settings or Settings()
    return sessions_of(open_sequence(Path(source), times=settings.times, camera=settings.camera))


def sessions_of(sequence: Sequence) -> list[Session]:
    """The same of a recording that is open already."""
    times = sequence.times_utc
    steps_s = np.diff(times) / np.timedelta64(1, "s")
    usual_s = float(np.median(steps_s)) if len(steps_s) else 0.0
    first = np.flatnonzero(steps_s > max(3600.0 * PAUSE_H, PAUSE_STEPS * usual_s)) + 1
    parts = np.split(times, first)
    second = np.timedelta64(1, "s")
    return [
        Session(
            part[0].astype("datetime64[s]"), (part[-1] + second).astype("datetime64[s]"), len(part)
        )  # down and up to whole seconds
        for part in parts
    ]


def session_settings(settings: Settings, session: Session) -> Settings:
    """The settings with times.from and times.to of one session."""
    first, last = f"{session.from_utc}Z", f"{session.to_utc}Z"
    return replace(settings, times=replace(settings.times, from_=first, to_=last))


def refuse_several(sequence: Sequence) -> None:
    """Raises InputError where a recording has more than one session, with the ways to measure them."""
    found = sessions_of(sequence)
    if len(found) > 1:
        one = max(found, key=lambda session: session.frames)
        raise InputError(
            f"has {len(found)} sessions with pauses of more than {PAUSE_H:g} hours between them "
            f"({found[0].words}, ...), which do not belong into one measurement",
            where=str(sequence.path),
            remedy="measure each with `promtrack run --each-session`, or one with "
            f"--set times.from={one.from_utc}Z --set times.to={one.to_utc}Z",
        )


def night(sequence: Sequence, site: SiteSettings) -> str:
    """One sentence where the Sun was below the site's horizon at the first, middle or last time; else ''."""
    moments = sequence.times_utc[[0, len(sequence) // 2, -1]]
    altitude = sky_place(moments, site=site).altitude_deg
    if not (altitude < LOWEST_DEG).any():  # nan, without a site, is no doubt
        return ""
    lowest = int(np.argmin(altitude))
    moment = np.datetime_as_string(moments[lowest], unit="s")
    return (
        f"at {moment}Z the Sun was {-altitude[lowest]:.0f} deg below the horizon of the site: if the times "
        "are local, set times.zone, else mend the site or the clock"
    )


def doubt_night(sequence: Sequence, site: SiteSettings) -> Sequence:
    """The sequence; where the Sun was below the site's horizon its time report says so."""
    problem, report = night(sequence, site), sequence.time_report
    if not problem:
        return sequence
    return replace(sequence, time_report=replace(report, problems=(*report.problems, problem)))
