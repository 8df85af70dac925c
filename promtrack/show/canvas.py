"""Drawing on the clip's picture: ink with transparency, laid onto Y'CbCr planes.

Ink is drawn once (premultiplied B, G, R with opacity) and turned into a stamp: the list of the picture's
pixels that it touches. Laying a stamp costs only those pixels, so a frame's annotation costs well under a
millisecond however large the picture. Pixels of a growing stamp carry the time at which they appear.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.palette import bgr_to_ycc, palette_ycc, ycc_to_bgr

__all__ = [
    "Canvas",
    "Ink",
    "Stamp",
    "blank_ink",
    "canvas_from_tone",
    "canvas_to_bgr",
    "join_inks",
    "lay",
    "make_stamp",
    "paint",
    "planes_of",
    "without",
]

BAND_ROWS = 128  # of a picture turned into B, G, R at a time
FAINTEST = 1.0 / 160.0  # opacity below which ink changes no 8-bit value that matters


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """One picture as uint8 planes that are drawn on in place."""

    y: np.ndarray  # (height, width)
    cb: np.ndarray  # (height / step, width / step)
    cr: np.ndarray
    step: int  # 2: colour at half resolution as in yuv420p; 1: at full resolution


@dataclass(frozen=True, slots=True, eq=False)
class Ink:
    """Something drawn, with its top-left pixel in the picture; colour already multiplied by opacity."""

    x: int
    y: int
    bgr: np.ndarray  # (h, w, 3) float32, 0..255, premultiplied
    opacity: np.ndarray  # (h, w) float32, 0..1


@dataclass(frozen=True, slots=True, eq=False)
class Stamp:
    """Ink as lists of pixels, one list for Y' and one for both colour planes."""

    place: tuple[np.ndarray, np.ndarray]  # flat indices into y, and into cb and cr
    opacity: tuple[np.ndarray, np.ndarray]  # float32, 0..1
    colour: tuple[np.ndarray, np.ndarray, np.ndarray]  # float32 premultiplied y, cb, cr
    born_s: (
        tuple[np.ndarray, np.ndarray] | None
    )  # rising times at which the pixels appear; None: always there


