"""The command line: words in, a command of `commands` called, an exit status out.

Results go to standard output, progress and messages to standard error.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NoReturn

from promtrack import __version__
from promtrack import commands as calls
from promtrack.commands import CANNOT, DONE, STOPPED, WRONG_USAGE, as_typed
from promtrack.errors import PromtrackError, nearest
from promtrack.process import NO_MEMORY, check_memory, set_switches, show

_CAUTION = (
    "Exit status: 0 done; 1 the input cannot be measured; 2 wrong usage; 3 done, but the verdict on lock, "
    "scale or motion is poor, so that no number should be quoted. "
    "Looking at or imaging the Sun without the right, undamaged filtration blinds and burns. Follow the "
    "filter maker's instructions and ask experienced local observers."
)


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    set_switches()
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return WRONG_USAGE
    try:
        check_memory()
        return options.call(options) or DONE
    except PromtrackError as error:
        status, text = error.exit_status, str(error)
    except KeyboardInterrupt:
        status = STOPPED
        text = "stopped; finished products are whole, and the same command goes on from here"
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except MemoryError:
        status, text = CANNOT, NO_MEMORY
    except OSError as error:
        status = CANNOT
        text = (
            f"{error.filename or 'the system'}: {error.strerror or error}; make sure that there is free "
            "space and that you may read and write there, then give the same command again"
        )
    with suppress(OSError, ValueError):  # the stream may be closed
        show(as_typed(f"promtrack: {text}", options), sys.stderr)
    return status


def _one_or_more(text: str) -> float:
    with suppress(ValueError):
        if float(text) >= 1:
            return float(text)
    raise argparse.ArgumentTypeError(f"{text!r} is no number of 1 or more")


class _Parser(argparse.ArgumentParser):
    """Mistakes get one sentence, as everywhere else, and the nearest word where one was mistyped."""

    def error(self, message: str) -> NoReturn:
        remedy = f"`{self.prog} --help` shows what there is"
        mistyped = re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message)
        if mistyped:
            message = message.partition(" (choose from")[0]
            remedy = nearest(mistyped[1], re.findall(r"[\w-]+", mistyped[2]), remedy)
        self.exit(WRONG_USAGE, f"{self.prog}: {message}; {remedy}\n")


def build_parser() -> argparse.ArgumentParser:
    """The whole command line; docs/command-line.md is made from it."""
    parser = _Parser(
        prog="promtrack",
        description="Steady time-lapse clips and honest speeds of solar prominences.",
        epilog=_CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"promtrack {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")

    run = _command(commands, calls.run_command, "run 2026-05-17-east-limb --set site.latitude_deg=50.1")
    run.add_argument("input", metavar="INPUT", type=Path, help=_INPUT)
    _add_out(run, "the products (default: INPUT's name with -promtrack appended, beside it)")
    run.add_argument("--marks", metavar="FILE", type=Path, help=_MARKS)
    run.add_argument("--replace", action="store_true", help="delete what --out holds of another recording")
    apart = (
        "INPUT has pauses of more than 3 hours: measure what lies between them apart, each in a folder of "
        "its own inside --out, and show them together in season.html there"
    )
    run.add_argument("--each-session", action="store_true", help=apart)

    look = _command(commands, calls.check_command, "check 2026-05-17-east-limb")
    look.add_argument("input", metavar="INPUT", type=Path, help=_INPUT)
    drift = "INPUT was recorded with the drive off: give north and arcsec per pixel from the Sun's drift"
    look.add_argument("--drift", action="store_true", help=drift)
    nudge = (
        "with --drift: the telescope was pushed this way during the recording; tells whether the image is "
        "mirrored"
    )
    look.add_argument("--nudge", choices=("north", "south"), default="", help=nudge)

    for name, text in _STAGE_HELP.items():
        stage = _command(commands, calls.stage_command, f"{name} 2026-05-17-east-limb-promtrack", text)
        stage.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)
        stage.add_argument("--marks", metavar="FILE", type=Path, help=_MARKS)

    mark = _command(commands, calls.mark_command, "mark 2026-05-17-east-limb-promtrack")
    mark.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)

    trial = _command(commands, calls.trial_command, "trial 2026-05-17-east-limb-promtrack")
    trial.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)
    rounds = "rounds of test features (default 6), each about as long as the run without its clip"
    trial.add_argument("--rounds", metavar="N", type=lambda n: int(_one_or_more(n)), default=6, help=rounds)

    watch = _command(commands, calls.watch_command, "watch 2026-05-17-east-limb")
    watch.add_argument("folder", metavar="FOLDER", type=Path, help="folder into which frames come")
    _add_out(watch, "live.html and live.png (default: FOLDER's name with -live appended, beside it)")
    every = "between lines (default 60)"
    watch.add_argument("--every", metavar="SECONDS", type=_one_or_more, default=60.0, help=every)
    minutes_help = "end after so many minutes (default: at Ctrl-C)"
    watch.add_argument("--minutes", metavar="N", type=float, default=float("inf"), help=minutes_help)

    season = _command(commands, calls.season_command, "season 2026-observations")
    folders_help = "folder of products, or a folder at any depth in which such folders lie"
    season.add_argument("folders", metavar="OUT", type=Path, nargs="+", help=folders_help)
    _add_out(season, "the season's files (default: season in the current folder)", Path("season"))

    demo = _command(commands, calls.demo_command, "demo eruption")
    scenario_help = "quiet, eruption or rain (default quiet)"
    demo.add_argument("scenario", metavar="SCENARIO", nargs="?", default="quiet", help=scenario_help)
    _add_out(demo, "frames and products (default promtrack-demo)", Path("promtrack-demo"))

    settings = _command(commands, calls.settings_command, "settings --out promtrack.toml")
    settings.add_argument("--out", metavar="FILE", type=Path, help="file to write (default: standard output)")
    return parser


_STAGE_HELP = {
    "lock": "find the limb in every frame again and write frames.ecsv",
    "strip": "unwrap the frames into height-versus-angle strips again and write strip.fits",
    "motion": "speeds of knots and fronts [km/s], with 1-sigma errors, again from strip.fits",
    "clip": "render the clip again",
    "figures": "draw the figures again",
    "report": "write report.html again",
}
_INPUT = "folder of frames, video, or a file with several frames"
_PRODUCTS = "folder of products that `promtrack run` made"
_MARKS = "corrections by hand (default: promtrack-marks.toml with the frames); see `promtrack mark`"


def _command(
    commands: argparse._SubParsersAction,
    call: Callable[[argparse.Namespace], int | None],
    example: str,
    text: str = "",
) -> argparse.ArgumentParser:
    """A command named by the first word of its example, with the options that all have. Its help is `text`,
    or else the docstring of `call`."""
    text = text or " ".join(str(call.__doc__).split())
    command = commands.add_parser(
        example.split()[0],
        help=text,
        description=text[0].upper() + text[1:] + ".",
        epilog=f"Example: promtrack {example}",
    )
    command.set_defaults(call=call)
    command.add_argument("--settings", metavar="FILE", type=Path, help="settings file (TOML)")
    set_help = "change one setting, for instance clip.look=ash; may be repeated"
    command.add_argument(
        "--set", metavar="KEY=VALUE", action="append", default=[], dest="changes", help=set_help
    )
    volume = command.add_mutually_exclusive_group()
    quiet_help = "print the results and nothing else: no progress, no advice"
    volume.add_argument("--quiet", action="store_true", help=quiet_help)
    volume.add_argument("--verbose", action="store_true", help="print what is decided at each step")
    return command


def _add_out(command: argparse.ArgumentParser, what: str, default: Path | None = None) -> None:
    command.add_argument("--out", metavar="DIR", type=Path, default=default, help=f"folder for {what}")
