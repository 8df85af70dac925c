"""The command line: words in; one function a command, which calls one of the same name and prints; an exit
status out. Nothing is computed here, and what takes long to import is imported inside the command that needs
it. Results go to standard output, progress and messages to standard error.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any, NoReturn

from promtrack import __version__
from promtrack.errors import PromtrackError, SettingsError, command_line, nearest
from promtrack.process import NO_MEMORY, Progress, check_memory, set_switches, show
from promtrack.settings import Settings
from promtrack.settings_text import change_settings, load_settings, set_no_more, settings_as_toml

DONE, CANNOT, WRONG_USAGE, POOR, STOPPED = 0, 1, 2, 3, 130  # exit statuses
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
    except (KeyboardInterrupt, RuntimeError) as error:
        # Python 3.11 wraps what ends the making of a class, as while a library is loaded
        if isinstance(error, RuntimeError) and not isinstance(error.__cause__, KeyboardInterrupt):
            raise
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
        """Say what was mistyped, and leave with status 2."""
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

    run = _command(commands, run_command, "run 2026-05-17-east-limb --set site.latitude_deg=50.1")
    run.add_argument("input", metavar="INPUT", type=Path, help=_INPUT)
    _add_out(run, "the products (default: INPUT's name with -promtrack appended, beside it)")
    run.add_argument("--marks", metavar="FILE", type=Path, help=_MARKS)
    run.add_argument("--replace", action="store_true", help="delete what --out holds of another recording")
    apart = (
        "INPUT has pauses of more than 3 hours: measure what lies between them apart, each in a folder of "
        "its own inside --out, and show them together in season.html there"
    )
    run.add_argument("--each-session", action="store_true", help=apart)

    look = _command(commands, check_command, "check 2026-05-17-east-limb")
    look.add_argument("input", metavar="INPUT", type=Path, help=_INPUT)
    drift = "INPUT was recorded with the drive off: give north and arcsec per pixel from the Sun's drift"
    look.add_argument("--drift", action="store_true", help=drift)
    nudge = (
        "with --drift: the telescope was pushed this way during the recording; tells whether the image is "
        "mirrored"
    )
    look.add_argument("--nudge", choices=("north", "south"), default="", help=nudge)

    for name, text in _STAGE_HELP.items():
        stage = _command(commands, stage_command, f"{name} 2026-05-17-east-limb-promtrack", text)
        stage.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)
        stage.add_argument("--marks", metavar="FILE", type=Path, help=_MARKS)

    mark = _command(commands, mark_command, "mark 2026-05-17-east-limb-promtrack")
    mark.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)

    trial = _command(commands, trial_command, "trial 2026-05-17-east-limb-promtrack")
    trial.add_argument("folder", metavar="DIR", type=Path, help=_PRODUCTS)
    rounds = "rounds of test features (default 6), each about as long as the run without its clip"
    trial.add_argument("--rounds", metavar="N", type=lambda n: int(_one_or_more(n)), default=6, help=rounds)

    watch = _command(commands, watch_command, "watch 2026-05-17-east-limb")
    watch.add_argument("folder", metavar="FOLDER", type=Path, help="folder into which frames come")
    _add_out(watch, "live.html and live.png (default: FOLDER's name with -live appended, beside it)")
    every = "between lines (default 60)"
    watch.add_argument("--every", metavar="SECONDS", type=_one_or_more, default=60.0, help=every)
    minutes_help = "end after so many minutes (default: at Ctrl-C)"
    watch.add_argument("--minutes", metavar="N", type=float, default=float("inf"), help=minutes_help)

    season = _command(commands, season_command, "season 2026-observations")
    folders_help = "folder of products, or a folder at any depth in which such folders lie"
    season.add_argument("folders", metavar="OUT", type=Path, nargs="+", help=folders_help)
    _add_out(season, "the season's files (default: season in the current folder)", Path("season"))

    demo = _command(commands, demo_command, "demo eruption")
    scenario_help = "quiet, eruption or rain (default quiet)"
    demo.add_argument("scenario", metavar="SCENARIO", nargs="?", default="quiet", help=scenario_help)
    _add_out(demo, "frames and products (default promtrack-demo)", Path("promtrack-demo"))

    settings = _command(commands, settings_command, "settings --out promtrack.toml")
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


def print_lines(options: argparse.Namespace, lines: Iterable[str]) -> None:
    """Results to standard output, a line each."""
    for line in lines:
        show(as_typed(line, options), sys.stdout)


def advise(options: argparse.Namespace, line: str) -> None:
    """A line that --quiet leaves out."""
    if not options.quiet:
        print_lines(options, [line])


def as_typed(text: str, options: argparse.Namespace) -> str:
    """The text with the folder of products, which is absolute in it, named as the user typed it."""
    typed = getattr(options, "folder", None) or getattr(options, "out", None)
    if typed is None or typed.is_absolute():
        return text
    return re.sub(re.escape(str(typed.absolute())) + r"(?![^/\\\s;:,`'])", lambda _: str(typed), text)


def run_command(options: argparse.Namespace) -> int:
    """do everything, from frames to report"""
    settings = settings_for(options, options.input)
    from promtrack.many import measure_one, run_sessions
    from promtrack.pipeline import run
    from promtrack.products.folder import ProductFolder, default_folder
    from promtrack.products.summary import is_poor, summary_lines

    options.out = options.out or default_folder(options.input)
    if not options.quiet and (gone := set_no_more(ProductFolder(options.out)["settings"], settings)):
        show(as_typed(gone, options), sys.stderr)
    how: Any = {"marks": options.marks, "replace": options.replace, "progress": _progress(options)}
    if not options.each_session:
        job = run(options.input, options.out, settings, **how)
        print_lines(options, summary_lines(job.folder))
        print_lines(options, [f"products in {options.out}: open report.html and clip.mp4"])
        return POOR if is_poor(job.verdict) else DONE
    outcomes, lines = run_sessions(options.input, options.out, settings, partial(measure_one, **how))
    print_lines(options, [f"{outcome.source}: {outcome.error or outcome.words}" for outcome in outcomes])
    print_lines(options, [*lines, f"open {options.out / 'season.html'}"])
    failed, poor = any(one.error for one in outcomes), any(one.poor for one in outcomes)
    return CANNOT if failed else POOR if poor else DONE


def check_command(options: argparse.Namespace) -> None:
    """say what is there and whether it can be measured; changes nothing"""
    source, nudge = options.input, options.nudge
    if nudge and not options.drift:
        only = "tells north from south in a recording of the drift only"
        raise SettingsError(only, where="--nudge", remedy="give --drift too")
    settings = settings_for(options, source)
    from promtrack.check import check, check_drift

    advise(options, f"looking at {source}")  # at once: opening thousands of files takes a second or two
    lines = check_drift(source, settings, nudge=nudge) if options.drift else check(source, settings)
    typed = ["--settings", str(options.settings)] if options.settings is not None else []
    for line in lines:
        print_lines(options, [line])
        if "`promtrack run --each-session`" in line:  # it says that there are several
            typed.append("--each-session")
    typed += [word for change in options.changes for word in ("--set", change)]
    advise(options, "next: " + command_line("promtrack", "run", source, *typed))


def trial_command(options: argparse.Namespace) -> None:
    """put knots and fronts of known speed into a run's frames, and say what share of them is found"""
    from promtrack.trial import run_trial

    progress = _progress(options)("trial")
    print_lines(options, run_trial(options.folder, rounds=options.rounds, progress=progress))
    print_lines(options, [f"trial.ecsv and trial.png in {options.folder}"])


