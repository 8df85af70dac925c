"""Recordings: frames that are read when asked for, and their times.

In come a folder or a file and settings; out goes a `Sequence`. Read records, then opening, which calls the
others: readers (what kind of file), stills, fitsfile, video and capture (found frames), times with stamps,
zones and tables, order, develop with fullscale and calibrate, exposures, solarheader. After opening: hot
(bad pixels), bursts with quality (one frame a burst), daylight (times against the Sun).
"""

from promtrack.sequence.opening import open_sequence, sequence_from_arrays
from promtrack.sequence.records import Rejected, Sequence, SolarHeader, TimeReport

__all__ = ["Rejected", "Sequence", "SolarHeader", "TimeReport", "open_sequence", "sequence_from_arrays"]
