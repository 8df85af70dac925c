"""The page of a recording under way: the last frame and what is said of it in, live.png and live.html out."""

from __future__ import annotations

import html
import time
from pathlib import Path

import cv2
import numpy as np

from promtrack.files import atomic_write

PICTURE_PX = 960  # width of live.png
LIMB_BGR = (230, 180, 70)

_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="20">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>Live: promtrack</title>
<style>
body {{ background: #10131a; color: #e8eaee; font: 20px/1.4 system-ui, sans-serif; margin: 0 auto;
  padding: 1rem; max-width: 60rem; }}
img {{ display: block; width: 100%; box-sizing: border-box; border: 1px solid #333b4b; }}
.warn {{ background: #5a1f14; padding: .6rem 1rem; border-radius: .4rem; }}
</style></head>
<body>{lines}<img src="live.png?{stamp}" alt="the last frame, with the limb that was found"></body></html>
"""


def write_live(
    out: Path,
    frame: np.ndarray,
    limb_px: tuple[float, float, float],
    *,
    said: list[str],
    warned: list[str],
) -> None:
    """live.png, the frame with its limb, and live.html, which renews itself, in the folder `out`.

    Parameters
    ----------
    frame : (rows, columns)
    limb_px : x, y and radius of the limb; nan where none was found
    said, warned : sentences for the page; warnings stand out
    """
    out.mkdir(parents=True, exist_ok=True)
    with atomic_write(out / "live.png") as part:
        part.write_bytes(cv2.imencode(".png", _picture(frame, limb_px))[1].tobytes())
    lines = "".join(f"<p>{html.escape(s)}</p>" for s in said)
    lines += "".join(f'<p class="warn" role="alert">{html.escape(w)}</p>' for w in warned)
    with atomic_write(out / "live.html") as part:
        part.write_text(_PAGE.format(lines=lines, stamp=int(time.time())), encoding="utf-8")


def _picture(frame: np.ndarray, limb_px: tuple[float, float, float]) -> np.ndarray:
    factor = min(PICTURE_PX / frame.shape[1], 1.0)
    small = cv2.resize(frame.astype(np.float32), None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    high = float(np.percentile(small, 99.9))
    grey = (255 * np.sqrt(np.clip(small / max(high, 1e-6), 0, 1))).astype(np.uint8)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    if np.isfinite(limb_px).all():
        x, y, radius = (round(v * factor * 16) for v in limb_px)  # OpenCV: x, y, in 1/16 px
        cv2.circle(picture, (x, y), radius, LIMB_BGR, 1, cv2.LINE_AA, 4)
    return picture
