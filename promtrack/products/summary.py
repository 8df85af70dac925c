"""summary.json: the run in one page for programs; and the lines about it that the terminal shows."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from promtrack.checks import LEVEL_WORDS, LEVELS
from promtrack.errors import InputError
from promtrack.files import atomic_write
from promtrack.limb.records import LimbLock
from promtrack.motion.interpretation import label_motion, lettered, ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack, Prominence
from promtrack.products.folder import ProductFolder
from promtrack.rounding import counted, iso, seconds, typeset, with_error
from promtrack.sequence.records import Sequence
from promtrack.show.quoted import speed_of, top_height
from promtrack.show.records import Measured
from promtrack.sun import Circumstances

Verdict = Mapping[str, tuple[str, tuple[str, ...]]]  # subject -> level and reasons, as `checks.light` gives
_LOCK = ("radius_px", "radius_err_px", "own_radius_px", "own_radius_err_px", "notes")
_SCALE = ("km_per_px", "sigma_km_per_px", "arcsec_per_px", "source", "check", "agrees", "check_tells")
_SUN = ("apparent_radius_arcsec", "p_deg", "b0_deg", "l0_deg", "distance_au", "altitude_deg", "observer")
_ORIENTATION = ("label", "zero_deg", "sign", "error_deg", "source")
_PROMINENCE = ("prominence", "from_deg", "to_deg", "angle_deg", "leaves_strip")
# Field of a record -> key, where the two differ.
_KEYS = {"check": "cross_check", "label": "angles", "angle_deg": "pa_deg"}


def write_summary(
    folder: ProductFolder,
    version: str,
    sequence: Sequence,
    lock: LimbLock,
    about: Circumstances,
    verdict: Verdict,
    measured: Measured | None = None,
    notes: tuple[str, ...] = (),
) -> Path:
    """What is known by now, `measured` as soon as it is. `verdict`: of the whole run, as far as it has come;
    where it is poor no speed stands as a headline; `notes`: further sentences about the input and the
    settings."""
    steps = np.diff(sequence.time_s)
    page: dict[str, Any] = {
        "version": version,
        "input": sequence.path.name,
        "verdict": {subject: {"level": level, "reasons": said} for subject, (level, said) in verdict.items()},
        "frames_read": len(sequence),
        "frames_unreadable": [{"file": r.file, "reason": r.reason} for r in sequence.unreadable],
        "first_time": iso(sequence.times_utc[0]),
        "last_time": iso(sequence.times_utc[-1]),
        "span_s": float(sequence.time_s[-1]),
        "cadence_s": float(np.median(steps)) if len(steps) else None,
        "times": _taken(sequence.time_report, ("source", "detail", "problems")),
        "notes": [*sequence.notes, *notes],
        "frames_used": int(lock.used.sum()),
        "frames_left_out": [
            {"file": name, "reason": reason}
            for name, reason, rejected in zip(lock.names, lock.reason, lock.rejected, strict=True)
            if rejected
        ],
        "frames_of_the_other_exposure": int((~lock.used & ~lock.rejected).sum()),
        "limb": _taken(lock, _LOCK),
        "scale": _taken(about.scale, _SCALE),
        "sun": _taken(about.view, _SUN),
        "orientation": _taken(about.orientation, _ORIENTATION),
    }
    if measured is not None:
        page |= _motion(measured, quotable=not is_poor(verdict))
    with atomic_write(folder["summary"]) as part:
        text = json.dumps(_clean(page), indent=2, ensure_ascii=False) + "\n"
        part.write_text(text, encoding="utf-8", errors="backslashreplace")
    return folder["summary"]


def read_summary(folder: ProductFolder) -> dict[str, Any]:
    """The page as written. Raises InputError: there is none, so the folder holds no run."""
    path = folder["summary"]
    named, again = "name the folder that `promtrack run` made", "make it again with `promtrack run`"
    try:
        page = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        missing = "is not a folder of products (it has no summary.json)"
        what = missing if folder.path.exists() else "is not there"
        raise InputError(what, where=str(folder.path), remedy=named) from None
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"cannot be read ({error})", where=str(path), remedy=again) from None
    if not isinstance(page, dict) or not isinstance(page.get("version"), str):
        raise InputError("does not name its version", where=str(path), remedy=again)
    return page


def is_poor(verdict: Verdict) -> bool:
    """Whether one of the lights is poor, so that no number of the run should be quoted."""
    return any(level == LEVELS[-1] for level, _ in verdict.values())


def summary_lines(folder: ProductFolder) -> list[str]:
    """The run in a few lines for the terminal: what was read, how far it can be trusted, what moves."""
    page = read_summary(folder)
    scale, left_out = page["scale"], page["frames_unreadable"]
    size = with_error(scale["km_per_px"], scale["sigma_km_per_px"], "km")
    size = f"scale {size} a pixel (from the {scale['source']})"
    size += f"; {typeset(scale['cross_check'])}" if scale["cross_check"] else ""
    step = f", one every {seconds(page['cadence_s'])}" if page["cadence_s"] is not None else ""
    other = page["frames_of_the_other_exposure"]
    beside = f" ({other} are of the other exposure)" if other else ""
    lines = [
        f"{page['frames_used']} of {page['frames_read']} frames used{beside}, {page['span_s'] / 60:.1f} min"
        f"{step} (times from {_SOURCES[page['times']['source']]})",
        *([] if page["verdict"]["scale"]["level"] == LEVELS[-1] else [size]),  # its reason is enough
        f"angles are {page['orientation']['angles']}s",
        *map(typeset, page["times"]["problems"]),
        *map(typeset, page["notes"]),
    ]
    if left_out:
        first, more = left_out[0], ", ..." if left_out[1:] else ""
        files = counted(len(left_out), "file")
        lines.append(f"{files} left out: {first['file']} {first['reason']}{more}")
    return [*lines, *motion_lines(folder)]


# A value of times.source, in words.
_SOURCES = {
    "fits": "FITS headers",
    "table": "the table",
    "names": "file names",
    "exif": "EXIF",
    "cadence": "start and cadence",
    "video": "the film",
    "file-date": "file dates",
}


def motion_lines(folder: ProductFolder) -> list[str]:
    """The verdict and then what moves, for the terminal; no speed where the verdict is poor."""
    page = read_summary(folder)
    verdict = {subject: (one["level"], one["reasons"]) for subject, one in page["verdict"].items()}
    lines = []
    for subject, (level, reasons) in verdict.items():
        why = f": {typeset(' '.join(reasons))}" if level != LEVELS[0] else ""
        lines.append(f"{subject}: {LEVEL_WORDS[level]}{why}")
    lines.append(moving_text(page["counts"]))
    if page["front_search"]["level"] != "found":
        lines.append(page["front_search"]["sentence"])
    if is_poor(verdict):
        lines.append("the numbers of this run should not be quoted: first mend what is poor")
    else:
        lines += [meaning["sentence"] for meaning in page["meanings"][:3]]
    return [*lines, *map(typeset, page["control"]["notes"])]


def moving_text(counts: dict[str, int]) -> str:
    """'5 moving of 10 knots, 1 moving of 1 front' from the summary's counts."""
    knots, fronts = counts["knots"], counts["fronts"]
    of_knots = f"{counts['moving_knots']} moving of {knots} knot{'s' * (knots != 1)}"
    return f"{of_knots}, {counts['moving_fronts']} moving of {fronts} front{'s' * (fronts != 1)}"


