"""Make the generated pages of docs/: `python -m tests.make_docs`. A test fails while a page is behind the
code."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any, NamedTuple

from promtrack.cli import build_parser
from promtrack.settings import Settings
from promtrack.settings_text import _SETTINGS, _limits, settings_as_toml

DOCS = Path(__file__).resolve().parent.parent / "docs"
_MADE = "<!-- made by `python -m tests.make_docs`; do not edit -->\n"


class Described(NamedTuple):
    """A setting in words, for the docs and for messages."""

    key: str
    default: Any
    limits: str  # unit with limits, or choices
    help: str


def describe_settings() -> list[Described]:
    """Every setting in words, in order."""
    return [
        Described(key, item.default, _limits(item), item.metadata["help"])
        for key, (_, item, _) in _SETTINGS.items()
    ]


def settings_page() -> str:
    """docs/settings.md"""
    lines = [
        "# Settings",
        "",
        _MADE,
        "Settings stand in a TOML file. A `promtrack.toml` inside the input folder or beside it is picked "
        "up; `--settings FILE` and",
        "`--set key=value` beat it, in this order. `promtrack settings --out promtrack.toml` writes a "
        "file with all of them and their",
        "help texts. Empty means unknown, or found by promtrack itself.",
        "",
    ]
    section = ""
    for key, default, limits, text in describe_settings():
        name = key.partition(".")[0]
        if name != section:
            section = name
            about = " ".join((type(getattr(Settings(), name)).__doc__ or "").split())
            lines += [
                f"## {name}",
                "",
                about,
                "",
                "| key | default | values | meaning |",
                "| --- | --- | --- | --- |",
            ]
        lines.append(f"| `{key}` | {_shown(default)} | {_cell(limits)} | {_cell(text)} |")
        following = [row[0] for row in describe_settings()]
        place = following.index(key) + 1
        if place == len(following) or not following[place].startswith(f"{section}."):
            lines.append("")
    lines += ["## The whole file", "", "```toml", settings_as_toml(Settings()).rstrip(), "```", ""]
    return "\n".join(lines)


def command_page() -> str:
    """docs/command-line.md, from the parser's own actions (argparse words its help differently from version
    to version)"""
    parser = build_parser()
    lines = [
        "# Command line",
        "",
        _MADE,
        "Exit status: 0 done, 1 the input cannot be measured (with the reason), 2 wrong usage, 3 done, "
        "but the verdict",
        "on lock, scale or motion is poor, 130 stopped by Ctrl-C. Results go to standard output, progress "
        "to standard error. `promtrack COMMAND --help` says the same at the terminal.",
        "",
        "| command | what it does |",
        "| --- | --- |",
    ]
    commands = _commands(parser)
    lines += [f"| [{name}](#{name}) | {command.description} |" for name, command in commands.items()]
    lines += ["", parser.epilog, ""]
    for name, command in commands.items():
        lines += [f"## {name}", "", command.description, "", "| argument | meaning |", "| --- | --- |"]
        lines += [
            f"| `{_call(action)}` | {_cell(action.help)} |"
            for action in command._actions
            if action.dest != "help"
        ]
        lines += ["", command.epilog.replace("Example: ", "Example: `", 1) + "`", ""]
    return "\n".join(lines)


PAGES = {"settings.md": settings_page, "command-line.md": command_page}


def _commands(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    actions = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
    return dict(actions[0].choices)


def _call(action: argparse.Action) -> str:
    """How an argument is written."""
    value = action.metavar or ("|".join(action.choices) if action.choices else "")
    if not action.option_strings:
        return str(action.metavar)
    return f"{action.option_strings[-1]} {value}".strip().replace("|", "\\|")


def _shown(value: object) -> str:
    if value is None or value == "" or value == ():
        return "empty"
    if isinstance(value, tuple):
        return ", ".join(f"`{v}`" for v in value)
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def main() -> None:
    for name, page in PAGES.items():
        (DOCS / name).write_text(page(), encoding="utf-8")
        print(f"docs/{name}")


if __name__ == "__main__":
    main()
