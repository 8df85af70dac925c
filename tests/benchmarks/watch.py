"""`promtrack watch` on frames that come in once a second: processor time a frame, and memory, as they grow.

python -m tests.benchmarks.watch [FRAMES [COLUMNS ROWS]]. The clock runs as fast as frames are looked at; a
line and a picture a minute are made as always. The processor time of writing the frames is not counted.
"""

import os
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from promtrack.scene import SceneSpec, make_scene
from promtrack.watch import Watch, watch_folder

PICTURES = 12  # different ones, over and over


def memory_mb() -> float:
    """Resident memory of this process, nan where the system does not tell."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
    except OSError:
        return float("nan")
    return pages * 4096 / 1e6


def main(frames: int = 2000, columns: int = 640, rows: int = 480) -> None:
    spec = SceneSpec(shape=(rows, columns), frames=PICTURES, cadence_s=1.0, limb_arc_deg=35.0, seed=3)
    scene = make_scene(spec)
    flags = [cv2.IMWRITE_TIFF_COMPRESSION, 1]
    pictures = [cv2.imencode(".tif", scene.frame(i), flags)[1].tobytes() for i in range(PICTURES)]
    clock, written, marks = [time.time()], [0], {}
    begun, cpu_of_writing = time.process_time(), [0.0]
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "night"
        folder.mkdir()

        def sleep(seconds: float) -> None:
            """A second goes by, and a frame comes in."""
            before = time.process_time()
            clock[0] += seconds
            number = written[0]
            stamp = np.datetime_as_string(np.datetime64(round(clock[0] * 1e3), "ms")).replace(":", "-")
            path = folder / f"{stamp}Z.tif"
            path.write_bytes(pictures[number % PICTURES])
            os.utime(path, (clock[0], clock[0]))
            written[0] += 1
            cpu_of_writing[0] += time.process_time() - before
            if written[0] in (frames // 10, frames):
                cpu_s = time.process_time() - begun - cpu_of_writing[0]
                marks[written[0]] = cpu_s, memory_mb()

        times = {"until_s": float(frames), "sleep": sleep, "clock": lambda: clock[0]}
        for line in watch_folder(Watch(folder), Path(place) / "live", **times):
            print(line, file=sys.stderr)
    print(f"| frames of {columns} x {rows} | processor time a frame (s) | memory (MB) |\n| --- | --- | --- |")
    before, cpu_before = 0, 0.0
    for count, (cpu_s, memory) in marks.items():
        each = (cpu_s - cpu_before) / (count - before)
        print(f"| {before + 1} to {count} | {each:.3f} | {memory:.0f} |")
        before, cpu_before = count, cpu_s


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