def _taken(record: object, names: tuple[str, ...]) -> dict[str, Any]:
    return {_KEYS.get(name, name): getattr(record, name) for name in names}


def _motion(run: Measured, *, quotable: bool) -> dict[str, Any]:
    motion, labels = run.motion, label_motion(run.motion)
    knots, fronts = ranked_knots(motion), ranked_fronts(motion)  # the first is what page and clip lead with

    def top(body: Front | Prominence) -> dict[str, float]:
        height = top_height(run, body)
        return {"height_mm": height.value, "height_err_mm": height.error}

    def speed(track: Front | KnotTrack) -> dict[str, float]:
        quoted = speed_of(run, track)
        return {"speed_km_s": quoted.value, "speed_err_km_s": quoted.error}

    def of_knot(k: KnotTrack) -> dict[str, Any]:
        where = {"knot": k.knot, "pa_deg": float(np.mean(k.angle_deg)) % 360.0}
        return where | speed(k) | {"significance": k.significance}

    def of_front(f: Front) -> dict[str, Any]:
        where = {"front": f.front, "pa_deg": float(np.nanmedian(f.angle_deg)) % 360.0, "model": f.verdict}
        return where | speed(f) | top(f)

    headline: dict[str, Any] = {"note": "plane-of-sky speeds: lower bounds, if the same plasma was followed"}
    # a faster one is perhaps confused with its neighbour
    sure = [k for k in knots if k.fit.speed_km_s <= motion.control.sure_km_s]
    if not quotable:
        headline = {"note": "none: the verdict is poor"}
    elif sure:
        headline["fastest_knot"] = of_knot(sure[0])
    if fronts and quotable:
        headline["highest_front"] = of_front(fronts[0])
    numbers = {n: len(getattr(motion, n)) for n in ("knots", "fronts", "slits", "ridges", "oscillations")}
    search = ("level", "sentence", "slowest_km_s", "fastest_km_s", "faintest_noise")
    return {
        "counts": numbers | {"moving_knots": len(knots), "moving_fronts": len(fronts)},
        "headline": headline,
        # whatever the verdict: for whoever gathers runs and minds it
        "found": {
            "note": "errors are total; mind the verdict before quoting any of these",
            "fastest_knot": of_knot(knots[0]) if knots else None,
            "fronts": [of_front(f) for f in fronts],
            "prominences": [_taken(p, _PROMINENCE) | top(p) for p in motion.prominences],
        },
        "control": _taken(motion.control, ("method", "tolerated", "notes")),
        "letters": {"fronts": labels.fronts, "knots": labels.knots},
        "meanings": [
            _taken(meaning, ("about", "source")) | {"sentence": lettered(meaning.sentence, motion)}
            for meaning in motion.meanings
        ],
        "front_search": _taken(motion.front_search, search),
    }


def _clean(value: Any) -> Any:
    """JSON knows no nan and no numpy: nan becomes null, scalars become Python's own."""
    if isinstance(value, dict):
        return {key: _clean(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_clean(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value
