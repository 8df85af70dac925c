"""Workers: as many as the process may use; several items at a time, in order, errors in their turn."""

import os
import threading
import time

import pytest

from promtrack import workers
from promtrack.workers import map_ahead, worker_count


def test_results_come_in_the_order_of_the_items():
    # TRUTH  later items are done sooner.
    def slow_first(k):
        time.sleep(0.02 if k == 0 else 0.0)
        return k * k

    assert list(map_ahead(slow_first, range(20), 3)) == [k * k for k in range(20)]


def test_no_more_items_are_drawn_than_needed():
    # TRUTH  two workers and one in reserve: when result k is handed out, items up to k + 2 have been drawn.
    drawn = []

    def items():
        for k in range(10):
            drawn.append(k)
            yield k

    for result in map_ahead(lambda k: k, items(), 2):
        assert max(drawn) <= result + 2


def test_two_items_are_really_worked_on_at_once():
    # TRUTH  each waits for the other: one after the other would never meet (timeout).
    meeting = threading.Barrier(2, timeout=10.0)
    assert len(list(map_ahead(lambda k: meeting.wait(), range(2), 2))) == 2


def test_an_error_is_raised_in_its_turn_and_ends_the_work():
    got = []
    with pytest.raises(ZeroDivisionError):
        for result in map_ahead(lambda k: 1 // (3 - k), range(10), 2):
            got.append(result)
    assert got == [0, 0, 1]


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system has no affinity")
def test_workers_follow_the_cores_that_the_process_may_use():
    # TRUTH  the operating system holds this process to one core.
    usual = os.sched_getaffinity(0)
    try:
        os.sched_setaffinity(0, {min(usual)})
        assert worker_count() == 1
    finally:
        os.sched_setaffinity(0, usual)


def test_workers_follow_the_quota_of_the_container_and_of_those_above_it(tmp_path):
    # TRUTH  quotas of 3 cores and of 1.5 cores above them: 1.5 holds; a group without a quota says nothing.
    (tmp_path / "club" / "run").mkdir(parents=True)
    (tmp_path / "club" / "run" / "cpu.max").write_text("300000 100000\n")
    (tmp_path / "club" / "cpu.max").write_text("150000 100000\n")
    (tmp_path / "own").write_text("0::/club/run\n")
    assert workers._container_cores(tmp_path, tmp_path / "own") == 1.5
    (tmp_path / "club" / "cpu.max").write_text("max 100000\n")
    assert workers._container_cores(tmp_path, tmp_path / "own") == 3.0
    assert workers._container_cores(tmp_path, tmp_path / "missing") == float("inf")


def test_workers_follow_the_memory(tmp_path, monkeypatch):
    # TRUTH  1 GB on the machine, 300 MB left in the container.
    (tmp_path / "meminfo").write_text("MemTotal: 4000000 kB\nMemAvailable: 1000000 kB\n")
    (tmp_path / "memory.max").write_text("500000000\n")
    (tmp_path / "memory.current").write_text("200000000\n")
    (tmp_path / "own").write_text("0::/\n")
    assert workers.free_bytes(tmp_path, tmp_path / "own", tmp_path / "meminfo") == 300e6
    assert workers.free_bytes(tmp_path, tmp_path / "missing", tmp_path / "meminfo") == 1024e6
    monkeypatch.setattr(workers, "free_bytes", lambda: 300e6)
    assert worker_count(worker_bytes=1_000_000_000) == 1
