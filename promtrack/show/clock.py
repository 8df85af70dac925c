"""The clock: time and date in UTC, time elapsed, and a time line in which missing frames are breaks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.show.canvas import Canvas, blank_ink, lay, paint
from promtrack.show.glyphs import GlyphLine, draw_glyphs, glyph_line, glyphs_mask, glyphs_width
from promtrack.show.layout import Ground, Rect, place_anyhow, take
from promtrack.show.marks import BLACK, SHADE, Mark, Page, text_ink
from promtrack.show.pacing import GAP, cadence
from promtrack.show.text import REGULAR, WHITE, ascent, block_of, halo_of, line_height, text_mask

__all__ = ["Clock", "draw_clock", "gap_words", "make_clock"]

HOURS, DATE = "08:08:08", "2088-08-08   +08:08:08"  # shapes of what changes


@dataclass(frozen=True, slots=True, eq=False)
class Clock:
    """What the clock consists of."""

    start_utc: np.datetime64
    hours: GlyphLine | None
    date: GlyphLine | None
    marks: tuple[Mark, ...]  # surround, 'UTC', time line
    notice_at: tuple[int, int] | None  # where 'gap ...' and 'blended' are written
    page: Page


def make_clock(
    start_utc: np.datetime64,
    time_s: np.ndarray,
    page: Page,
    ground: Ground,
    *,
    clock: bool,
    gaps: bool,
    notices: bool,
) -> tuple[Clock, Ground]:
    """Clock block with its place; `time_s` are the times of the frames shown, since `start_utc`."""
    big, small = round(1.9 * page.unit), round(0.9 * page.unit)
    lines = [(HOURS + " UTC", big, REGULAR), (DATE, small, REGULAR)] if clock else []
    above = line_height(page.unit) if notices else 0
    text = block_of(lines) if lines else np.zeros((0, 0), np.uint8)
    bar = round(0.55 * page.unit) if gaps else 0
    width = max(text.shape[1], round(8.6 * page.unit))
    if not (clock or gaps or notices):
        return Clock(start_utc, None, None, (), None, page), ground
    rect = place_anyhow(
        ground, width, above + text.shape[0] + bar, ("bottom left", "bottom right", "top left", "top right")
    )
    if rect is None:
        return Clock(start_utc, None, None, (), None, page), ground
    marks, hours, date = [], None, None
    if clock:
        hours = glyph_line(rect.left, rect.top + above, big, REGULAR, page)
        date = glyph_line(
            rect.left, rect.top + above + line_height(big) + round(0.08 * small), small, REGULAR, page, 0.9
        )
        marks += _clock_ground(hours, date, page)
    if gaps:
        marks += _time_line(
            Rect(rect.left, rect.bottom - round(0.2 * page.unit), width, max(3, round(0.13 * page.unit))),
            time_s,
            page,
        )
    notice = (rect.left, rect.top) if notices else None
    return Clock(start_utc, hours, date, tuple(marks), notice, page), take(ground, rect, page.unit // 2)


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


def _clock_ground(hours: GlyphLine, date: GlyphLine, page: Page) -> list[Mark]:
    """Dark surround of digits that change, and the letters UTC behind them."""
    unit = text_mask("UTC", round(0.55 * hours.size), REGULAR)
    unit_x = hours.x + glyphs_width(HOURS, hours.size, REGULAR) + round(0.25 * page.unit)
    unit_y = (
        hours.y + ascent(hours.size) - ascent(round(0.55 * hours.size))
    )  # on one baseline with the digits
    parts = [(line, glyphs_mask(line, sample)) for line, sample in ((hours, HOURS), (date, DATE))]
    width = max(unit_x + unit.shape[1] - hours.x + 4, *(part.shape[1] for _, part in parts))
    mask = np.zeros((date.y + line_height(date.size) - hours.y, width), np.uint8)
    for line, part in parts:
        mask[line.y - hours.y : line.y - hours.y + part.shape[0], : part.shape[1]] |= part
    mask[
        unit_y - hours.y : unit_y - hours.y + unit.shape[0],
        unit_x - hours.x : unit_x - hours.x + unit.shape[1],
    ] |= unit
    reach = max(3, round(0.42 * page.unit))
    ink = blank_ink(hours.x - reach, hours.y - reach, mask.shape[1] + 2 * reach, mask.shape[0] + 2 * reach)
    paint(ink, halo_of(mask, reach), BLACK, strength=SHADE)
    paint(ink, unit, WHITE, x=unit_x - hours.x + reach, y=unit_y - hours.y + reach)
    return [Mark(page.stamp(ink))]


def _time_line(rect: Rect, time_s: np.ndarray, page: Page) -> list[Mark]:
    """A faint track with breaks where frames are missing, filled up to now."""
    span = max(float(time_s[-1] - time_s[0]), 1e-6)
    at = time_s[0] + span * (np.arange(rect.width) + 0.5) / rect.width
    place = np.clip(np.searchsorted(time_s, at), 1, max(len(time_s) - 1, 1))
    step = np.diff(time_s)[place - 1] if len(time_s) > 1 else np.zeros(rect.width)
    shown = np.where(step > GAP * cadence(time_s), 0, 255).astype(np.uint8)
    mask = np.repeat(shown[None], rect.height, axis=0)
    track = blank_ink(rect.left - 2, rect.top - 2, rect.width + 4, rect.height + 4)
    fill = blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(track, np.full((rect.height + 4, rect.width + 4), 255, np.uint8), BLACK, strength=0.35)
    paint(track, mask, WHITE, x=2, y=2, strength=0.30)
    paint(fill, mask, WHITE, strength=0.85)
    return [Mark(page.stamp(track)), Mark(page.stamp(fill, np.repeat(at[None], rect.height, axis=0)))]
