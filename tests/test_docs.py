"""The docs: generated pages are up to date, links lead somewhere, and every Python snippet runs."""

import ast
import importlib
import inspect
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import promtrack
from promtrack.scene import make_scene, write_scene
from tests.conftest import SMALL
from tests.make_docs import PAGES
from tests.messy import command

ROOT = Path(__file__).resolve().parent.parent
TEXTS = [
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    ROOT / "demo" / "README.md",
    *sorted((ROOT / "docs").rglob("*.md")),
]
SNIPPET = re.compile(r"```python\n(.*?)```", re.S)
COMMANDS = re.compile(r"```sh\n(.*?)```", re.S)
REFUSED = re.compile(r"```console\n\$ promtrack (.*)\n(.*)\n```")


@pytest.mark.parametrize("name", PAGES)
def test_generated_pages_are_up_to_date(name):
    stands = (ROOT / "docs" / name).read_text(encoding="utf-8")
    assert stands == PAGES[name](), "run python -m tests.make_docs"


@pytest.mark.parametrize("text", TEXTS, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(text):
    content = text.read_text(encoding="utf-8")
    for target in re.findall(r"\]\((?!https?://|#|mailto:)([^)#\s]+)", content):
        assert (text.parent / target).exists(), f"{text.name} links to {target}"


# What these pages show, `test_many`, `outside/test_interop` and `test_whole_way` do on fewer frames.
LONG_PAGES = ("season.md", "interop.md", "python.md")


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(
            text,
            marks=pytest.mark.long if text.name in LONG_PAGES else (),
            id=text.relative_to(ROOT).as_posix(),
        )
        for text in TEXTS
        if SNIPPET.search(text.read_text(encoding="utf-8"))
    ],
)
def test_every_python_snippet_runs(text, small_run, few_frames, tmp_path):
    # The snippets of a page run in order, as in one notebook, in a folder that holds what they speak of.
    shutil.copytree(few_frames, tmp_path / "east limb")
    shutil.copytree(small_run.folder.path, tmp_path / "east limb-promtrack")
    code = "\n".join(SNIPPET.findall(text.read_text(encoding="utf-8")))
    done = subprocess.run(
        [sys.executable, "-c", code],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
    )
    assert done.returncode == 0, done.stderr


def test_the_page_on_python_names_all_arguments_that_must_be_given():
    text = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    shown = re.findall(r"`(\w+)\(([^`]*)\)`", text[: text.index("## A worked example")])
    assert len(shown) > 10
    for name, arguments in shown:
        given = inspect.signature(getattr(promtrack, name)).parameters.values()
        needed = [f"{p.name}=" if p.kind is p.KEYWORD_ONLY else p.name for p in given if p.default is p.empty]
        assert arguments.split(", ") == needed, name


def test_modules_and_functions_that_contributors_are_told_of_exist():
    rooms = {path.stem for path in (ROOT / "promtrack").iterdir()}
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = {name for name in re.findall(r"`([a-z_]+(?:\.\w+)+)", text) if name.split(".")[0] in rooms}
    assert len(named) > 20
    for name in named:
        found, parts = promtrack, name.removeprefix("promtrack.").removesuffix(".py").split(".")
        for depth, part in enumerate(parts, 1):
            try:
                found = importlib.import_module(".".join(["promtrack", *parts[:depth]]))
            except ImportError:  # a name within the module before
                assert hasattr(found, part) or part in found.__annotations__, name
                found = getattr(found, part, None)


def strings_of(package):
    """All that the program can say: its texts, what is put into them left out."""
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                yield node.value


def test_every_message_among_the_troubles_is_one_of_the_program():
    said = "\n".join(strings_of(ROOT / "promtrack"))
    rows = re.findall(r"^\| (.*?) \| ", (ROOT / "docs" / "troubles.md").read_text(encoding="utf-8"), re.M)
    messages = [m for row in rows for m in re.findall(r"`([^`]+)`|(?<!\*)\*([^*]+)\*(?!\*)", row)]
    assert len(messages) > 60
    missing = [
        message
        for message in map("".join, messages)
        if not all(part.strip(" :;,()'?") in said for part in re.split(r"<[^>]+>|\.\.\.", message))
    ]
    assert missing == []


def test_refusals_are_as_the_docs_show_them(capsys):
    shown = [pair for text in TEXTS for pair in REFUSED.findall(text.read_text(encoding="utf-8"))]
    assert shown
    for words, answer in shown:
        assert command(capsys, *shlex.split(words)) == (2, "", answer + "\n")


@pytest.mark.long
@pytest.mark.parametrize(
    "text",
    [t for t in TEXTS if COMMANDS.search(t.read_text(encoding="utf-8"))],
    ids=lambda p: p.relative_to(ROOT).as_posix(),
)
def test_every_command_of_a_worked_example_runs(text, small_run, small_frames, tmp_path):
    # The commands of a page run in order, where the recording and its run lie.
    shutil.copytree(small_frames, tmp_path / "east limb")
    if "two exposures" in text.read_text(encoding="utf-8"):
        spec = replace(SMALL, frames=24, exposure_cycle=(1.0, 8.0), exposure=0.6)
        write_scene(make_scene(spec), tmp_path / "two exposures")
    (tmp_path / "one picture").mkdir()
    shutil.copy(min(small_frames.iterdir()), tmp_path / "one picture")
    if "check bursts" in text.read_text(encoding="utf-8"):
        times = np.ravel(30.0 * np.arange(12)[:, None] + np.arange(5))
        write_scene(make_scene(replace(SMALL, times_s=tuple(times.tolist()))), tmp_path / "bursts")
    shutil.copytree(small_run.folder.path, tmp_path / "east limb-promtrack")
    run = [sys.executable, "-m", "promtrack"]
    for line in "".join(COMMANDS.findall(text.read_text(encoding="utf-8"))).splitlines():
        program, *words = shlex.split(line)
        assert program == "promtrack"
        done = subprocess.run([*run, *words], cwd=tmp_path, capture_output=True, text=True, timeout=600)
        assert done.returncode in (0, 3), done.stderr  # 3: done, with a poor verdict
