"""Recordings: frames that are read when asked for, and their times."""

from promtrack.sequence.opening import open_sequence, sequence_from_arrays
from promtrack.sequence.records import Rejected, Sequence, SolarHeader, TimeReport

__all__ = ["Rejected", "Sequence", "SolarHeader", "TimeReport", "open_sequence", "sequence_from_arrays"]
