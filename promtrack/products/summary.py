"""summary.json: the run in one page for programs, and the way back to its input."""

from __future__ import annotations

import json
import math
import os
from pathlib import Path
from typing import Any

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import LimbLock
from promtrack.motion.records import Motion
from promtrack.products.folder import ProductFolder
from promtrack.rounding import typeset, with_error
from promtrack.sequence.records import Sequence
from promtrack.sun import Orientation, Scale, SolarView
from promtrack.whole import whole_file

__all__ = ["motion_lines", "moving_text", "read_summary", "summary_lines", "write_summary"]


def write_summary(
    folder: ProductFolder,
    version: str,
    sequence: Sequence,
    lock: LimbLock | None = None,
    *,
    geometry: tuple[SolarView, Scale, Orientation] | None = None,
    motion: Motion | None = None,
) -> Path:
    """What is known by now; a part that has not been measured yet is left out."""
    steps = np.diff(sequence.time_s)
    page: dict[str, Any] = {
        "version": version,
        "input": os.path.abspath(sequence.path),
        "frames_read": len(sequence),
        "frames_unreadable": [{"file": r.file, "reason": r.reason} for r in sequence.unreadable],
        "first_time": _iso(sequence.times_utc[0]),
        "last_time": _iso(sequence.times_utc[-1]),
        "span_s": float(sequence.time_s[-1]),
        "cadence_s": float(np.median(steps)) if len(steps) else None,
        "times": {
            "source": sequence.time_report.source,
            "detail": sequence.time_report.detail,
            "problems": list(sequence.time_report.problems),
        },
        "notes": list(sequence.notes),
    }
    if lock is not None:
        page["frames_used"] = int(lock.used.sum())
        page["frames_left_out"] = [
            {"file": name, "reason": reason}
            for name, reason, used in zip(lock.names, lock.reason, lock.used, strict=True)
            if not used
        ]
        page["limb"] = {
            "radius_px": lock.radius_px,
            "radius_err_px": lock.radius_err_px,
            "own_radius_px": lock.own_radius_px,
            "own_radius_err_px": lock.own_radius_err_px,
            "notes": list(lock.notes),
        }
    if geometry is not None:
        page |= _geometry(*geometry)
    if motion is not None:
        page |= _motion(sequence, motion)
    with whole_file(folder["summary"]) as part:
        # Bytes of a file's name that are no UTF-8 come out as JSON's own \udcXX.
        part.write_text(
            json.dumps(_clean(page), indent=2, ensure_ascii=False) + "\n",
            encoding="utf-8",
            errors="backslashreplace",
        )
    return folder["summary"]


def read_summary(folder: ProductFolder) -> dict[str, Any]:
    """The page as written.

    Raises
    ------
    InputError : there is none, so the folder holds no run
    """
    path = folder["summary"]
    try:
        page = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        if not folder.path.exists():
            raise InputError(
                "is not there", where=str(folder.path), remedy="name the folder that `promtrack run` made"
            ) from None
        raise InputError(
            "is not a folder of products (it has no summary.json)",
            where=str(folder.path),
            remedy="name the folder that `promtrack run` made",
        ) from None
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"cannot be read ({error})", where=str(path), remedy="make it again with `promtrack run`"
        ) from None
    if not isinstance(page, dict) or not all(isinstance(page.get(key), str) for key in ("input", "version")):
        raise InputError(
            "does not name its input and version",
            where=str(path),
            remedy="make it again with `promtrack run`",
        )
    return page


def summary_lines(folder: ProductFolder) -> list[str]:
    """The run in a few lines for the terminal."""
    page = read_summary(folder)
    scale = page["scale"]
    lines = [
        f"{page['frames_used']} of {page['frames_read']} frames used, {page['span_s'] / 60:.1f} min, "
        f"one every {page['cadence_s']:.3g} s (times: {page['times']['source']})",
        f"scale {with_error(scale['km_per_px'], scale['sigma_km_per_px'], 'km')} a pixel (from the {scale['source']})"
        + (f"; {typeset(scale['cross_check'])}" if scale["cross_check"] else ""),
        f"angles are {page['orientation']['angles']}s",
    ]
    lines += [*map(typeset, page["times"]["problems"]), *map(typeset, page["notes"])]
    left_out = len(page["frames_unreadable"])
    if left_out:
        first = page["frames_unreadable"][0]
        lines.append(
            f"{left_out} file{'s' * (left_out > 1)} left out: {first['file']} {first['reason']}"
            + ", ..." * (left_out > 1)
        )
    lines += motion_lines(folder)
    lines.append(f"products in {folder.path}: open {folder['report'].name} and {folder['clip'].name}")
    return lines


