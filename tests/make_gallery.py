"""Make docs/gallery.md and docs/pictures/: `python -m tests.make_gallery`.

Runs the demo's scenarios into a scratch folder (kept and gone on from with --scratch), reduces posters and
figures, and writes the page. The worked example of docs/results.md is written anew with the numbers of the
same runs. Nothing in docs/pictures is drawn by hand.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from astropy.table import QTable

from promtrack.demo import run_demo
from promtrack.motion.false_alarms import LEAST_TOLD
from promtrack.pipeline import load_run, run_stage
from promtrack.process import Progress
from promtrack.products.summary import moving_text
from promtrack.rounding import typeset, with_error
from promtrack.scene import make_scene, scenario
from promtrack.scene.truth import judge
from promtrack.settings_text import change_settings
from tests.method_figures import method_figures

BEGIN, END = "<!-- worked example: made by `python -m tests.make_gallery` from here -->", "<!-- to here -->"
DOCS = Path(__file__).resolve().parent.parent / "docs"
PICTURES = DOCS / "pictures"
WIDEST_PX = 1600
LIMIT_MB = 6.0
JPEG_QUALITY = 88

SCENARIOS = {
    "quiet": "A quiet prominence with moving knots",
    "eruption": "An eruption",
    "rain": "Rain along an arch",
}
ABOUT = {
    "quiet": "A hedgerow prominence in one exposure that holds disc and prominence. Knots rise, sink, run "
    "along its top and are thrown out; a filament runs on over the limb. Thin cloud passes, the observer "
    "pauses once, and one frame shows no Sun.",
    "eruption": "A prominence rises slowly, then erupts. The disc is burnt out, the frames have 8 bits, "
    "cloud hides two of them, and the mount is nudged once.",
    "rain": "Condensations fall along both legs of an arch. The mount is an altazimuth one, so that the "
    "field turns during the recording.",
}
# figure -> what to see in it; the order of a talk
FIGURES = {
    "summary": "The slide: map, heights and the numbers that matter.",
    "height_time": "Height against time, with fits, residuals and error bars.",
    "speed_time": "Speed against time.",
    "knot_map": "Where the moving knots are and where they go; arrows follow the tracks.",
    "time_distance": "Time-distance diagrams along paths; ridges are drawn over them.",
    "strip_montage": "Six moments, with the Earth to scale.",
    "registration_check": "Whether the lock on the limb can be trusted.",
    "oscillation": "A swaying thread, with the damped sine fitted to it.",
}
PHOTOGRAPHIC = ("summary", "knot_map", "strip_montage", "time_distance", "registration_check")
# Which figures the page shows of each scenario: all of the first, of the others what they are about.
SHOWN = {
    "quiet": tuple(FIGURES),
    "eruption": ("summary", "height_time", "speed_time", "knot_map", "strip_montage", "oscillation"),
    "rain": ("knot_map", "time_distance", "height_time", "oscillation"),
}
VIEWS = (("ember", "square"), ("ash", "wide"), ("nightfall", "tall"))  # looks and views shown side by side


def make_gallery(scratch: Path) -> list[str]:
    """Run the scenarios, write the pictures, and return the page's lines."""
    for old in PICTURES.glob("*"):
        old.unlink()
    PICTURES.mkdir(parents=True, exist_ok=True)
    lines = [
        "# Gallery",
        "",
        "<!-- made by `python -m tests.make_gallery`; do not edit -->",
        "",
        "Every picture on this page was made by promtrack from the synthetic recordings of `promtrack "
        "demo`. The scenarios are invented; nothing here was observed. Each is reduced in size; your own "
        "come at full size, as PNG and SVG, light and dark.",
        "",
    ]
    for name, title in SCENARIOS.items():
        folder = scratch / name
        said = list(run_demo(name, scratch, lambda settings: settings, progress=Progress(sys.stderr).stage))
        print("\n".join(said))
        if name == "quiet":
            _put_between(DOCS / "results.md", worked_example(folder, said))
        lines += [f"## {title}", "", ABOUT[name], "", f"    promtrack demo {name}", ""]
        lines += _shown(reduced(folder / "poster.png", f"{name}-clip", photo=True), "A frame of the clip.")
        lines += _headlines(folder)
        for figure in SHOWN[name]:
            drawn = folder / "figures" / f"{figure}.png"
            if drawn.exists():
                lines += _shown(
                    reduced(drawn, f"{name}-{figure}", photo=figure in PHOTOGRAPHIC), FIGURES[figure]
                )
        if name == "quiet":
            lines += ["### Dark figures", ""]
            lines += _shown(
                reduced(folder / "figures" / "height_time_dark.png", "quiet-height_time-dark", photo=False),
                "The same height-time figure for a dark slide (`figures.theme`).",
            )
    lines += ["## Looks and views", "", "`clip.look` sets the tone, `clip.view` the frame.", ""]
    lines += _looks(scratch / "quiet")
    write_png(
        small(cv2.imread(str(scratch / "quiet" / "poster.png")), WIDEST_PX), PICTURES / "clip.png", bits=5
    )
    method_figures({name: scratch / name for name in SCENARIOS}, PICTURES)
    return lines


