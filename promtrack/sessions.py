"""Sessions of one recording: what lies between pauses of hours, which is measured apart.

Over a pause no knot can be followed, focus and camera may have been changed, and the Sun has turned under
what stands on the limb: one run over it would join what does not belong together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence import Sequence, open_sequence
from promtrack.settings import Settings

__all__ = ["Session", "refuse_several", "session_settings", "sessions", "sessions_of"]

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
