"""Speed and memory against floors measured in the same run: `python -m tests.benchmarks [--frames N] [--long] [--library]`.

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
from calendar import timegm
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2

from promtrack.pipeline import Job
from promtrack.products import ProductFolder, read_lock, read_motion, read_strip
from promtrack.scene import SceneSpec, make_scene
from promtrack.scene.judge import judge
from promtrack.scene.spec import Hedgerow, Knot
from promtrack.sequence import open_sequence
from promtrack.settings import Settings
from promtrack.show.encode import x264_options
from tests.benchmarks.by_library import library_seconds
from tests.benchmarks.floor import clip_floor_seconds, clip_shape, plain_floor_seconds
from tests.benchmarks.process import Timing, time_command

ENCODER = x264_options(Settings().clip.rate, Settings().clip.quality)
SMALL, LARGE = (768, 1024), (1200, 1920)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A whole run, and what it cannot fall below."""

    frames: int
    timing: Timing
    plain_s: float
    clip_s: float
    products: Path


def bench_spec(shape: tuple[int, int], frames: int) -> SceneSpec:
    """An hour's worth of limb: hedgerow, five knots, drift, seeing."""
    knots = tuple(Knot(at_deg=3.0 * k - 6.0, height_mm=12.0 + 4 * k, radial_km_s=6.0 + 5 * k, along_km_s=8.0 - 4 * k, snr=14.0,
                       life_s=1500.0, from_s=120.0 * k) for k in range(5))
    return SceneSpec(name="bench", shape=shape, frames=frames, cadence_s=10.0, limb_arc_deg=40.0, hedgerows=(Hedgerow(),), knots=knots,
                     drift_px=(25.0, -12.0), exposure="both", seed=5)


def write_frames(spec: SceneSpec, folder: Path) -> list[Path]:
    """The scene's frames as uncompressed 16-bit TIFF, made on all cores; those that are there already are kept."""
    folder.mkdir(parents=True, exist_ok=True)
    if len(list(folder.iterdir())) != spec.count:
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
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    begun = timegm(time.strptime(frames[0].name[:19], "%Y-%m-%dT%H-%M-%S"))
    paths = []
    for i in range(len(frames) * times):
        when = begun + i * cadence_s
        path = folder / (time.strftime("%Y-%m-%dT%H-%M-%S", time.gmtime(when)) + f".{int(1e3 * when) % 1000:03d}Z.tif")
        os.link(frames[_there_and_back(i, len(frames))], path)
        paths.append(path)
    return paths


def _there_and_back(i: int, n: int) -> int:
    """Forward, then backward, so that a repeated sequence has no jump."""
    lap, place = divmod(i, n)
    return place if lap % 2 == 0 else n - 1 - place


def compare(frames: list[Path], scratch: Path, repeats: int) -> Comparison:
    """Run and floors in turn; medians of the times."""
    walls, plain, clips, timing = [], [], [], Timing()
    out = scratch / f"{frames[0].parent.name}-promtrack"
    for _ in range(repeats):
        shutil.rmtree(out, ignore_errors=True)
        timing = time_command(["run", str(frames[0].parent), "--out", str(out)], scratch=out)
        if timing.status:
            raise SystemExit(f"the run failed: {timing.output}")
        walls.append(timing.wall_s)
        plain.append(plain_floor_seconds(frames, out / "clip.mp4", ENCODER, scratch))
        clips.append(clip_floor_seconds(frames, out / "clip.mp4", ENCODER, scratch))
    timing.wall_s = statistics.median(walls)
    return Comparison(len(frames), timing, statistics.median(plain), statistics.median(clips), out)


def print_run(label: str, run: Comparison) -> None:
    """Stages, ratios, memory. Clip and figures are made at the same time, so the shares add up to more than the whole."""
    shape, timing = clip_shape(run.products / "clip.mp4"), run.timing
    print(f"\n### {label}\n")
    print(f"Clip {shape['width']}x{shape['height']}, {shape['pictures']} pictures. Floor of the clip's own pictures {run.clip_s:.1f} s, "
          f"of the plain frames {run.plain_s:.1f} s.\n")
    print("| stage | seconds | share | to the clip's floor | to the plain floor |\n| --- | --- | --- | --- | --- |")
    for stage, seconds in [*timing.stages.items(), ("**whole**", timing.wall_s)]:
        print(f"| {stage} | {seconds:.1f} | {100 * seconds / timing.wall_s:.0f} % | {seconds / run.clip_s:.2f} "
              f"| {seconds / run.plain_s:.2f} |")
    print(f"\nPeak memory {timing.peak_mb:.0f} MB, the encoder's {timing.encoder_mb:.0f} MB; largest file under way "
          f"{timing.scratch_mb:.0f} MB.")