def reduced(source: Path, name: str, *, photo: bool, widest_px: int = WIDEST_PX) -> Path:
    """A picture of docs/pictures: JPEG for what looks like a photograph, PNG for line drawings."""
    picture = small(cv2.imread(str(source)), widest_px)
    if not photo:
        return write_png(picture, PICTURES / f"{name}.png")
    path = PICTURES / f"{name}.jpg"
    path.write_bytes(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])[1].tobytes())
    return path


def small(picture: np.ndarray, widest_px: int) -> np.ndarray:
    """At most that wide, averaged over areas."""
    factor = min(1.0, widest_px / picture.shape[1])
    size = (round(picture.shape[1] * factor), round(picture.shape[0] * factor))  # (x, y)
    return cv2.resize(picture, size, interpolation=cv2.INTER_AREA)


def write_png(picture: np.ndarray, path: Path, *, bits: int = 8) -> Path:
    """PNG, with fewer bits a channel if asked for: unseen in a noisy photograph, and half the size."""
    most = 2**bits - 1
    levels = np.rint(np.rint(np.arange(256) * most / 255) * 255 / most).astype(np.uint8)
    path.write_bytes(cv2.imencode(".png", levels[picture], [cv2.IMWRITE_PNG_COMPRESSION, 9])[1].tobytes())
    return path


def worked_example(folder: Path, said: list[str]) -> list[str]:
    """The quiet scenario's output and its fastest moving knot, number by number."""
    knots = QTable.read(folder / "knots.ecsv")
    table = said[2 : said.index("", 2)]
    lines = [
        "`promtrack demo quiet` makes a recording whose truth is known, so that one can see what the words "
        "are worth. It prints:",
        "",
        "```text",
        *table,
        "```",
        "",
    ]
    if not knots["moving"].any():
        return [*lines, "No knot was called moving, so there is nothing to work out.", ""]
    page = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    job, knot = load_run(folder), knots[knots["moving"]][0]
    found = judge(make_scene(scenario(folder.name)).truth, job.lock, job.motion, *job.about[1:])
    true = next((k.true_km_s for k in (*found.knots, *found.again) if k.knot == knot["knot"]), math.nan)
    return lines + _one_knot(knot, knots.meta["heights"], true, page)


