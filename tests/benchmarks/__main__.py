"""Speed and memory against floors measured in the same run: `python -m tests.benchmarks [--frames N] [--long]
[--library] [--write]`.

Asserts nothing. Prints Markdown tables; with `--write` they go into docs/performance.md between its two
marks. Frames are synthetic (promtrack.scene); accuracy stands beside speed, so that neither is bought with
the other.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import shutil
import statistics
import sys
import tempfile
import time
from calendar import timegm
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from promtrack.pipeline import Job
from promtrack.products.folder import ProductFolder
from promtrack.products.strips import read_strip
from promtrack.products.tables import read_lock, read_motion
from promtrack.scene import Hedgerow, Knot, SceneSpec, make_scene
from promtrack.scene.truth import judge
from promtrack.sequence import open_sequence
from promtrack.settings import Settings
from promtrack.show.encode import x264_options
from tests.benchmarks.by_library import library_seconds
from tests.benchmarks.floor import Floor, clip_floor, clip_pictures, clip_shape, plain_floor
from tests.benchmarks.process import Timing, time_command

ENCODER = x264_options(20.0, Settings().clip.quality)
SMALL, LARGE = (768, 1024), (1200, 1920)
PAGE = Path(__file__).resolve().parents[2] / "docs" / "performance.md"
MARKS = "<!-- measured: python -m tests.benchmarks --write -->", "<!-- end of measured -->"


@dataclass(frozen=True, slots=True)
class Comparison:
    """A whole run, and what it cannot fall below."""

    frames: int
    timing: Timing
    plain: Floor
    clip: Floor
    products: Path


@dataclass(frozen=True, slots=True)
class Goal:
    """One goal and the figure measured for it."""

    what: str
    measured: float
    most: float
    rule: str = ""  # how the figure follows from others
    unit: str = "s"


def bench_spec(shape: tuple[int, int], frames: int) -> SceneSpec:
    """An hour's worth of limb: hedgerow, five knots, drift, seeing."""
    knots = tuple(
        Knot(
            at_deg=3.0 * k - 6.0,
            height_mm=12.0 + 4 * k,
            radial_km_s=6.0 + 5 * k,
            along_km_s=8.0 - 4 * k,
            snr=14.0,
            life_s=1500.0,
            from_s=120.0 * k,
        )
        for k in range(5)
    )
    return SceneSpec(
        name="bench",
        shape=shape,
        frames=frames,
        cadence_s=10.0,
        limb_arc_deg=40.0,
        hedgerows=(Hedgerow(),),
        knots=knots,
        drift_px=(25.0, -12.0),
        exposure="both",
        seed=5,
    )


def write_frames(spec: SceneSpec, folder: Path) -> list[Path]:
    """The scene's frames as uncompressed 16-bit TIFF, made on all cores; those that are there already are
    kept."""
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
    """The same frames again and again under later times; a step of noise tells them apart, since a picture
    that comes again is left out."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    begun = timegm(time.strptime(frames[0].name[:19], "%Y-%m-%dT%H-%M-%S"))
    paths, rng = [], np.random.default_rng(0)
    for i in range(len(frames) * times):
        when = begun + i * cadence_s
        path = folder / (
            time.strftime("%Y-%m-%dT%H-%M-%S", time.gmtime(when)) + f".{int(1e3 * when) % 1000:03d}Z.tif"
        )
        picture = cv2.imread(str(frames[_there_and_back(i, len(frames))]), cv2.IMREAD_UNCHANGED)
        picture = cv2.add(picture, rng.integers(0, 2, picture.shape, picture.dtype))
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
        paths.append(path)
    return paths


def _there_and_back(i: int, n: int) -> int:
    """Forward, then backward, so that a repeated sequence has no jump."""
    lap, place = divmod(i, n)
    return place if lap % 2 == 0 else n - 1 - place


def finished_job(frames: list[Path], out: Path) -> Job:
    """A run's products as records."""
    folder = ProductFolder(out)
    job = Job(frames[0].parent, folder, Settings())
    job.sequence, job.lock = open_sequence(frames[0].parent), read_lock(folder)
    job.joined = job.sequence
    job.strip = read_strip(folder)
    job.motion = read_motion(folder, job.strip)
    return job


