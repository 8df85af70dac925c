"""Commands: words in, one call of the same name, words out. Nothing is computed here.

Exit status: 0 done, 1 the input cannot be measured, 2 wrong usage. Results go to standard output,
progress to standard error. Imports that take long stand inside the commands that need them.
"""

from __future__ import annotations

import argparse
import codecs
import io
import logging
import os
import re
import sys
import tempfile
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from promtrack import __version__
from promtrack.errors import PromtrackError, SettingsError, command_line
from promtrack.heap import one_heap

if TYPE_CHECKING:
    from promtrack.settings import Settings

__all__ = ["build_parser", "main"]

_CAUTION = (
    "Looking at or imaging the Sun without the right, undamaged filtration blinds and burns. Follow the filter maker's "
    "instructions and ask experienced local observers."
)


_PLAIN_SIGNS = {"−": "-", "±": "+-", "²": "2", "°": " deg"}


def main(arguments: list[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    sys.excepthook = _report_bug
    one_heap()
    os.environ.setdefault(
        "OPENBLAS_NUM_THREADS", "1"
    )  # before numpy is there: on matrices as small as ours its threads only wait
    if isinstance(sys.stdout, io.TextIOWrapper):
        codecs.register_error("in-plain-signs", _in_plain_signs)
        sys.stdout.reconfigure(
            errors="in-plain-signs"
        )  # a file's name may hold what the terminal cannot show
    parser = build_parser()
    options = parser.parse_args(arguments)
    if options.command is None:
        parser.print_help()
        return 2
    try:
        options.call(options)
    except PromtrackError as error:
        error.where = _as_typed(error.where, options)
        print(f"promtrack: {error}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        print(
            "\npromtrack: stopped; finished products are whole, and the same command goes on from here",
            file=sys.stderr,
        )
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except MemoryError:
        print(
            "promtrack: there is not enough memory; close other programs, or crop the frames", file=sys.stderr
        )
        return 1
    except OSError as error:
        print(
            f"promtrack: {error.filename or 'the system'}: {error.strerror or error}; make sure that there is free space and that you "
            "may read and write there, then give the same command again",
            file=sys.stderr,
        )
        return 1
    return 0


def _as_typed(where: str, options: argparse.Namespace) -> str:
    """A path in or of the folder of products, which are absolute, as the user named that folder."""
    typed = next(
        (
            path
            for path in (getattr(options, "folder", None), getattr(options, "out", None))
            if path is not None
        ),
        None,
    )
    if typed is None or typed.is_absolute() or not Path(where).is_relative_to(typed.absolute()):
        return where
    return str(typed / Path(where).relative_to(typed.absolute()))


class _Parser(argparse.ArgumentParser):
    """Mistakes get one sentence, as everywhere else, and the nearest word where one was mistyped."""

    def error(self, message: str) -> NoReturn:
        remedy = f"`{self.prog} --help` shows what there is"
        mistyped = re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message)
        if mistyped:
            from difflib import get_close_matches

            message = message.partition(" (choose from")[0]
            near = get_close_matches(mistyped[1], re.findall(r"[\w-]+", mistyped[2]), n=1)
            remedy = f"did you mean '{near[0]}'?" if near else remedy
        self.exit(2, f"{self.prog}: {message}; {remedy}\n")


def build_parser() -> argparse.ArgumentParser:
    """The whole command line; docs/command-line.md is made from it."""
    parser = _Parser(
        prog="promtrack",
        description="Steady time-lapse clips and honest speeds of solar prominences.",
        epilog=_CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"promtrack {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", title="commands")
    _add_run(commands)
    _add_check(commands)
    for stage, text in _STAGE_HELP.items():
        _add_stage(commands, stage, text)
    _add_demo(commands)
    _add_settings(commands)
    return parser


_STAGE_HELP = {
    "lock": "find the limb in every frame again and write frames.ecsv",
    "strip": "unwrap the frames into height-versus-angle strips again and write strip.fits",
    "motion": "speeds of knots and fronts [km/s], with 1-sigma errors, again from strip.fits",
    "clip": "render the clip again",
    "figures": "draw the figures again",
    "report": "write report.html again",
}


def _command(
    commands: argparse._SubParsersAction,
    name: str,
    text: str,
    example: str,
    call: Callable[[argparse.Namespace], None],
) -> argparse.ArgumentParser:
    command = commands.add_parser(
        name, help=text, description=text[0].upper() + text[1:] + ".", epilog=f"Example: {example}"
    )
    command.set_defaults(call=call)
    command.add_argument(
        "--settings", metavar="FILE", type=Path, help="settings file (TOML); see `promtrack settings`"
    )
    command.add_argument(
        "--set",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        dest="changes",
        help="change one setting, for instance clip.look=ash; may be repeated",
    )
    volume = command.add_mutually_exclusive_group()
    volume.add_argument(
        "--quiet", action="store_true", help="print the results and nothing else: no progress, no advice"
    )
    volume.add_argument("--verbose", action="store_true", help="say what is decided on the way")
    return command


def _add_run(commands: argparse._SubParsersAction) -> None:
    command = _command(
        commands,
        "run",
        "do everything, from frames to report",
        "promtrack run 2026-05-17-east-limb --set site.latitude_deg=50.1",
        _run,
    )
    command.add_argument(
        "input", metavar="INPUT", type=Path, help="folder of frames, video, or a file with several frames"
    )
    command.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        help="folder for the products (default: INPUT's name with -promtrack appended, beside it)",
    )


