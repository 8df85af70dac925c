"""Recordings: frames that are read when asked for, and their times.

In come a folder or a file and settings; out goes a `Sequence`. Read records, then opening, which calls the
others: readers (what kind of file), stills, fitsfile, video and raw_video (frame_source), times with stamps,
sort_by_time, demosaic and calibrate, exposures, fits_header. After opening: hot pixels (calibrate), bursts
(one frame a burst), sessions (pauses of hours, and night).
"""

from promtrack.sequence.opening import open_sequence, sequence_from_arrays
from promtrack.sequence.records import Rejected, Sequence, SolarHeader, TimeReport

__all__ = ["Rejected", "Sequence", "SolarHeader", "TimeReport", "open_sequence", "sequence_from_arrays"]