def print_accuracy(spec: SceneSpec, frames: list[Path], run: Comparison) -> None:
    """What the run just timed has measured, against the scene's truth."""
    folder = ProductFolder(run.products)
    job = Job(frames[0].parent, folder, Settings())
    job.sequence, job.lock = open_sequence(frames[0].parent), read_lock(folder)
    _, scale, orientation = job.geometry
    found = judge(make_scene(spec).truth, job.lock, read_motion(folder, read_strip(folder)), scale, orientation)
    print(f"Accuracy: {sum(k.knot > 0 for k in found.knots)} of {len(found.knots)} knots found, median speed error "
          f"{100 * found.median_speed_error:.1f} %, {found.strays} moving tracks that follow nothing, scale off by "
          f"{100 * abs(found.scale_ratio - 1):.2f} % (stated {100 * found.scale_sigma:.2f} %), centre {found.centre_rms_px:.2f} px rms.")


def print_check(frames: list[Path]) -> None:
    check = time_command(["check", str(frames[0].parent)])
    begun = time.perf_counter()
    for path in frames[:: max(1, len(frames) // 12)][:12]:
        cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    reading = time.perf_counter() - begun
    print(f"\n### check\n\n`promtrack check` of {len(frames)} frames: whole {check.wall_s:.2f} s, first words after "
          f"{check.first_words_s:.2f} s; reading 12 frames alone {reading:.2f} s.")


def print_start() -> None:
    walls = [time_command(["--help"]).wall_s for _ in range(5)]
    print(f"### start\n\n`promtrack --help`: {statistics.median(walls):.2f} s (median of {len(walls)}).")


def measure(options: argparse.Namespace, scratch: Path) -> None:
    """Everything asked for, printed as it comes."""
    print_start()
    small_spec, large_spec = bench_spec(SMALL, 60), bench_spec(LARGE, options.frames)
    small = write_frames(small_spec, scratch / "small")
    run = compare(small, scratch, options.repeats)
    print_run("60 frames of 1024x768", run)
    print(f"Target: 1.3 x floor + 3 s = {1.3 * run.clip_s + 3:.1f} s.")
    print_accuracy(small_spec, small, run)
    large = write_frames(large_spec, scratch / f"large-{options.frames}")
    print_check(large)
    run = compare(large, scratch, options.repeats)
    print_run(f"{options.frames} frames of 1920x1200", run)
    print(f"Target: 1.5 x floor + 2 s = {1.5 * run.clip_s + 2:.1f} s.")
    print_accuracy(large_spec, large, run)
    if options.library:
        seconds, speed = library_seconds(small)
        print(f"\n### scikit-image and trackpy\n\n60 frames of 1024x768: {seconds:.1f} s without limb fit, clip, figures or errors; "
              f"median speed {speed:.1f} km/s.")
    if options.long:
        many = compare(lengthen(large, scratch / "many", 10, 10.0), scratch, 1)
        print_run(f"{many.frames} frames of 1920x1200", many)
        print(f"Ten times the frames: {many.timing.wall_s / run.timing.wall_s:.2f} times the time, "
              f"{many.timing.peak_mb / run.timing.peak_mb:.2f} times the memory.")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=300, help="frames of the large run (default 300)")
    parser.add_argument("--repeats", type=int, default=1, help="runs whose median is printed (default 1)")
    parser.add_argument("--long", action="store_true", help="also ten times as many frames")
    parser.add_argument("--library", action="store_true", help="also the same job scripted from scikit-image and trackpy")
    parser.add_argument("--scratch", type=Path, help="folder in which the frames are kept for the next time (default: none is)")
    options = parser.parse_args()
    if options.scratch is not None:
        options.scratch.mkdir(parents=True, exist_ok=True)
        measure(options, options.scratch)
        return
    with tempfile.TemporaryDirectory() as name:
        measure(options, Path(name))


if __name__ == "__main__":
    main()
