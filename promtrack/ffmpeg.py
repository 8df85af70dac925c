"""Where the ffmpeg program is: films are read and clips are written through it."""

from __future__ import annotations

import shutil

import imageio_ffmpeg

from promtrack.errors import InputError

__all__ = ["ffmpeg_program"]


def ffmpeg_program() -> str:
    """Path of the ffmpeg program.

    Raises
    ------
    InputError : there is none
    """
    try:
        program = imageio_ffmpeg.get_ffmpeg_exe()
    except RuntimeError:
        program = ""
    if shutil.which(program) is None:  # the variable IMAGEIO_FFMPEG_EXE is taken as it is
        raise InputError(
            "no ffmpeg program was found"
            + (f" at {program}" if program else "")
            + ", and films and clips need one",
            remedy="reinstall imageio-ffmpeg, or set IMAGEIO_FFMPEG_EXE to an ffmpeg program",
        )
    return program
