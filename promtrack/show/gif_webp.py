"""The finished clip as animated GIF and WebP under a size limit."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2

from promtrack.errors import InputError
from promtrack.files import atomic_write
from promtrack.show.encode import count_pictures, run_ffmpeg

TRIES = 7
LEAST_WIDTH = 200
LEGIBLE_WIDTH = 480  # a narrower picture can no longer be read; before that it goes slower
CALM_RATE = 10.0  # pictures a second that still move smoothly
LARGEST_WIDTH = 1080
LEAST_RATE = 4.0
PAGE = 40  # pictures decoded at a time when a WebP is checked

Encode = Callable[[Path, int, float], None]


def gif_delay_cs(rate: float) -> int:
    """Delay of a GIF's pictures in 1/100 s for a rate not above `rate`; below 2 players slow down to ten
    pictures a second."""
    return max(2, math.ceil(100.0 / rate - 1e-9))


def write_gif(clip: Path, path: Path, width: int, rate: float, limit_mb: float) -> Path:
    """The clip as a GIF below `limit_mb` megabytes, at an exact rate of 100/n pictures a second."""

    def encode(target: Path, wide: int, slower: float) -> None:
        pick = f"fps=100/{gif_delay_cs(slower)},scale={wide}:-2:flags=lanczos"
        dither = "paletteuse=dither=bayer:bayer_scale=4:diff_mode=rectangle"
        with _scratch(target.with_suffix(".palette.png")) as palette:
            colours = ["-vf", f"{pick},palettegen=stats_mode=full", "-frames:v", "1", "-update", "1"]
            run_ffmpeg(["-i", str(clip), *colours, str(palette)], path)
            graph = ["-lavfi", f"{pick}[x];[x][1:v]{dither}", "-loop", "0", "-f", "gif"]
            run_ffmpeg(["-i", str(clip), "-i", str(palette), *graph, str(target)], path)

    return _under_limit(path, encode, width, rate, limit_mb, lambda path: count_pictures(path, decode=True))


def write_webp(clip: Path, path: Path, width: int, rate: float, limit_mb: float) -> Path:
    """The clip as an animated WebP below `limit_mb` megabytes."""

    def encode(target: Path, wide: int, slower: float) -> None:
        picked = f"-vf fps={slower:g},scale={wide}:-2:flags=lanczos -c:v libwebp_anim -quality 72"
        options = f"{picked} -compression_level 4 -loop 0 -f webp".split()
        run_ffmpeg(["-i", str(clip), *options, str(target)], path)

    return _under_limit(path, encode, width, rate, limit_mb, _webp_pictures)


def _under_limit(
    path: Path, encode: Encode, width: int, rate: float, limit_mb: float, count: Callable[[Path], int]
) -> Path:
    """Encode smaller, before it is illegible slower, then smaller and slower still, until the file is below
    the limit; then decode it."""
    limit, wide, slower = limit_mb * 1e6, min(width, LARGEST_WIDTH) // 2 * 2, rate
    with atomic_write(path) as temporary:
        for _ in range(TRIES):
            encode(temporary, wide, slower)
            tried = f"{wide} px width and {slower:.3g} pictures a second"
            size = temporary.stat().st_size
            if size <= limit:
                if count(temporary) < 1:
                    raise InputError(
                        "the file just written cannot be decoded",
                        where=str(path),
                        remedy="run `promtrack clip` again",
                    )
                return path
            share = 0.92 * limit / size
            if (
                wide * math.sqrt(share) < LEGIBLE_WIDTH and slower > CALM_RATE
            ):  # half the pictures, each the larger for it
                share, slower = share * min(2.0, slower / CALM_RATE), max(slower / 2.0, CALM_RATE)
            wide = int(wide * min(math.sqrt(share), 0.92)) // 2 * 2
            if wide < LEAST_WIDTH:
                wide, slower = LEAST_WIDTH, max(slower / 2.0, LEAST_RATE)
        least_mb = math.ceil(size / 1e4) / 100  # upwards, so that it never reads like the limit
        raise InputError(
            f"{least_mb:g} MB even at {tried}, the limit is {limit_mb:g} MB",
            where=str(path),
            remedy="raise clip.limit_mb, or make the clip shorter",
        )


def _webp_pictures(path: Path) -> int:
    """Pictures that decode, a few at a time."""
    first = 0
    while True:
        done, animation = cv2.imreadanimation(str(path), start=first, count=PAGE)
        first += len(animation.frames) if done else 0
        if not done or len(animation.frames) < PAGE:
            return first


@contextlib.contextmanager
def _scratch(path: Path) -> Iterator[Path]:
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)