def watch_command(options: argparse.Namespace) -> None:
    """watch a folder while frames come in: a line and a picture every minute; touches nothing in it"""
    settings = settings_for(options, options.folder)
    from promtrack.watch import Watch, live_folder, watch_folder, write_live

    out, watch = live_folder(options.folder, options.out), Watch(options.folder, settings)
    write_live(out, watch, said=["No frame yet."], warned=[])  # it fails before the page is named
    advise(options, f"watching {options.folder}; open {out / 'live.html'}; stop with Ctrl-C")
    lines = watch_folder(watch, out, every_s=options.every, until_s=60.0 * options.minutes)
    try:
        print_lines(options, lines)
    except KeyboardInterrupt:  # the usual end
        run = command_line("promtrack", "run", options.folder)
        came = f"next: {run}" if watch.count else f"no frame has come into {options.folder}"
        print_lines(options, [f"stopped; {came}"])


def season_command(options: argparse.Namespace) -> None:
    """gather finished runs into one table, one page and one figure: season.ecsv, .html, .png, .svg"""
    from promtrack.many import write_season

    lines = write_season(options.folders, options.out)
    print_lines(options, [*lines, f"open {options.out / 'season.html'}"])


def stage_command(options: argparse.Namespace) -> int:
    """do one stage again"""
    from promtrack.pipeline import not_up_to_date, run_stage
    from promtrack.products.summary import is_poor, motion_lines

    stage, folder, progress = options.command, options.folder, _progress(options)
    job = run_stage(stage, folder, partial(_changed, options), marks=options.marks, progress=progress)
    made = job.files[stage]
    named = made[0].name if len(made) == 1 else f"{len(made)} files"
    print_lines(options, [f"{stage}: {named} in {folder}"])
    if stage == "motion":
        print_lines(options, motion_lines(job.folder))
    if later := not_up_to_date(job):
        again = command_line("promtrack", later[0], folder)
        first = f"; begin with `{again}`" if later[1:] else f": `{again}`"
        advise(options, f"still to be done again: {', '.join(later)}{first}")
    return POOR if stage == "motion" and is_poor(job.verdict) else DONE


