"""What more cores cannot share, by Amdahl's law: `python -m tests.benchmarks.serial_parts FRAMES`.

A run in one thread. Of each stage's processor time that part is taken off which runs as items of
`workers.map_ahead` (frames, strips, pictures), beside another part (fronts and slits beside knots, the poster
beside the check of the clip, figures beside the clip), or in a process of its own (x264). What is left is
serial. Prints a Markdown table; asserts nothing.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from concurrent.futures import Future
from pathlib import Path
from unittest.mock import patch

from promtrack.process import set_switches


class Inline:
    """An executor that does everything at once, in the caller's thread, and adds up what the outermost calls
    took."""

    taken = 0.0
    depth = 0

    def __init__(self, *_: object, **__: object):
        pass

    def submit(self, function, *arguments) -> Future:
        begun = time.process_time()
        Inline.depth += 1
        done = Future()
        try:
            done.set_result(function(*arguments))
        finally:
            Inline.depth -= 1
            if not Inline.depth:
                Inline.taken += time.process_time() - begun
        return done

    def shutdown(self, **_: object) -> None:
        pass

    def __enter__(self) -> Inline:
        return self

    def __exit__(self, *_: object) -> None:
        pass


def main() -> None:
    set_switches()  # before the numerical libraries are loaded
    from promtrack import stages
    from promtrack.pipeline import Job
    from promtrack.products.folder import ProductFolder
    from promtrack.sequence import open_sequence
    from promtrack.settings import Settings
    from tests.benchmarks.process import children_cpu_s

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("frames", type=Path, help="folder of frames")
    frames = parser.parse_args().frames
    parts: list[tuple[str, float, float]] = []  # stage, all, serial
    inline = [
        patch(f"promtrack.{m}.ThreadPoolExecutor", Inline) for m in ("workers", "motion.measure", "show.clip")
    ]
    with tempfile.TemporaryDirectory() as out:
        job = Job(frames, ProductFolder(Path(out)), Settings())
        for one in inline:
            one.start()
        begun = time.process_time()
        job.sequence = open_sequence(frames)
        parts.append(("opening", time.process_time() - begun, time.process_time() - begun))
        for stage in stages.STAGES:
            begun, children, Inline.taken = time.process_time(), children_cpu_s(), 0.0
            job.files[stage] = stages.DOERS[stage](job, lambda done, total: None)
            stages.load(job, stage)
            job.folder.mark_done(stage, "", job.files[stage])
            own, others = time.process_time() - begun, children_cpu_s() - children
            parts.append((stage, own + others, 0.0 if stage == "figures" else own - Inline.taken))
        for one in inline:
            one.stop()
    whole = sum(spent for _, spent, _ in parts)
    print("| stage | processor seconds | serial | of the whole |\n| --- | --- | --- | --- |")
    for stage, spent, serial in [*parts, ("whole", whole, sum(serial for *_, serial in parts))]:
        print(f"| {stage} | {spent:.1f} | {serial:.1f} | {100 * serial / whole:.0f} % |")


if __name__ == "__main__":
    main()