def compare(frames: list[Path], scratch: Path, repeats: int) -> Comparison:
    """Run and floors in turn; of each the one of median wall time."""
    runs, plain, clips = [], [], []
    out = scratch / f"{frames[0].parent.name}-promtrack"
    for _ in range(repeats):
        shutil.rmtree(out, ignore_errors=True)
        runs.append(time_command(["run", str(frames[0].parent), "--out", str(out)], scratch=out))
        if runs[-1].status not in (0, 3):  # 3: done, with a poor verdict
            raise SystemExit(f"the run failed: {runs[-1].output}")
        plain.append(plain_floor(frames, out / "clip.mp4", ENCODER, scratch))
        held, repeats = clip_pictures(finished_job(frames, out).measured())
        clips.append(clip_floor(frames, held, repeats, out / "clip.mp4", ENCODER, scratch))
    return Comparison(
        len(frames),
        *(sorted(some, key=lambda one: one.wall_s)[len(some) // 2] for some in (runs, plain, clips)),
        out,
    )


def print_run(label: str, run: Comparison) -> None:
    """Stages, ratios, memory. Clip and figures are made at the same time, so the shares add up to more than
    the whole, and which of the two spent what is not known: the one that ends first is charged with both
    until then."""
    shape, timing = clip_shape(run.products / "clip.mp4"), run.timing
    print(f"\n### {label}\n")
    print(f"Clip {shape['width']}x{shape['height']}, {shape['pictures']} pictures.\n")
    print("| stage | seconds | share | to the clip's floor | to the plain floor | processor seconds |")
    print("| --- | --- | --- | --- | --- | --- |")
    for stage, seconds in timing.stages.items():
        print(_row(run, stage, seconds, timing.stages_cpu[stage]))
    print(_row(run, "**whole**", timing.wall_s, timing.cpu_s))
    print(_row(run, "floor of the clip's own pictures", run.clip.wall_s, run.clip.cpu_s))
    print(_row(run, "floor of the plain frames", run.plain.wall_s, run.plain.cpu_s))
    print(
        f"\nProcessor seconds of the {timing.cpu_s:.1f}: ffmpeg {timing.encoder_cpu_s:.1f}. Peak memory "
        f"{timing.peak_mb:.0f} MB, the encoder's {timing.encoder_mb:.0f} MB; largest file under way "
        f"{timing.scratch_mb:.0f} MB."
    )


def _row(run: Comparison, name: str, wall_s: float, cpu_s: float) -> str:
    return (
        f"| {name} | {wall_s:.1f} | {100 * wall_s / run.timing.wall_s:.0f} % | "
        f"{wall_s / run.clip.wall_s:.2f} | {wall_s / run.plain.wall_s:.2f} | {cpu_s:.1f} |"
    )


def print_accuracy(spec: SceneSpec, frames: list[Path], run: Comparison) -> None:
    """What the run just timed has measured, against the scene's truth."""
    job = finished_job(frames, run.products)
    _, scale, orientation = job.about
    found = judge(make_scene(spec).truth, job.lock, job.motion, scale, orientation)
    print(
        f"Accuracy: {sum(k.knot > 0 for k in found.knots)} of {len(found.knots)} knots found, median speed "
        f"error {100 * found.median_speed_error:.1f} %, {found.strays} moving tracks that follow nothing, "
        f"scale off by {100 * abs(found.scale_ratio - 1):.2f} % (stated {100 * found.scale_sigma:.2f} %), "
        f"centre {found.centre_rms_px:.2f} px rms."
    )


def print_check(frames: list[Path]) -> list[Goal]:
    check = time_command(["check", str(frames[0].parent)])
    begun = time.perf_counter()
    for path in frames[:: max(1, len(frames) // 12)][:12]:
        cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    reading = time.perf_counter() - begun
    print(
        f"\n### check\n\n`promtrack check` of {len(frames)} frames: whole {check.wall_s:.2f} s, first "
        f"words after {check.first_words_s:.2f} s; reading 12 frames alone {reading:.2f} s; "
        f"{check.cpu_s:.2f} processor seconds."
    )
    return [
        Goal("`promtrack check`, first words", check.first_words_s, 2.0),
        Goal("`promtrack check`, whole", check.wall_s, 0.6),
    ]


def print_start() -> list[Goal]:
    walls = [time_command(["--help"]).wall_s for _ in range(5)]
    start = statistics.median(walls)
    print(f"### start\n\n`promtrack --help`: {start:.2f} s (median of {len(walls)}).")
    return [Goal("start (`promtrack --help`)", start, 0.4)]


def print_goals(goals: list[Goal]) -> None:
    print("\n### Goals\n\n| what | measured | at most | |\n| --- | --- | --- | --- |")
    for goal in goals:
        verdict = "met" if goal.measured <= goal.most else "missed"
        rule = f"{goal.rule} = " if goal.rule else ""
        print(
            f"| {goal.what} | {goal.measured:.2f} {goal.unit} | {rule}{goal.most:.2f} {goal.unit} | "
            f"{verdict} |"
        )


def measure(options: argparse.Namespace, scratch: Path) -> None:
    """Every benchmark, printed as it comes."""
    print(
        f"{os.cpu_count()} cores; {len(os.sched_getaffinity(0))} of them usable; load "
        f"{os.getloadavg()[0]:.1f} at the beginning.\n"
        if hasattr(os, "sched_getaffinity")
        else f"{os.cpu_count()} cores.\n"
    )
    goals = print_start()
    small_spec, large_spec = bench_spec(SMALL, 60), bench_spec(LARGE, options.frames)
    small = write_frames(small_spec, scratch / "small")
    few = compare(small, scratch, options.repeats)
    print_run("60 frames of 1024x768", few)
    print_accuracy(small_spec, small, few)
    large = write_frames(large_spec, scratch / f"large-{options.frames}")
    goals += print_check(large)
    run = compare(large, scratch, options.repeats)
    print_run(f"{options.frames} frames of 1920x1200", run)
    print_accuracy(large_spec, large, run)
    goals += [
        Goal("60 frames of 1024x768", few.timing.wall_s, 2.5 * few.clip.wall_s + 2.0, "2.5 x floor + 2 s"),
        Goal(
            f"{options.frames} frames of 1920x1200",
            run.timing.wall_s,
            2.5 * run.clip.wall_s,
            "2.5 x floor",
        ),
        Goal(f"memory of the {options.frames} frames", run.timing.peak_mb, 600.0, unit="MB"),
        Goal("strips of a large frame", _size_mb(run, "strip.fits") / run.frames, 1.0, unit="MB"),
        Goal("page of the large frames", _size_mb(run, "report.html"), 6.0, unit="MB"),
    ]
    if options.library:
        seconds, speed = library_seconds(small)
        print(
            f"\n### scikit-image and trackpy\n\n60 frames of 1024x768: {seconds:.1f} s without limb fit, "
            f"clip, figures or errors; median speed {speed:.1f} km/s."
        )
    if options.long:
        many = compare(lengthen(small, scratch / "many", 10, 10.0), scratch, 1)
        print_run(f"{many.frames} frames of 1024x768", many)
        pairs = {
            "time": (many.timing.wall_s, few.timing.wall_s),
            "processor time": (many.timing.cpu_s, few.timing.cpu_s),
        }
        goals += [
            Goal(f"ten times the frames: {what}", more / less, 10.0, unit="times")
            for what, (more, less) in pairs.items()
        ]
        grown = many.timing.peak_mb - few.timing.peak_mb
        goals.append(Goal("ten times the frames: more memory", grown, 25.0, unit="MB"))
    print_goals(goals)


def _size_mb(run: Comparison, name: str) -> float:
    return (run.products / name).stat().st_size / 1e6


def write_into_docs(text: str) -> None:
    """Put the tables between the marks of docs/performance.md."""
    before, rest = PAGE.read_text(encoding="utf-8").split(MARKS[0])
    PAGE.write_text(
        before + MARKS[0] + "\n\n" + text.strip() + "\n\n" + MARKS[1] + rest.partition(MARKS[1])[2],
        encoding="utf-8",
    )


class _Both(io.StringIO):
    """Keeps what is printed, and shows it at once."""

    def write(self, text: str) -> int:
        sys.__stdout__.write(text)
        sys.__stdout__.flush()
        return super().write(text)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--frames", type=int, default=300, help="frames of the large run (default 300)")
    parser.add_argument("--repeats", type=int, default=1, help="runs whose median is printed (default 1)")
    parser.add_argument("--long", action="store_true", help="also ten times as many small frames")
    parser.add_argument(
        "--library", action="store_true", help="also the same job scripted from scikit-image and trackpy"
    )
    parser.add_argument("--write", action="store_true", help="also put the tables into docs/performance.md")
    parser.add_argument(
        "--scratch",
        type=Path,
        help="folder in which the frames are kept for the next time (default: none is)",
    )
    options = parser.parse_args()
    with contextlib.ExitStack() as stack:
        scratch = options.scratch or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        scratch.mkdir(parents=True, exist_ok=True)
        printed = stack.enter_context(contextlib.redirect_stdout(_Both()))
        measure(options, scratch)
    if options.write:
        write_into_docs(printed.getvalue())


if __name__ == "__main__":
    main()
