"""What each command does, one function a command: options in, one call of the same name, words and an exit
status out. Nothing is computed here; imports that take long stand inside the commands that need them.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import sys
from collections.abc import Callable, Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from promtrack.errors import SettingsError, command_line
from promtrack.process import Progress, show

if TYPE_CHECKING:
    from promtrack.settings import Settings

DONE, CANNOT, WRONG_USAGE, POOR, STOPPED = 0, 1, 2, 3, 130  # exit statuses


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
    from promtrack.settings_text import set_no_more

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
    from promtrack.season import write_season

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
    from promtrack.show.mark_page import write_mark_page

    job = load_run(options.folder)
    page = write_mark_page(job.measured(), job.folder.path / "marks.html")
    print_lines(options, [f"open {page} in a browser, and put the file that it saves beside the frames"])


def demo_command(options: argparse.Namespace) -> None:
    """make a synthetic sequence, run on it, and print truth beside measurement"""
    from promtrack.demo import run_demo

    changes = partial(_changed, options)
    print_lines(options, run_demo(options.scenario, options.out, changes, progress=_progress(options)))


def settings_command(options: argparse.Namespace) -> None:
    """write a commented promtrack.toml with every setting"""
    from promtrack.settings import Settings
    from promtrack.settings_text import settings_as_toml

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
    from promtrack.settings import Settings
    from promtrack.settings_text import load_settings

    settings = Settings()
    for place in (Path(os.path.abspath(source)).parent / "promtrack.toml", source / "promtrack.toml"):
        if os.path.isfile(place):  # Path.is_file would raise where the folder may not be entered
            if not options.quiet:
                show(f"promtrack: settings from {place}", sys.stderr)
            settings = load_settings(place, settings)
    return _changed(options, settings)


def _changed(options: argparse.Namespace, settings: Settings) -> Settings:
    from promtrack.settings_text import change_settings, load_settings

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