def _add_check(commands: argparse._SubParsersAction) -> None:
    command = _command(
        commands,
        "check",
        "say what is there and whether it can be measured; changes nothing",
        "promtrack check 2026-05-17-east-limb",
        _check,
    )
    command.add_argument(
        "input", metavar="INPUT", type=Path, help="folder of frames, video, or a file with several frames"
    )
    command.add_argument(
        "--drift",
        action="store_true",
        help="INPUT was recorded with the drive off: give north and arcsec per pixel from the Sun's drift",
    )
    command.add_argument(
        "--nudge",
        choices=("north", "south"),
        default="",
        help="with --drift: the telescope was pushed this way during the recording; tells whether the image is mirrored",
    )


def _add_stage(commands: argparse._SubParsersAction, stage: str, text: str) -> None:
    command = _command(commands, stage, text, f"promtrack {stage} 2026-05-17-east-limb-promtrack", _stage)
    command.add_argument(
        "folder", metavar="DIR", type=Path, help="folder of products that `promtrack run` made"
    )
    if stage == "motion":
        command.add_argument(
            "--slit",
            metavar="PATH",
            action="append",
            default=[],
            help="cut a time-distance diagram along this path, for instance radial:124.5; may be repeated",
        )


def _add_demo(commands: argparse._SubParsersAction) -> None:
    command = _command(
        commands,
        "demo",
        "make a synthetic sequence, run on it, and print truth beside measurement",
        "promtrack demo eruption",
        _demo,
    )
    command.add_argument(
        "scenario",
        metavar="SCENARIO",
        nargs="?",
        default="quiet",
        help="quiet, eruption or rain (default quiet)",
    )
    command.add_argument(
        "--out",
        metavar="DIR",
        type=Path,
        default=Path("promtrack-demo"),
        help="folder for frames and products (default promtrack-demo)",
    )


def _add_settings(commands: argparse._SubParsersAction) -> None:
    command = _command(
        commands,
        "settings",
        "write a commented promtrack.toml with every setting",
        "promtrack settings --out promtrack.toml",
        _settings,
    )
    command.add_argument("--out", metavar="FILE", type=Path, help="file to write (default: standard output)")


def _run(options: argparse.Namespace) -> None:
    settings = _settings_for(options, options.input)
    from promtrack.pipeline import run
    from promtrack.products.summary import summary_lines

    job = run(options.input, options.out, settings, progress=_progress(options))
    print(*summary_lines(job.folder), sep="\n")


def _check(options: argparse.Namespace) -> None:
    if options.nudge and not options.drift:
        raise SettingsError(
            "tells north from south in a recording of the drift only",
            where="--nudge",
            remedy="give --drift too",
        )
    settings = _settings_for(options, options.input)
    from promtrack.checkup import check, check_drift

    if not options.quiet:
        print(
            f"looking at {options.input}", flush=True
        )  # at once: opening thousands of files takes a second or two
    lines = (
        check_drift(options.input, settings, nudge=options.nudge)
        if options.drift
        else check(options.input, settings)
    )
    for line in lines:
        print(line, flush=True)
    if not options.drift and not options.quiet:
        print("next: " + command_line("promtrack", "run", options.input, *_settings_words(options)))


def _settings_words(options: argparse.Namespace) -> list[str]:
    """The options that changed settings, as they were typed."""
    file = ["--settings", str(options.settings)] if options.settings is not None else []
    return file + [word for change in options.changes for word in ("--set", change)]


