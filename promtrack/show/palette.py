"""Colours of all that is shown: what marks mean in clip, figures and page, and looks of the clip's picture.

One grammar, described in docs/colours.md: the Sun is warm, annotation is cold; fronts have one colour, the
first three knots one each, all others are grey. What a colour says a shape and a letter say again.

A look is a path through CIELAB whose lightness L* grows linearly with tone, so that equal steps of tone
look equal (CIE 15:2004, section 8.2.1). Colours leave as sRGB (IEC 61966-2-1) and as limited-range
Y'CbCr (ITU-R BT.709-6, items 3.2 to 3.5, 8 bit), which is what the H.264 file holds.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from scipy.interpolate import PchipInterpolator


@dataclass(frozen=True, slots=True)
class MarkColours:
    """Colours of marks on one background, as hex strings."""

    front: str
    knots: tuple[str, str, str]  # of the first three knots, in the order of their letters
    rest: str  # all other knots
    annotation: str  # scale, clock, axes on pictures

    def knot(self, order: int) -> str:
        """Colour of the knot with this place among the knots, 0 for the first; -1 for one without letter."""
        return self.knots[order] if 0 <= order < len(self.knots) else self.rest


# Front, knots and grey keep a CIE76 distance of 25 or more from one another in normal vision and under
# simulated protanopia, deuteranopia and tritanopia (Machado, Oliveira & Fernandes 2009).
ON_DARK = MarkColours("#bfec62", ("#69ccfd", "#6d87ee", "#ffcdd7"), "#878d93", "#e3f0f8")
ON_LIGHT = MarkColours("#416000", ("#0089de", "#482579", "#ad2b51"), "#8b9197", "#33424d")
Colour = tuple[float, float, float]  # B, G, R in 0..255


def bgr_of(colour: str) -> Colour:
    """'#rrggbb' as B, G, R in 0..255."""
    return float(int(colour[5:7], 16)), float(int(colour[3:5], 16)), float(int(colour[1:3], 16))


LUMA_R, LUMA_G, LUMA_B = 0.2126, 0.7152, 0.0722  # ITU-R BT.709-6, item 3.2


@dataclass(frozen=True, slots=True)
class Look:
    """One look: the colour path and where disc and prominence lie on it."""

    lightness: tuple[float, float]  # L* of tone 0 and of tone 255
    knots: tuple[float, ...]  # L* at which hue and chroma are given, rising
    hue_deg: tuple[float, ...]  # CIELAB hue angle there
    chroma: tuple[float, ...]  # CIELAB chroma there
    disc_limb: float = 0.11  # tone (0 to 1) of the quiet disc at the limb
    disc_centre: float = 0.16  # the same at the disc's centre
    disc_contrast: float = 0.30  # tone for a brightness change by the quiet disc's own brightness
    peak: float = 0.95  # tone of the brightest prominence


LOOKS = {
    "ash": Look((2.0, 97.0), (0.0, 100.0), (80.0, 80.0), (0.0, 0.0)),
    "ember": Look(
        (2.5, 96.0),
        (0.0, 12.0, 30.0, 52.0, 70.0, 85.0, 97.0),
        (18.0, 26.0, 36.0, 46.0, 62.0, 78.0, 90.0),
        (2.0, 24.0, 56.0, 78.0, 66.0, 44.0, 14.0),
    ),
    "nightfall": Look(
        (1.5, 97.0),
        (0.0, 10.0, 30.0, 52.0, 70.0, 85.0, 97.0),
        (300.0, 330.0, 364.0, 380.0, 396.0, 420.0, 450.0),
        (3.0, 14.0, 42.0, 58.0, 46.0, 28.0, 9.0),
        *(0.11, 0.18, 0.28, 0.97),
    ),
}


@cache
def palette_bgr(name: str) -> np.ndarray:
    """(256, 3) uint8 B, G, R of every tone, read-only."""
    look = LOOKS[name]
    lightness = np.linspace(*look.lightness, 256)
    # smooth: no kink shows as a band
    hue = np.deg2rad(PchipInterpolator(look.knots, look.hue_deg)(lightness))
    chroma = PchipInterpolator(look.knots, look.chroma)(lightness)
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)
    # (1, 256, 3) L, a, b -> B, G, R in 0..1
    bgr = cv2.cvtColor(lab[None].astype(np.float32), cv2.COLOR_Lab2BGR)[0]
    table = np.rint(np.clip(bgr, 0.0, 1.0) * 255.0).astype(np.uint8)
    table.setflags(write=False)
    return table


@cache
def palette_ycc(name: str) -> np.ndarray:
    """(3, 256) uint8 Y', Cb, Cr of every tone, read-only."""
    table = np.rint(bgr_to_ycc(palette_bgr(name))).astype(np.uint8).T.copy()
    table.setflags(write=False)
    return table


def bgr_to_ycc(bgr: np.ndarray) -> np.ndarray:
    """(..., 3) B, G, R in 0..255 to limited-range BT.709 Y', Cb, Cr as floats."""
    b, g, r = np.moveaxis(np.asarray(bgr, dtype=np.float64) / 255.0, -1, 0)
    luma = LUMA_R * r + LUMA_G * g + LUMA_B * b
    blue = (b - luma) / (2.0 * (1.0 - LUMA_B))
    red = (r - luma) / (2.0 * (1.0 - LUMA_R))
    return np.stack([16.0 + 219.0 * luma, 128.0 + 224.0 * blue, 128.0 + 224.0 * red], axis=-1)


def ycc_to_bgr(ycc: np.ndarray) -> np.ndarray:
    """The way back: (rows, columns, 3) uint8 Y', Cb, Cr to uint8 B, G, R."""
    black, units = bgr_to_ycc(np.zeros(3)), bgr_to_ycc(np.eye(3))
    back = np.linalg.inv((units - black).T)
    return cv2.transform(ycc, np.column_stack([back, -back @ black]))
