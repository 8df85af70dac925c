"""Raw pictures in, verified video file out, through the ffmpeg program.

Every file is written under a temporary name in its folder, its pictures counted and some of them decoded, and
only then renamed.
"""

from __future__ import annotations

import contextlib
import math
import os
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

import cv2

from promtrack.errors import InputError
from promtrack.files import PART, atomic_write
from promtrack.sequence.video import ffmpeg_program

_COLOUR = "-color_range tv -colorspace bt709 -color_primaries bt709 -color_trc bt709"


def x264_options(rate: float, quality: int) -> list[str]:
    """Options for H.264 in MP4; the benchmarks' floor has the same."""
    key = max(round(2 * rate), 2)  # a key frame every 2 s
    # veryfast: as true to the picture and as small as fast (within 4 %), in less than half of the time
    return (
        f"-c:v libx264 -preset veryfast -profile:v high -crf {quality} -pix_fmt yuv420p {_COLOUR} "
        f"-g {key} -movflags +faststart -f mp4"
    ).split()


def transparent_options() -> list[str]:
    """Options for run-length coded pictures with alpha in QuickTime, which editing programs read."""
    colours = "scale=in_color_matrix=bt709:in_range=tv:out_range=pc"
    return ["-vf", colours, "-c:v", "qtrle", "-pix_fmt", "argb", "-f", "mov"]


class Encoder:
    """An encoder fed with raw pictures, which waits for room in its pipe."""

    def __init__(
        self,
        path: Path,
        size: tuple[int, int],
        rate: float,
        options: list[str],
        *,
        metadata: dict[str, str] | None = None,
        pixels: str = "yuv420p",
    ):
        self.path = path
        raw = f"-f rawvideo -pix_fmt {pixels} -video_size {size[0]}x{size[1]} -framerate {rate:g} {_COLOUR}"
        quiet = ["-hide_banner", "-loglevel", "error", "-y"]
        command = [ffmpeg_program(), *quiet, *raw.split(), "-i", "pipe:0", *options]
        tags = [f"{key}={value}" for key, value in (metadata or {}).items() if value]
        command += [*(word for tag in tags for word in ("-metadata", tag)), str(path)]
        self._said = b""
        pipe, null = subprocess.PIPE, subprocess.DEVNULL
        self._process = subprocess.Popen(command, stdin=pipe, stdout=null, stderr=pipe)
        if hasattr(os, "setpriority"):  # what feeds it and what is drawn beside it must not wait for it
            with contextlib.suppress(OSError):
                own = os.getpriority(os.PRIO_PROCESS, 0)
                os.setpriority(os.PRIO_PROCESS, self._process.pid, own + 5)
        # no file for what it says: the disk may be full, which is what it says
        self._listener = threading.Thread(target=self._listen, name="encoder's words", daemon=True)
        self._listener.start()

    def put(self, planes: tuple[memoryview, ...], repeats: int = 1) -> None:
        """Hand over one picture. Raises InputError: the encoder has stopped."""
        pipe = self._process.stdin
        assert pipe is not None, "the encoder is started with a pipe for its pictures"
        try:
            for _ in range(repeats):
                for plane in planes:
                    pipe.write(plane)
        except OSError:
            self._end()
            raise _failed(self.path, self._said) from None

    def close(self) -> None:
        """Finish the file; InputError if the encoder failed."""
        try:
            self._end()
        except KeyboardInterrupt:
            self.abort()
            raise
        if self._process.returncode:
            raise _failed(self.path, self._said)

    def abort(self) -> None:
        """Stop without a usable file."""
        self._process.kill()
        self._end()

    def _end(self) -> None:
        if self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()
        self._process.wait()
        self._listener.join()

    def __enter__(self) -> Encoder:
        return self

    def __exit__(self, kind: type | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.abort()

    def _listen(self) -> None:
        assert self._process.stderr is not None, "the encoder is started with a pipe for its words"
        with self._process.stderr as words:
            self._said = words.read()


def run_ffmpeg(arguments: list[str], path: Path) -> str:
    """Run ffmpeg to its end; what it prints on standard output. Raises InputError: ffmpeg is missing or
    fails, with what it said; it names `path`."""
    command = [ffmpeg_program(), "-hide_banner", "-loglevel", "error", "-y", *arguments]
    done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, check=False)
    if done.returncode:
        raise _failed(path, done.stderr)
    return done.stdout.decode("utf-8", "replace")


