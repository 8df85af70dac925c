"""Speed and memory against a floor measured in the same run: `python -m tests.benchmarks [--frames N] [--long] [--library]`.

Asserts nothing. Prints Markdown tables for docs/performance.md. Frames are synthetic (promtrack.scene); accuracy stands
beside speed, so that neither is bought with the other.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2

from promtrack.scene import SceneSpec, make_scene
from promtrack.scene.spec import Hedgerow, Knot
from promtrack.settings import Settings
from promtrack.show.encode import x264_options
from tests.benchmarks.by_library import library_seconds
from tests.benchmarks.floor import encoder_options, floor_seconds
from tests.benchmarks.process import Timing, time_command

ENCODER = x264_options(Settings().clip.rate, Settings().clip.quality)


def bench_spec(shape: tuple[int, int], frames: int) -> SceneSpec:
    """An hour's worth of limb: hedgerow, five knots, drift, seeing."""
    knots = tuple(Knot(at_deg=3.0 * k - 6.0, height_mm=12.0 + 4 * k, radial_km_s=6.0 + 5 * k, along_km_s=8.0 - 4 * k, snr=14.0,
                       life_s=1500.0, from_s=120.0 * k) for k in range(5))
    return SceneSpec(name="bench", shape=shape, frames=frames, cadence_s=10.0, limb_arc_deg=40.0, hedgerows=(Hedgerow(),), knots=knots,
                     drift_px=(25.0, -12.0), exposure="both", seed=5)


def write_frames(spec: SceneSpec, folder: Path) -> list[Path]:
    """The scene's frames as uncompressed 16-bit TIFF, made on all cores."""
    folder.mkdir(parents=True)
    parts = os.cpu_count() or 1
    with ProcessPoolExecutor(parts) as pool:
        list(pool.map(_write_part, [spec] * parts, [folder] * parts, range(parts), [parts] * parts))
    return sorted(folder.iterdir())


def _write_part(spec: SceneSpec, folder: Path, first: int, step: int) -> None:
    scene = make_scene(spec)
    for i in range(first, spec.count, step):
        stamp = str(spec.times_utc[i].astype("datetime64[ms]")).replace(":", "-")
        cv2.imwrite(str(folder / f"{stamp}Z.tif"), scene.frame(i), [cv2.IMWRITE_TIFF_COMPRESSION, 1])


def lengthen(frames: list[Path], folder: Path, times: int, cadence_s: float) -> list[Path]:
    """The same frames again and again under later times, as links: a long folder without the disk space."""
    folder.mkdir()
    begun = _time_of(frames[0])
    paths = []
    for i in range(len(frames) * times):
        when = begun + (i * cadence_s * 1e3)
        stamp = time.strftime("%Y-%m-%dT%H-%M-%S", time.gmtime(when / 1e3)) + f".{int(when % 1000):03d}Z"
        path = folder / f"{stamp}.tif"
        os.link(frames[_there_and_back(i, len(frames))], path)
        paths.append(path)
    return paths


def _there_and_back(i: int, n: int) -> int:
    """Forward, then backward, so that a repeated sequence has no jump."""
    lap, place = divmod(i, n)
    return place if lap % 2 == 0 else n - 1 - place


def _time_of(path: Path) -> float:
    import calendar
    return calendar.timegm(time.strptime(path.name[:19], "%Y-%m-%dT%H-%M-%S")) * 1e3


def compare(label: str, frames: list[Path], scratch: Path, repeats: int) -> tuple[Timing, float]:
    """Run and floor in turn; medians."""
    walls, floors, timing = [], [], Timing()
    out = scratch / f"{label}-promtrack"
    for _ in range(repeats):
        shutil.rmtree(out, ignore_errors=True)
        timing = time_command(["run", str(frames[0].parent), "--out", str(out)], scratch=out)
        if timing.status:
            raise SystemExit(f"the run failed: {timing.output}")
        walls.append(timing.wall_s)
        floors.append(floor_seconds(frames, out / "clip.mp4", ENCODER, scratch))
    timing.wall_s = statistics.median(walls)
    return timing, statistics.median(floors)


def print_run(label: str, count: int, timing: Timing, floor_s: float, clip: Path) -> None:
    size = encoder_options(clip)
    print(f"\n### {label}\n")
    print(f"{count} frames; clip {size['width']}x{size['height']}, {size['pictures']} pictures; floor {floor_s:.2f} s\n")
    print("| stage | seconds | share | ratio to the floor |\n| --- | --- | --- | --- |")
    for stage, seconds in timing.stages.items():
        print(f"| {stage} | {seconds:.2f} | {100 * seconds / timing.wall_s:.0f} % | {seconds / floor_s:.2f} |")
    rest = timing.wall_s - sum(timing.stages.values())
    print(f"| start-up and the rest | {rest:.2f} | {100 * rest / timing.wall_s:.0f} % | {rest / floor_s:.2f} |")
    print(f"| **whole** | **{timing.wall_s:.2f}** | 100 % | **{timing.wall_s / floor_s:.2f}** |")
    print(f"\npeak memory {timing.peak_mb:.0f} MB, encoder {timing.encoder_mb:.0f} MB, largest scratch {timing.scratch_mb:.0f} MB")


def print_check(frames: list[Path]) -> None:
    check = time_command(["check", str(frames[0].parent)])
    begun = time.perf_counter()
    for path in frames[:: max(1, len(frames) // 12)][:12]:
        cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    reading = time.perf_counter() - begun
    print(f"\n### check\n\nwhole {check.wall_s:.2f} s, first words after {check.first_words_s:.2f} s, "
          f"reading 12 frames alone {reading:.3f} s")


def print_start() -> None:
    walls = [time_command(["--help"]).wall_s for _ in range(5)]
    print(f"\n### start\n\n`promtrack --help`: median {statistics.median(walls):.3f} s of {len(walls)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--long", action="store_true", help="also ten times as many frames")
    parser.add_argument("--library", action="store_true", help="also the same job scripted from scikit-image and trackpy")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        print_start()
        small = write_frames(bench_spec((768, 1024), 60), scratch / "small")
        timing, floor_s = compare("small-out", small, scratch, options.repeats)
        print_run("60 frames 1024x768", 60, timing, floor_s, scratch / "small-out-promtrack" / "clip.mp4")
        print(f"\n1.3 x floor + 3 s = {1.3 * floor_s + 3:.2f} s")
        large = write_frames(bench_spec((1200, 1920), options.frames), scratch / "large")
        print_check(large)
        timing, floor_s = compare("large-out", large, scratch, options.repeats)
        print_run(f"{options.frames} frames 1920x1200", options.frames, timing, floor_s, scratch / "large-out-promtrack" / "clip.mp4")
        if options.library:
            seconds, speed = library_seconds(small)
            print(f"\n### scikit-image and trackpy\n\n60 frames 1024x768: {seconds:.1f} s without clip or figures; "
                  f"median speed {speed:.1f} km/s")
        if options.long:
            many = lengthen(large, scratch / "many", 10, 10.0)
            timing10, floor10 = compare("many-out", many, scratch, 1)
            print_run(f"{len(many)} frames 1920x1200", len(many), timing10, floor10, scratch / "many-out-promtrack" / "clip.mp4")
            print(f"\ntime for ten times the frames: {timing10.wall_s / timing.wall_s:.2f} times; "
                  f"memory {timing10.peak_mb / timing.peak_mb:.2f} times")


if __name__ == "__main__":
    main()
