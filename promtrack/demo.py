"""The demo: a synthetic sequence of a scenario, a whole run on it, and truth beside measurement."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from promtrack.motion.interpretation import lettered
from promtrack.pipeline import Progress, run
from promtrack.products.folder import ProductFolder
from promtrack.products.summary import summary_lines
from promtrack.rounding import error_decimals, plain, typeset, with_error
from promtrack.scene import make_scene, observer_settings, scenario, write_scene
from promtrack.scene.truth import Judgement, judge
from promtrack.settings import Settings


def run_demo(
    name: str, out: Path, changes: Callable[[Settings], Settings], *, progress: Progress
) -> Iterator[str]:
    """Make the frames of scenario `name`, run on them, and yield the lines to print. Raises SettingsError:
    there is no such scenario; InputError: the folder cannot be written."""
    spec = scenario(name)
    scene = make_scene(spec)
    folder = ProductFolder(Path(out) / name)
    frames = Path(out) / f"{name}-frames"
    folder.create(frames)
    write_scene(scene, frames, progress=progress("scene"))
    size = f"{spec.count} frames of {spec.shape[1]}x{spec.shape[0]} px"
    yield f"a synthetic sequence, scenario '{name}': {size} in {frames}"
    settings = observer_settings(spec, Settings())
    credited = replace(settings.clip, credit="A Sun drawn by promtrack, not observed.")
    settings = replace(settings, clip=credited)
    job = run(frames, folder.path, changes(settings), progress=progress)
    _, scale, orientation = job.about
    for line in _table(judge(scene.truth, job.lock, job.motion, scale, orientation)):
        what = lettered(line[:38], job.motion) if line.startswith("knot") else line[:38]
        yield f"{what:38}{line[38:]}" if line else line
    yield ""
    yield from summary_lines(job.folder)
    yield f"products in {out / name}: open report.html and clip.mp4"


def _table(found: Judgement) -> Iterator[str]:
    yield ""
    yield f"{'':38}{'truth':>10}{'measured':>20}{'error':>10}{'in sigma':>10}"
    yield _row("scale, relative", 1.0, found.scale_ratio, found.scale_sigma)
    pieces = {knot.knot for knot in found.again}
    # In the order of the report; what was missed comes last.
    for knot in sorted((*found.knots, *found.again), key=lambda one: (one.knot == 0, one.knot)):
        if knot.knot:
            name = f"knot {knot.knot}{' (further track)' if knot.knot in pieces else ''}: speed, km/s"
            yield _row(name, knot.true_km_s, knot.found_km_s, knot.found_err_km_s)
        else:
            name = f"a knot of S/N {knot.snr:.0f} in {knot.visible_frames} frames, km/s"
            yield f"{name:38}{knot.true_km_s:10.2f}{'not found':>20}"
    for number, front in enumerate(found.fronts, 1):
        name, offset = f"front {number}: ", typeset(f"{front.offset_mm:+.2f}")
        speed = f"{name}{front.which} speed, km/s"
        yield _row(speed, front.true_km_s, front.found_km_s, front.found_err_km_s)
        yield f"{name + 'heights, mean error in Mm':38}{'':30}{offset:>10}"
        yield f"{name + 'heights, rms about that in Mm':38}{'':30}{front.scatter_mm:10.2f}"
    yield f"{'centre across the limb, rms error in px':38}{'':29}{found.centre_rms_px:11.3f}"
    if not math.isnan(found.median_speed_error):
        yield f"{'median error of the speeds of knots':38}{'':30}{100 * found.median_speed_error:9.1f}%"
    # An erupting arch is made of threads, which are found as knots where they are bright: real motion, but of
    # no knot put in.
    if found.fronts or found.in_eruptions:
        yield f"{'moving threads of the erupting arch':38}{'some':>10}{found.in_eruptions:13d}"
    if found.again:
        yield f"{'further tracks of the same knots':38}{0:10d}{len(found.again):13d}"
    yield f"{'false moving tracks':38}{0:10d}{found.strays:13d}"
    yield f"{'false moving fronts':38}{0:10d}{found.false_fronts:13d}"
    yield "± is 1 sigma, random and systematic parts together; the error is measured minus truth"
    if any(abs(front.offset_mm) > 1.0 for front in found.fronts):
        yield (
            "a mean error of the heights is mostly that of the limb, which a burnt-out disc shows too far "
            "out; it changes no speed"
        )


def _row(what: str, true: float, found: float, sigma: float) -> str:
    """Truth, and the measured value with its error, with a digit more than elsewhere; how far off it is, also
    in units of that error, as it follows from these."""
    known = 0.0 < sigma < math.inf
    digits = error_decimals(sigma) + 1 if known else 2
    off = round(found, digits) - round(true, digits)
    error = typeset(f"{off:+.{max(digits, 0)}f}".replace("+nan", "unknown"))
    pull = typeset(f"{off / round(sigma, digits):+.1f}") if known else "unknown"
    value = with_error(found, sigma, more=1)
    return f"{what:38}{plain(true, digits):>10}{value:>20}{error:>10}{pull:>10}"