def mark_command(options: argparse.Namespace) -> None:
    """write marks.html, a page on which to correct by hand what was found"""
    from promtrack.pipeline import load_run
    from promtrack.show.mark_page import marks_place, write_mark_page

    job = load_run(options.folder)
    page = write_mark_page(job.measured(), job.folder.path / "marks.html")
    where = marks_place(job.source)
    print_lines(options, [f"open {page} in a browser, and put the file that it saves {where}"])


def demo_command(options: argparse.Namespace) -> None:
    """make a synthetic sequence, run on it, and print truth beside measurement"""
    from promtrack.demo import run_demo

    changes = partial(_changed, options)
    print_lines(options, run_demo(options.scenario, options.out, changes, progress=_progress(options)))


def settings_command(options: argparse.Namespace) -> None:
    """write a commented promtrack.toml with every setting"""
    text = settings_as_toml(_changed(options, Settings()))
    if options.out is None:
        print(text)
        return
    if options.out.exists():
        raise SettingsError("exists already", where=str(options.out), remedy="give another --out")
    options.out.write_text(text, encoding="utf-8")
    advise(options, f"wrote {options.out}")


def settings_for(options: argparse.Namespace, source: Path) -> Settings:
    """Defaults, then a promtrack.toml inside or beside the input, then --settings, then --set."""
    settings = Settings()
    for place in (Path(os.path.abspath(source)).parent / "promtrack.toml", source / "promtrack.toml"):
        if os.path.isfile(place):  # Path.is_file would raise where the folder may not be entered
            if not options.quiet:
                show(f"promtrack: settings from {place}", sys.stderr)
            settings = load_settings(place, settings)
    return _changed(options, settings)


def _changed(options: argparse.Namespace, settings: Settings) -> Settings:
    if options.settings is not None:
        settings = load_settings(options.settings, settings)
    for change in options.changes:
        key, equals, value = change.partition("=")
        if not equals:
            raise SettingsError(f"'{change}' has no '='", where="--set", remedy="write it as --set key=value")
        settings = change_settings(settings, {key.strip(): value.strip()}, where="--set")
    return settings


def _progress(options: argparse.Namespace) -> Callable[[str], Callable[[int, int], None]]:
    if options.verbose:
        talk = logging.StreamHandler(sys.stderr)
        talk.setFormatter(logging.Formatter("promtrack: %(message)s"))
        logging.getLogger("promtrack").addHandler(talk)
    return Progress(sys.stderr, quiet=options.quiet).stage