def canvas_from_tone(tone: np.ndarray, look: str, step: int) -> Canvas:
    """A toned picture in colour."""
    y, cb, cr = palette_ycc(look)[:, None]  # (1, 256) each, as cv2.LUT wants
    small = (
        cv2.resize(tone, (tone.shape[1] // step, tone.shape[0] // step), interpolation=cv2.INTER_AREA)
        if step > 1
        else tone
    )
    return Canvas(cv2.LUT(tone, y), cv2.LUT(small, cb), cv2.LUT(small, cr), step)


def canvas_to_bgr(canvas: Canvas) -> np.ndarray:
    """(height, width, 3) uint8 B, G, R."""
    size = canvas.y.shape[1], canvas.y.shape[0]
    colour = [
        cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR) if canvas.step > 1 else plane
        for plane in (canvas.cb, canvas.cr)
    ]
    bgr = np.empty((*canvas.y.shape, 3), np.uint8)
    for top in range(0, len(bgr), BAND_ROWS):  # the floats of a whole picture would fill a hundred megabytes
        band = slice(top, top + BAND_ROWS)
        bgr[band] = ycc_to_bgr(np.stack([plane[band] for plane in (canvas.y, *colour)], axis=-1))
    return bgr


def planes_of(canvas: Canvas) -> tuple[memoryview, memoryview, memoryview]:
    """The planes' bytes in the order of raw yuv420p."""
    return canvas.y.data.cast("B"), canvas.cb.data.cast("B"), canvas.cr.data.cast("B")


def blank_ink(x: int, y: int, width: int, height: int) -> Ink:
    """Clear ink to paint on."""
    return Ink(x, y, np.zeros((height, width, 3), np.float32), np.zeros((height, width), np.float32))


def paint(
    ink: Ink,
    mask: np.ndarray,
    bgr: tuple[float, float, float],
    *,
    x: int = 0,
    y: int = 0,
    strength: float = 1.0,
) -> None:
    """Paint a uint8 mask in one colour over what the ink holds; (x, y) is the mask's corner in the ink."""
    left, top = max(x, 0), max(y, 0)
    right, bottom = min(x + mask.shape[1], ink.opacity.shape[1]), min(y + mask.shape[0], ink.opacity.shape[0])
    if right <= left or bottom <= top:
        return
    alpha = mask[top - y : bottom - y, left - x : right - x].astype(np.float32) * (strength / 255.0)
    part = np.s_[top:bottom, left:right]
    ink.bgr[part] = ink.bgr[part] * (1.0 - alpha[..., None]) + alpha[..., None] * np.array(bgr, np.float32)
    ink.opacity[part] = ink.opacity[part] * (1.0 - alpha) + alpha


def join_inks(inks: list[Ink], width: int, height: int) -> Ink:
    """All inks over one another, in the order given, in one ink of the picture's size."""
    whole = blank_ink(0, 0, width, height)
    for ink in inks:
        rows, columns = ink.opacity.shape
        left, top = max(ink.x, 0), max(ink.y, 0)
        right, bottom = min(ink.x + columns, width), min(ink.y + rows, height)
        if right <= left or bottom <= top:
            continue
        mine = np.s_[top - ink.y : bottom - ink.y, left - ink.x : right - ink.x]
        part = np.s_[top:bottom, left:right]
        rest = 1.0 - ink.opacity[mine]
        whole.bgr[part] = whole.bgr[part] * rest[..., None] + ink.bgr[mine]
        whole.opacity[part] = whole.opacity[part] * rest + ink.opacity[mine]
    return whole


def make_stamp(ink: Ink, width: int, height: int, step: int, born_s: np.ndarray | None = None) -> Stamp:
    """The stamp of an ink in a picture of this size.

    Parameters
    ----------
    step : 2 for yuv420p, 1 for full colour resolution
    born_s : (h, w) time at which each of the ink's pixels appears, for a growing stamp
    """
    places, alphas, colours, births = [], [], [], []
    for size in (1, step):
        top, left, opacity, bgr, born = _reduced(ink, size, born_s)
        row, column = np.divmod(np.flatnonzero(opacity > FAINTEST), opacity.shape[1])
        inside = (
            (row + top >= 0)
            & (row + top < height // size)
            & (column + left >= 0)
            & (column + left < width // size)
        )
        row, column = row[inside], column[inside]
        if born is not None:
            order = np.argsort(born[row, column], kind="stable")
            row, column = row[order], column[order]
            births.append(born[row, column])
        alpha = opacity[row, column]
        ycc = np.zeros((0, 3), np.float32)
        if len(alpha):
            ycc = bgr_to_ycc(bgr[row, column] / alpha[:, None]).astype(np.float32) * alpha[:, None]
        places.append((row + top) * (width // size) + column + left)
        alphas.append(alpha)
        colours.append(ycc)
    luma, chroma = colours
    return Stamp(
        (places[0], places[1]),
        (alphas[0], alphas[1]),
        (luma[:, 0], chroma[:, 1], chroma[:, 2]),
        (births[0], births[1]) if births else None,
    )


def _reduced(
    ink: Ink, size: int, born_s: np.ndarray | None
) -> tuple[int, int, np.ndarray, np.ndarray, np.ndarray | None]:
    """Top row, left column, opacity, colour and birth of the ink on a grid `size` times coarser, aligned with
    the picture."""
    rows, columns = ink.opacity.shape
    if size == 1:
        return ink.y, ink.x, ink.opacity, ink.bgr, born_s
    top, left = ink.y % size, ink.x % size
    pad = ((top, -(top + rows) % size), (left, -(left + columns) % size))
    wide, tall = (pad[1][0] + columns + pad[1][1]) // size, (pad[0][0] + rows + pad[0][1]) // size
    opacity, bgr, born = ink.opacity, ink.bgr, born_s
    if any(map(any, pad)):
        opacity, bgr = np.pad(opacity, pad), np.pad(bgr, (*pad, (0, 0)))
        born = None if born is None else np.pad(born, pad, constant_values=np.inf)
    opacity, bgr = (cv2.resize(plane, (wide, tall), interpolation=cv2.INTER_AREA) for plane in (opacity, bgr))
    if born is not None:
        born = born.reshape(tall, size, wide, size).min(axis=(1, 3))
    return (ink.y - top) // size, (ink.x - left) // size, opacity, bgr, born


def lay(
    stamp: Stamp,
    canvas: Canvas,
    *,
    at: tuple[int, int] = (0, 0),
    now_s: float = np.inf,
    strength: float = 1.0,
    fade_s: float = 0.0,
    rest: float = 1.0,
) -> None:
    """Lay a stamp onto the picture, in place.

    Parameters
    ----------
    at : shift x, y in whole colour steps of the canvas (even px at step 2); it must not push pixels over the
        border
    now_s : pixels of a growing stamp that appear later are left out
    strength : factor on the opacity
    fade_s, rest : pixels of a growing stamp fade with this time constant from full strength towards `rest`
    """
    for plane, part, colour in ((canvas.y, 0, 0), (canvas.cb, 1, 1), (canvas.cr, 1, 2)):
        place, opacity, value = stamp.place[part], stamp.opacity[part], stamp.colour[colour]
        if stamp.born_s is not None:
            last = int(np.searchsorted(stamp.born_s[part], now_s, side="right"))
            place, opacity, value = place[:last], opacity[:last], value[:last]
            if fade_s > 0.0:
                age = np.float32(now_s) - stamp.born_s[part][:last].astype(np.float32)
                weight = np.float32(strength) * (
                    np.float32(rest) + np.float32(1.0 - rest) * np.exp(-age / np.float32(fade_s))
                )
                opacity, value = opacity * weight, value * weight
        if fade_s <= 0.0 and strength != 1.0:
            opacity, value = opacity * np.float32(strength), value * np.float32(strength)
        if at != (0, 0):
            size = canvas.step if part else 1
            place = place + (at[1] // size * plane.shape[1] + at[0] // size)
        flat = plane.reshape(-1)
        blend = 1.0 - opacity
        blend *= flat.take(place)
        blend += value
        blend += np.float32(0.5)
        flat[place] = blend.astype(
            np.uint8
        )  # cast first: numpy scatters values of another type several times slower


def without(stamp: Stamp, spared: tuple[int, int, int, int], width: int, step: int) -> Stamp:
    """A standing stamp without its pixels in a rectangle: left, top, right, bottom (the first outside), in a
    picture of this width."""
    left, top, right, bottom = spared
    kept = []
    for size, place in zip((1, step), stamp.place, strict=True):
        row, column = np.divmod(place, width // size)
        kept.append(
            (row < top // size)
            | (row >= -(-bottom // size))
            | (column < left // size)
            | (column >= -(-right // size))
        )
    luma, chroma = kept
    y, cb, cr = stamp.colour
    return Stamp(
        (stamp.place[0][luma], stamp.place[1][chroma]),
        (stamp.opacity[0][luma], stamp.opacity[1][chroma]),
        (y[luma], cb[chroma], cr[chroma]),
        None,
    )
