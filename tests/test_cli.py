"""The commands as a user types them: help, exit status, one clear sentence when something is wrong."""

import re
import subprocess
import sys
import tomllib

import pytest

from promtrack.cli import STOPPED, build_parser, main
from tests.conftest import QUICK_OPTIONS

COMMANDS = (
    "run",
    "check",
    "lock",
    "strip",
    "motion",
    "clip",
    "figures",
    "report",
    "mark",
    "demo",
    "settings",
)


def promtrack(*arguments, **options):
    """Run the program in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "promtrack", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        timeout=300,
        **options,
    )


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(command, capsys):
    with pytest.raises(SystemExit) as left:
        main([command, "--help"])
    assert left.value.code == 0
    text = capsys.readouterr().out
    assert re.search(rf"Example:\s+promtrack\s+{command}", text)
    assert "--settings FILE" in text


def test_the_help_names_every_command_and_the_caution(capsys):
    assert main([]) == 2
    text = capsys.readouterr().out
    assert [c for c in COMMANDS if c not in text] == []
    assert "blinds" in text


def test_start_up_imports_nothing_heavy():
    # The help must come at once, so the command line alone may not load the numerical libraries.
    code = "import sys, promtrack.cli; promtrack.cli.build_parser(); print(*sys.modules)"
    loaded = set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )
    assert not loaded & {"numpy", "scipy", "cv2", "astropy", "matplotlib"}


def test_a_check_loads_neither_solvers_nor_tables_nor_figures():
    # TRUTH  `promtrack check` needs none of them, and they take a second to load
    code = "import sys, promtrack.check; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(loaded.stdout.split()) & {"scipy.special", "scipy.optimize", "astropy.table", "matplotlib"}


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (["run", "no such folder"], 1, "no such folder"),
        (["run"], 2, "INPUT"),
        (["dance"], 2, "promtrack --help"),
        (["chek", "folder"], 2, "did you mean 'check'?"),
        (["check", ".", "--nudge", "nrth"], 2, "did you mean 'north'?"),
        (["check", ".", "--nudge", "north"], 2, "--drift"),
        (["run", ".", "--set", "clip.rat=3"], 2, "clip.rate"),
        (["run", ".", "--set", "clip.rate"], 2, "key=value"),
        (["run", ".", "--settings", "none.toml"], 2, "none.toml"),
        (["motion", "no such folder"], 1, "promtrack run"),
        (["demo", "waltz"], 2, "waltz"),
    ],
)
def test_mistakes_get_one_line_and_a_status(arguments, status, words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    try:
        returned = main(arguments)
    except SystemExit as left:
        returned = left.code
    told = capsys.readouterr().err
    assert returned == status
    assert words in told
    assert "Traceback" not in told
    assert len(told.strip().splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_mistake_ends_the_process_with_one_line(tmp_path):
    done = promtrack("run", "no such folder", cwd=tmp_path)
    assert (done.returncode, len(done.stderr.strip().splitlines())) == (1, 1)
    assert "no such folder" in done.stderr


@pytest.mark.parametrize("wrapped", [False, True])
def test_an_interruption_is_no_fault_wherever_it_falls(wrapped, monkeypatch, capsys):
    # while a class is made, as when a library is loaded, Python 3.11 hands it on as the cause of another
    def stop(*_, **__):
        if wrapped:
            raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()
        raise KeyboardInterrupt

    monkeypatch.setattr("promtrack.cli.settings_as_toml", stop)
    assert main(["settings"]) == STOPPED
    assert capsys.readouterr().err.startswith("promtrack: stopped; finished products are whole")


def test_another_fault_is_handed_on(monkeypatch):
    def fail(*_, **__):
        raise RuntimeError("something else")

    monkeypatch.setattr("promtrack.cli.settings_as_toml", fail)
    with pytest.raises(RuntimeError, match="something else"):
        main(["settings"])


def test_a_path_in_a_message_is_the_one_that_was_typed(tmp_path, monkeypatch, capsys, small_frames, finished):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("mine")
    for arguments, words in (
        (["motion", "nowhere"], "promtrack: nowhere: is not there"),
        (["motion", "other"], "promtrack: other: is not a folder of products"),
        (["run", str(small_frames), "--out", "other"], "promtrack: other: holds 'letter.txt'"),
        (["motion", str(tmp_path / "nowhere")], f"promtrack: {tmp_path / 'nowhere'}: is not there"),
    ):
        assert main(arguments) == 1
        assert capsys.readouterr().err.startswith(words)
    monkeypatch.chdir(finished.parent)
    assert main(["clip", "out", "--set", "strip.low_mm=5"]) == 1
    assert "do `promtrack strip out` first" in capsys.readouterr().err


def test_settings_are_written_once(tmp_path, capsys):
    path = tmp_path / "promtrack.toml"
    assert main(["settings", "--out", str(path), "--set", "clip.look=ash"]) == 0
    assert tomllib.loads(path.read_text(encoding="utf-8"))["clip"]["look"] == "ash"
    assert main(["settings", "--out", str(path)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_settings_beside_and_inside_the_input_are_picked_up(tmp_path):
    folder = tmp_path / "frames"
    folder.mkdir()
    (tmp_path / "promtrack.toml").write_text("[clip]\nrate = 10.0\nlook = 'ash'\n", encoding="utf-8")
    (folder / "promtrack.toml").write_text("[clip]\nrate = 12.0\n", encoding="utf-8")
    from promtrack.cli import settings_for

    options = build_parser().parse_args(["run", str(folder), "--set", "clip.hold_s=0.5"])
    settings = settings_for(options, folder)
    assert (settings.clip.rate, settings.clip.look, settings.clip.hold_s) == (12.0, "ash", 0.5)


def test_check_says_what_is_there_and_changes_nothing(small_frames):
    before = {p.name: p.stat().st_mtime_ns for p in small_frames.iterdir()}
    done = promtrack("check", small_frames)
    assert done.returncode == 0, done.stderr
    assert "20 frames of 400x300 px" in done.stdout
    assert "one every 20 s" in done.stdout
    assert re.search(r"scale about \d+ km a pixel", done.stdout)
    assert "heights: limb taken for that of H-alpha; a filter much wider than the line" in done.stdout
    assert {p.name: p.stat().st_mtime_ns for p in small_frames.iterdir()} == before
    assert [p.name for p in small_frames.parent.iterdir()] == [small_frames.name]


def test_quiet_prints_the_results_and_nothing_else(small_frames, finished, capsys):
    # TRUTH  what each command is called for; progress, advice and what is left to do are not among it.
    loud = [option for option in QUICK_OPTIONS if option != "--quiet"]
    for arguments, results, rest in (
        (
            ["run", small_frames, "--out", finished, *loud],
            ("20 of 20 frames used", "km a pixel", "moving of"),
            (),
        ),
        (
            ["check", small_frames],
            ("20 frames of 400x300 px", "km a pixel", "it can be measured"),
            ("looking at ", "next: promtrack run"),
        ),
        (["report", finished], ("report: report.html in",), ()),
        (
            ["motion", finished, "--set", "motion.slits=radial:0"],
            ("motion: ", "moving of"),
            ("still to be done again",),
        ),
    ):
        for quiet in (False, True):
            assert main([*map(str, arguments), *(["--quiet"] if quiet else [])]) == 0
            out, err = capsys.readouterr()
            assert all(result in out for result in results)
            assert all((words in out + err) is not quiet for words in rest)
            assert not (quiet and err)