def motion_lines(folder: ProductFolder) -> list[str]:
    """What moves, in a few lines for the terminal."""
    page = read_summary(folder)
    counts = page["counts"]
    return [
        moving_text(counts),
        *(meaning["sentence"] for meaning in page["meanings"][:3]),
        *map(typeset, page["control"]["notes"]),
    ]


def moving_text(counts: dict[str, int]) -> str:
    """'5 moving of 10 knots, 1 moving of 1 front' from the summary's counts."""
    kinds = [(kind, counts[f"{kind}s"]) for kind in ("knot", "front")]
    return ", ".join(
        f"{counts[f'moving_{kind}s']} moving of {total} {kind}{'s' * (total != 1)}" for kind, total in kinds
    )


def _geometry(view: SolarView, scale: Scale, orientation: Orientation) -> dict[str, Any]:
    return {
        "scale": {
            "km_per_px": scale.km_per_px,
            "sigma_km_per_px": scale.sigma_km_per_px,
            "arcsec_per_px": scale.arcsec_per_px,
            "source": scale.source,
            "cross_check": scale.check,
            "agrees": scale.agrees,
            "check_tells": scale.check_tells,
        },
        "sun": {
            "apparent_radius_arcsec": view.apparent_radius_arcsec,
            "p_deg": view.p_deg,
            "b0_deg": view.b0_deg,
            "l0_deg": view.l0_deg,
            "distance_au": view.distance_au,
            "altitude_deg": view.altitude_deg,
            "observer": view.observer,
        },
        "orientation": {
            "angles": orientation.label,
            "zero_deg": orientation.zero_deg,
            "sign": orientation.sign,
            "error_deg": orientation.error_deg,
            "source": orientation.source,
        },
    }


def _motion(sequence: Sequence, motion: Motion) -> dict[str, Any]:
    moving = [k for k in motion.knots if k.moving]
    fronts = [f for f in motion.fronts if f.moving]
    headline: dict[str, Any] = {"note": "plane-of-sky speeds: lower bounds of the true speeds"}
    if moving:
        best = max(moving, key=lambda k: k.fit.speed_km_s)
        headline["fastest_knot"] = {
            "knot": best.knot,
            "speed_km_s": best.fit.speed_km_s,
            "speed_err_km_s": best.fit.speed_err_km_s,
            "systematic_km_s": best.fit.systematic_km_s,
            "significance": best.significance,
        }
    if fronts:
        high = max(fronts, key=lambda f: float(np.max(f.height_mm)))
        top = int(np.argmax(high.height_mm))
        headline["highest_front"] = {
            "front": high.front,
            "height_mm": float(high.height_mm[top]),
            "height_err_mm": float(high.height_err_mm[top]),
            "model": high.verdict,
            "peak_speed_km_s": high.best.peak_speed_km_s if high.best else None,
            "peak_speed_err_km_s": high.best.peak_speed_err_km_s if high.best else None,
        }
    return {
        "counts": {
            "knots": len(motion.knots),
            "moving_knots": len(moving),
            "fronts": len(motion.fronts),
            "moving_fronts": len(fronts),
            "slits": len(motion.slits),
            "ridges": len(motion.ridges),
            "oscillations": len(motion.oscillations),
        },
        "headline": headline,
        "control": {
            "method": motion.control.method,
            "tolerated": motion.control.tolerated,
            "notes": list(motion.control.notes),
        },
        "meanings": [{"about": m.about, "sentence": m.sentence, "source": m.source} for m in motion.meanings],
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


def _iso(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, unit='ms')}Z"
