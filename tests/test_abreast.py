"""Several items at a time: order, bounded look-ahead, errors in their turn."""

import threading
import time

import cv2
import pytest

from promtrack.abreast import abreast, one_thread_each


def test_results_come_in_the_order_of_the_items():
    # TRUTH  later items are done sooner.
    def slow_first(k):
        time.sleep(0.02 if k == 0 else 0.0)
        return k * k

    assert list(abreast(slow_first, range(20), workers=3)) == [k * k for k in range(20)]


def test_no_more_items_are_drawn_than_needed():
    # TRUTH  two workers and one in reserve: when result k is handed out, items up to k + 2 have been drawn.
    drawn = []

    def items():
        for k in range(10):
            drawn.append(k)
            yield k

    for result in abreast(lambda k: k, items(), workers=2):
        assert max(drawn) <= result + 2


def test_two_items_are_really_worked_on_at_once():
    # TRUTH  each waits for the other: one after the other would never meet (timeout).
    meeting = threading.Barrier(2, timeout=10.0)
    assert len(list(abreast(lambda k: meeting.wait(), range(2), workers=2))) == 2


def test_an_error_is_raised_in_its_turn_and_ends_the_work():
    got = []
    with pytest.raises(ZeroDivisionError):
        for result in abreast(lambda k: 1 // (3 - k), range(10), workers=2):
            got.append(result)
    assert got == [0, 0, 1]


def test_opencv_gets_its_threads_back():
    usual = cv2.getNumThreads()
    with pytest.raises(KeyError), one_thread_each():
        assert cv2.getNumThreads() == 1
        raise KeyError
    assert cv2.getNumThreads() == usual
