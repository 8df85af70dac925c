"""Recordings: frames that are read when asked for, and their times.

In come a folder or a file and settings; out goes a `Sequence`. Read records, then opening, which calls the
others: readers (what kind of file), stills, fitsfile, video, frame_source (a frame as stored and as
displayed), times with stamps and fits_header, sort_by_time (and sessions), calibrate (and hot pixels), bursts
(and alternating exposures).
"""

# ruff: noqa: F401 - what the room hands out
from promtrack.sequence.opening import open_sequence, sequence_from_arrays
from promtrack.sequence.records import Rejected, Sequence, TimeReport
