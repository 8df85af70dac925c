"""Times against the Sun: a note where the time stamps put a recording into the night.

The commonest cause is local time taken for UTC; then every angle that depends on the clock is wrong.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.sequence.records import Sequence
from promtrack.settings import SiteSettings
from promtrack.sun import sky_place
from promtrack.sun.refraction import LOWEST_DEG

__all__ = ["doubt_night", "night"]


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
