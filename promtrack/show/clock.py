"""The clock: time and date in UTC, time elapsed, and a time line in which missing frames are breaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.show.canvas import Canvas, Ink, blank_ink, lay, paint
from promtrack.show.furniture import GlyphLine, draw_glyphs, glyph_line, glyphs_width
from promtrack.show.layout import Ground, Rect, place_block, take
from promtrack.show.marks import BLACK, SHADE, Mark, Page, text_ink
from promtrack.show.pacing import GAP, cadence
from promtrack.show.text import REGULAR, WHITE, block_of, halo_of, line_height, text_mask

__all__ = ["Clock", "draw_clock", "gap_words", "make_clock"]


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """What the clock consists of."""

    start_utc: np.datetime64
    hours: GlyphLine | None
    date: GlyphLine | None
    marks: tuple[Mark, ...]                 # surround, 'UTC', time line
    notice_at: tuple[int, int] | None       # where 'gap ...' and 'blended' are written
    page: Page


def make_clock(start_utc: np.datetime64, time_s: np.ndarray, page: Page, ground: Ground, *, clock: bool, gaps: bool,
               notices: bool) -> tuple[Clock, Ground]:
    """Clock block with its place; `time_s` are the times of the frames shown, since `start_utc`."""
    big, small = round(1.9 * page.unit), round(0.9 * page.unit)
    lines = [("00:00:00 UTC", big, REGULAR), ("0000-00-00   +00:00:00", small, REGULAR)] if clock else []
    above = line_height(page.unit) if notices else 0
    text = block_of(lines).mask if lines else np.zeros((0, 0), np.uint8)
    bar = round(0.55 * page.unit) if gaps else 0
    width = max(text.shape[1], round(8.6 * page.unit))
    rect = place_block(ground, width, above + text.shape[0] + bar, ("bottom left", "bottom right", "top left", "top right"))
    if rect is None:
        return Clock(start_utc, None, None, (), None, page), ground
    marks, hours, date = [], None, None
    if clock:
        marks.append(Mark(page.stamp(_surround(rect.left, rect.top + above, text, page))))
        hours = glyph_line(rect.left, rect.top + above, big, REGULAR, page)
        unit_x = rect.left + glyphs_width("00:00:00 ", big, REGULAR)
        marks.append(Mark(page.stamp(_plain(text_mask("UTC", round(0.55 * big), REGULAR), unit_x, rect.top + above + round(0.44 * big)))))
        date = glyph_line(rect.left, rect.top + above + line_height(big) + round(0.08 * small), small, REGULAR, page, 0.9)
    if gaps:
        marks += _time_line(Rect(rect.left, rect.bottom - round(0.2 * page.unit), width, max(3, round(0.13 * page.unit))), time_s, page)
    notice = (rect.left, rect.top) if notices else None
    return Clock(start_utc, hours, date, tuple(marks), notice, page), take(ground, rect.grown(page.unit // 2))


def draw_clock(clock: Clock, canvas: Canvas, time_s: float, notice: str) -> None:
    """The clock at one time, with a short notice above it ('' for none)."""
    for mark in clock.marks:
        lay(mark.stamp, canvas, now_s=time_s)
    if clock.hours is not None and clock.date is not None:
        now = clock.start_utc + np.timedelta64(round(time_s * 1e6), "us")
        stamp = str(now.astype("datetime64[s]"))
        draw_glyphs(clock.hours, stamp[11:], canvas)
        draw_glyphs(clock.date, f"{stamp[:10]}   {_elapsed(time_s)}", canvas)
    if notice and clock.notice_at is not None:
        mask = text_mask(notice, round(0.9 * clock.page.unit), REGULAR)
        lay(clock.page.stamp(text_ink(mask, *clock.notice_at, clock.page.unit)), canvas)


def gap_words(gap_s: float) -> str:
    """'gap 4 min 10 s'."""
    hours, rest = divmod(round(gap_s), 3600)
    minutes, seconds = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (seconds if not hours else 0, "s")]
    return "gap " + " ".join(f"{n} {unit}" for n, unit in parts if n)


def _elapsed(time_s: float) -> str:
    minutes, seconds = divmod(int(time_s + 0.5), 60)
    return f"+{minutes // 60:02d}:{minutes % 60:02d}:{seconds:02d}"


def _plain(mask: np.ndarray, x: int, y: int) -> Ink:
    ink = blank_ink(x, y, mask.shape[1], mask.shape[0])
    paint(ink, mask, WHITE)
    return ink


def _surround(x: int, y: int, mask: np.ndarray, page: Page) -> Ink:
    """The dark surround of text that changes: that of a text of the same shape."""
    reach = max(3, round(0.42 * page.unit))
    ink = blank_ink(x - reach, y - reach, mask.shape[1] + 2 * reach, mask.shape[0] + 2 * reach)
    paint(ink, halo_of(mask, reach), BLACK, strength=SHADE)
    return ink


def _time_line(rect: Rect, time_s: np.ndarray, page: Page) -> list[Mark]:
    """A faint track with breaks where frames are missing, filled up to now."""
    span = max(float(time_s[-1] - time_s[0]), 1e-6)
    at = time_s[0] + span * (np.arange(rect.width) + 0.5) / rect.width
    place = np.clip(np.searchsorted(time_s, at), 1, max(len(time_s) - 1, 1))
    step = np.diff(time_s)[place - 1] if len(time_s) > 1 else np.zeros(rect.width)
    shown = np.where(step > GAP * cadence(time_s), 0, 255).astype(np.uint8)
    mask = np.repeat(shown[None], rect.height, axis=0)
    track, fill = blank_ink(rect.left - 2, rect.top - 2, rect.width + 4, rect.height + 4), blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(track, np.full((rect.height + 4, rect.width + 4), 255, np.uint8), BLACK, strength=0.35)
    paint(track, mask, WHITE, x=2, y=2, strength=0.30)
    paint(fill, mask, WHITE, strength=0.85)
    return [Mark(page.stamp(track)), Mark(page.stamp(fill, np.repeat(at[None], rect.height, axis=0)))]