def _one_knot(knot: QTable.Row, limb: str, true: float, page: dict) -> list[str]:
    speed, random, systematic, height = (
        float(knot[name].value) for name in ("speed_km_s", "speed_err_km_s", "systematic_km_s", "height_mm")
    )
    km, sigma_km, total = (
        page["scale"]["km_per_px"],
        page["scale"]["sigma_km_per_px"],
        math.hypot(random, systematic),
    )
    name = page["letters"]["knots"].get(str(knot["knot"]), knot["knot"])
    truth = "this track follows nothing that was put into the scene."
    if math.isfinite(true):
        off = abs(round(speed, 2) - round(true, 2))
        truth = (
            f"{true:.2f} km/s at the same moment. The measurement is off by {off:.2f} km/s, "
            f"{off / total:.1f} times the error. One case in three is off by more than 1, "
            "one in twenty by more than 2."
        )
    return [
        f"Take knot {name}, the fastest that moves (number {knot['knot']} in `knots.ecsv`).",
        "",
        f"- **Speed**: {speed:.2f} km/s in the plane of the sky, with a random error of {random:.2f} km/s "
        f"(1 sigma). Its parts are {_signed(knot, 'radial')} outward and {_signed(knot, 'along')} along "
        "the limb.",
        f"- **Scale**: {km:.1f} ± {sigma_km:.1f} km a pixel, {100 * sigma_km / km:.2f} %. With the clock "
        f"that makes {systematic:.3f} km/s of systematic error.",
        f"- **Together**, for a comparison with somebody else's value: sqrt({random:.2f}² + "
        f"{systematic:.3f}²) = {total:.2f} km/s.",
        f"- **Truth**: {truth}",
        "- **Moving**: "
        f"{'no more than ' if knot['false_alarm'] <= LEAST_TOLD else ''}{knot['false_alarm']:.2g} false "
        f"alarms are expected at its level in the whole run, which is {knot['significance']:.1f} sigma; "
        f"{page['control']['tolerated']:g} are tolerated.",
        f"- **Model**: {knot['model']}, chi squared per degree of freedom {knot['chi2_per_dof']:.2f}"
        + ("; its errors were scaled up." if knot["errors_scaled"] else "; its errors stand as they are."),
        f"- **Height**: {height:.1f} Mm at mid-time, {limb}.",
        "",
        f"So a fair sentence is: *a knot {height:.0f} Mm above the limb moved at "
        f"{with_error(speed, total, 'km/s')} in the plane of the sky, a lower bound of its true speed.*",
        "",
    ]


def _signed(knot: QTable.Row, part: str) -> str:
    return typeset(f"{knot[f'{part}_km_s'].value:+.2f} ± {knot[f'{part}_err_km_s'].value:.2f} km/s")


def _put_between(path: Path, lines: list[str]) -> None:
    """Replace what stands between the marks of a page."""
    before, _, rest = path.read_text(encoding="utf-8").partition(BEGIN)
    after = rest.partition(END)[2]
    path.write_text("\n".join([before + BEGIN, "", *lines]) + END + after, encoding="utf-8")


def _headlines(folder: Path) -> list[str]:
    page = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    lines = [
        f"{page['frames_used']} of {page['frames_read']} frames used; {moving_text(page['counts'])}.",
        "",
    ]
    return lines + [f"> {meaning['sentence']}\n" for meaning in page["meanings"][:2]]


def _looks(folder: Path) -> list[str]:
    lines = []
    for look, view in VIEWS:
        run_stage(
            "clip",
            folder,
            lambda s, look=look, view=view: change_settings(s, {"clip.look": look, "clip.view": view}),
        )
        lines += _shown(
            reduced(folder / "poster.png", f"look-{look}-{view}", photo=True, widest_px=800),
            f"Look `{look}`, view `{view}`.",
        )
    run_stage(
        "clip", folder, lambda s: change_settings(s, {"clip.look": "ember", "clip.view": "wide"})
    )  # as it was
    return lines


def _shown(path: Path, caption: str) -> Iterator[str]:
    yield from (f"![{caption}](pictures/{path.name})", "", f"*{caption}*", "")


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="python -m tests.make_gallery", description="make docs/gallery.md and docs/pictures/"
    )
    parser.add_argument(
        "--scratch",
        type=Path,
        help="folder for frames and products, kept afterwards (default: a temporary one)",
    )
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        lines = make_gallery(options.scratch or Path(temporary))
    (DOCS / "gallery.md").write_text("\n".join(lines).rstrip() + "\n", encoding="utf-8")
    size_mb = sum(p.stat().st_size for p in PICTURES.iterdir()) / 1e6
    print(
        f"docs/gallery.md and {len(list(PICTURES.iterdir()))} pictures, {size_mb:.1f} MB"
        + ("" if size_mb < LIMIT_MB else f": more than {LIMIT_MB:g} MB, show fewer")
    )


if __name__ == "__main__":
    main()
