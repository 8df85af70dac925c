"""One heap: threads take their memory from where the main thread does."""

import platform
import subprocess
import sys

import pytest

# What malloc_info(3) of the GNU C library lists: one <heap> per arena.
COUNT = """
import ctypes, os, sys, tempfile, threading
from promtrack.process import _one_heap as one_heap
if sys.argv[1] == "one":
    one_heap()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
def work():
    [bytearray(5000) for _ in range(1000)] and libc.malloc(5000)
threads = [threading.Thread(target=work) for _ in range(3)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
libc.fdopen.restype = ctypes.c_void_p
with tempfile.TemporaryFile() as file:
    stream = ctypes.c_void_p(libc.fdopen(os.dup(file.fileno()), b"w"))
    libc.malloc_info(0, stream)
    libc.fclose(stream)
    file.seek(0)
    print(file.read().count(b"<heap"))
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library is told")
def test_threads_share_the_heap():
    # TRUTH: the C library's own account of its heaps, with and without.
    def heaps(how):
        return int(
            subprocess.run(
                [sys.executable, "-c", COUNT, how], capture_output=True, text=True, check=True
            ).stdout
        )

    usual = heaps("usual")
    if usual < 2:
        pytest.skip("this C library gives threads no heaps of their own")
    assert heaps("one") == 1
