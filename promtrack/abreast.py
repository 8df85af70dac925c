"""Old name of `map_ahead`, until every room has moved to `promtrack.workers`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import cv2

from promtrack.workers import map_ahead as abreast

__all__ = ["abreast", "one_thread_each"]

TURN_S = 0.0005  # a thread that comes back from OpenCV waits so long for one that computes in Python


@contextmanager
def one_thread_each() -> Iterator[None]:
    """OpenCV calls in this block do not spread over threads of their own, and threads take turns quickly."""
    usual, usual_turn_s = cv2.getNumThreads(), sys.getswitchinterval()
    cv2.setNumThreads(1)
    sys.setswitchinterval(TURN_S)
    try:
        yield
    finally:
        cv2.setNumThreads(usual)
        sys.setswitchinterval(usual_turn_s)
