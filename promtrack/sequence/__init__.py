"""Recordings: frames that are read when asked for, and their times.

In come a folder or a file and settings; out goes a `Sequence`. Read records, then opening, which calls the
others: readers (what kind of file), stills, fitsfile, video and raw_video (frame_source), times with stamps,
zones and tables, sort_by_time, demosaic with fullscale and calibrate, exposures, solarheader. After opening:
bad_pixels, bursts with quality (one frame a burst), daylight (times against the Sun).
"""

from promtrack.sequence.opening import open_sequence, sequence_from_arrays
from promtrack.sequence.records import Rejected, Sequence, SolarHeader, TimeReport

__all__ = ["Rejected", "Sequence", "SolarHeader", "TimeReport", "open_sequence", "sequence_from_arrays"]