def check_video(path: Path, pictures: int, width: int, height: int) -> None:
    """Count the file's pictures, and decode the first and the last second of them. Raises InputError: it does
    not hold exactly these pictures in this size, or what is decoded is damaged."""
    count = count_pictures(path)
    for part in (("-t", "1"), ("-sseof", "-1")):
        if count_pictures(path, *part, decode=True) < 1:
            raise damaged(path, "cannot be decoded")
    film = cv2.VideoCapture(str(path))
    size = int(film.get(cv2.CAP_PROP_FRAME_WIDTH)), int(film.get(cv2.CAP_PROP_FRAME_HEIGHT))
    film.release()
    if count != pictures or size != (width, height):
        holds = f"holds {count} pictures of {size[0]}x{size[1]}, not {pictures} of {width}x{height}"
        raise damaged(path, holds)


def count_pictures(path: Path, *part: str, decode: bool = False) -> int:
    """Number of pictures in a file, or of those that decode without error; `part`: options of ffmpeg that
    name a part of the file. Raises InputError: the file cannot be read."""
    # The deblocking filter comes after all that can fail; the pictures are counted, not looked at.
    source = ["-xerror", "-skip_loop_filter", "all", *part, "-i", str(path)]
    options = ["-map", "0:v:0", "-fps_mode", "passthrough", "-progress", "pipe:1", "-f", "null", "-"]
    said = run_ffmpeg([*source, *([] if decode else ["-c", "copy"]), *options], path)
    frames = [line.partition("=")[2] for line in said.splitlines() if line.startswith("frame=")]
    return int(frames[-1]) if frames else 0


def damaged(path: Path, how: str) -> InputError:
    """What is said of a file that was just written and is no good."""
    remedy = "check the disk, then run `promtrack clip` again"
    return InputError(f"the file just written {how}", where=str(path), remedy=remedy)


def _failed(path: Path, said: bytes) -> InputError:
    lines = [line.strip() for line in said.decode("utf-8", "replace").splitlines() if line.strip()]
    what, remedy = ": ".join(["the encoder stopped", *lines[-1:]]), "run `promtrack clip` again"
    if any("No space left" in line for line in lines):
        what, remedy = "there is no space left on the disk", f"free some space and {remedy}"
    return InputError(what, where=str(path.with_name(path.name.removeprefix(PART))), remedy=remedy)


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
        palette = target.with_suffix(".palette.png")
        colours = ["-vf", f"{pick},palettegen=stats_mode=full", "-frames:v", "1", "-update", "1"]
        graph = ["-lavfi", f"{pick}[x];[x][1:v]{dither}", "-loop", "0", "-f", "gif"]
        try:
            run_ffmpeg(["-i", str(clip), *colours, str(palette)], path)
            run_ffmpeg(["-i", str(clip), "-i", str(palette), *graph, str(target)], path)
        finally:
            palette.unlink(missing_ok=True)

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
    limit, wide, slower = limit_mb * 1e6, min(width, 1080) // 2 * 2, rate
    calm = 10.0  # pictures a second still move smoothly
    with atomic_write(path) as temporary:
        for _ in range(7):
            encode(temporary, wide, slower)
            tried = f"{wide} px width and {slower:.3g} pictures a second"
            size = temporary.stat().st_size
            if size <= limit:
                if count(temporary) < 1:
                    raise damaged(path, "cannot be decoded")
                return path
            share = 0.92 * limit / size
            # a narrower picture can no longer be read: half the pictures, each the larger for it
            if wide * math.sqrt(share) < 480 and slower > calm:
                share, slower = share * min(2.0, slower / calm), max(slower / 2.0, calm)
            wide = int(wide * min(math.sqrt(share), 0.92)) // 2 * 2
            if wide < 200:
                wide, slower = 200, max(slower / 2.0, 4.0)
        least_mb = math.ceil(size / 1e4) / 100  # upwards, so that it never reads like the limit
        what = f"{least_mb:g} MB even at {tried}, the limit is {limit_mb:g} MB"
        raise InputError(what, where=str(path), remedy="raise clip.limit_mb, or make the clip shorter")


def _webp_pictures(path: Path) -> int:
    """Pictures that decode, 40 at a time."""
    first = 0
    while True:
        done, animation = cv2.imreadanimation(str(path), start=first, count=40)
        first += len(animation.frames) if done else 0
        if not done or len(animation.frames) < 40:
            return first