def _stage(options: argparse.Namespace) -> None:
    from promtrack.pipeline import not_up_to_date, run_stage
    from promtrack.products.summary import motion_lines
    from promtrack.settings import change_settings

    slits = {"motion.slits": options.slit} if options.command == "motion" and options.slit else {}
    job = run_stage(
        options.command,
        options.folder,
        lambda base: change_settings(_changed(options, base), slits, where="--slit"),
        progress=_progress(options),
    )
    lines = [f"{options.command}: {_made(job.files[options.command])} in {job.folder.path}"]
    if options.command == "motion":
        lines += motion_lines(job.folder)
    later = not_up_to_date(job)
    if later and not options.quiet:
        again = command_line("promtrack", later[0], options.folder)
        lines.append(
            f"still to be done again: {', '.join(later)}"
            + (f"; begin with `{again}`" if later[1:] else f": `{again}`")
        )
    print(*lines, sep="\n")


def _made(files: list[Path]) -> str:
    return files[0].name if len(files) == 1 else f"{len(files)} files"


def _demo(options: argparse.Namespace) -> None:
    from promtrack.demo import run_demo

    for line in run_demo(
        options.scenario, options.out, lambda base: _changed(options, base), progress=_progress(options)
    ):
        print(line, flush=True)


def _settings(options: argparse.Namespace) -> None:
    from promtrack.settings import Settings, settings_as_toml

    text = settings_as_toml(_changed(options, Settings()))
    if options.out is None:
        print(text)
        return
    if options.out.exists():
        raise SettingsError("exists already", where=str(options.out), remedy="name another file with --out")
    try:
        options.out.write_text(text, encoding="utf-8")
    except OSError as error:
        raise SettingsError(
            f"cannot be written ({error.strerror})",
            where=str(options.out),
            remedy="name another file with --out",
        ) from None
    if not options.quiet:
        print(f"wrote {options.out}")


def _settings_for(options: argparse.Namespace, source: Path) -> Settings:
    """Defaults, then a promtrack.toml inside or beside the input, then --settings, then --set."""
    from promtrack.settings import Settings, load_settings

    settings = Settings()
    for place in (Path(os.path.abspath(source)).parent / "promtrack.toml", source / "promtrack.toml"):
        if os.path.isfile(place):  # Path.is_file would raise where the folder may not be entered
            if not options.quiet:
                print(f"promtrack: settings from {place}", file=sys.stderr)
            settings = load_settings(place, settings)
    return _changed(options, settings)


def _changed(options: argparse.Namespace, settings: Settings) -> Settings:
    from promtrack.settings import change_settings, load_settings

    if options.settings is not None:
        settings = load_settings(options.settings, settings)
    for change in options.changes:
        key, equals, value = change.partition("=")
        if not equals:
            raise SettingsError(f"'{change}' has no '='", where="--set", remedy="write it as --set key=value")
        settings = change_settings(settings, {key.strip(): value.strip()}, where="--set")
    return settings


def _progress(options: argparse.Namespace) -> Callable[[str], Callable[[int, int], None]]:
    from promtrack.progress import Progress

    if options.verbose:
        talk = logging.StreamHandler(sys.stderr)
        talk.setFormatter(logging.Formatter("promtrack: %(message)s"))
        logging.getLogger("promtrack").addHandler(talk)
    return Progress(sys.stderr, quiet=options.quiet).stage


def _in_plain_signs(error: UnicodeError) -> tuple[str, int]:
    """For a terminal that lacks a character: the signs of print in plain ones, all else as its code."""
    assert isinstance(error, UnicodeEncodeError), "only what is written is replaced"
    lacking = error.object[error.start : error.end]
    return "".join(
        _PLAIN_SIGNS.get(sign) or sign.encode("ascii", "backslashreplace").decode("ascii") for sign in lacking
    ), error.end


def _report_bug(kind: type[BaseException], error: BaseException, trace: object) -> None:
    """A fault of the program itself: one line for the user, the traceback into a log."""
    try:  # not in the working folder, which may be the input's
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="promtrack-fault-",
            suffix=".log",
            encoding="utf-8",
            delete=False,
            errors="backslashreplace",
        ) as log:
            log.write("".join(traceback.format_exception(error)))
        place = f"; the details are in {log.name}"
    except OSError:
        place = ""
    print(
        f"promtrack: a fault in promtrack itself ({kind.__name__}: {error}){place}; please report it",
        file=sys.stderr,
    )
