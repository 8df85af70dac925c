"""The product folder: whole files or none, one run at a time, finished stages remembered."""

import multiprocessing
import ntpath
import os
from pathlib import Path

import pytest

from promtrack.errors import InputError, SettingsError
from promtrack.files import atomic_write
from promtrack.products.folder import ProductFolder, alone, default_folder, stamp_of


def test_default_folder_stands_beside_the_input(tmp_path):
    assert default_folder(tmp_path / "east limb é") == tmp_path / "east limb é-promtrack"
    assert default_folder(tmp_path / "clip.avi") == tmp_path / "clip.avi-promtrack"


def test_a_failure_leaves_the_old_file_and_no_part(tmp_path):
    path = tmp_path / "clip.mp4"
    path.write_bytes(b"old")
    with pytest.raises(ZeroDivisionError), atomic_write(path) as part:
        part.write_bytes(b"half")
        1 / 0  # noqa: B018
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["clip.mp4"]


def test_no_space_is_said_with_the_remedy(tmp_path):
    with pytest.raises(InputError, match="No space left") as caught, atomic_write(tmp_path / "clip.mp4"):
        raise OSError(28, "No space left on device")
    assert "--out" in str(caught.value)


def test_products_never_land_in_the_input(tmp_path):
    (tmp_path / "frames").mkdir()
    for inside in (tmp_path / "frames", tmp_path / "frames" / "out"):
        with pytest.raises(InputError, match="inside the input"):
            ProductFolder(inside).create(tmp_path / "frames")
    assert list((tmp_path / "frames").iterdir()) == []


def test_other_things_in_the_folder_stay(tmp_path):
    folder = ProductFolder(tmp_path / "out")
    folder.create(tmp_path / "frames")
    (folder.path / "letter.txt").write_text("mine")
    (folder.path / ".part-clip.mp4").write_text("left by a crash")
    folder.create(tmp_path / "frames")
    folder.sweep()
    assert (folder.path / "letter.txt").read_text() == "mine"
    assert not (folder.path / ".part-clip.mp4").exists()


def test_an_input_on_another_drive_is_kept_by_its_whole_path(tmp_path, monkeypatch):
    # TRUTH  as the rules of paths of Windows have it: from C: no way leads to D:
    with pytest.raises(ValueError, match="mount"):
        ntpath.relpath(r"D:\frames", r"C:\out")

    def other_drive(path, start=None):
        raise ValueError("path is on mount 'D:', start on mount 'C:'")

    monkeypatch.setattr("os.path.relpath", other_drive)
    folder = ProductFolder(tmp_path / "out")
    folder.create(tmp_path / "frames")
    folder.keep_marks(tmp_path / "marks.toml")
    assert (folder.source, folder.kept_way("marks")) == (tmp_path / "frames", tmp_path / "marks.toml")


def test_an_unusable_folder_is_said(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="cannot be made"):
        ProductFolder(tmp_path / "out").create(tmp_path / "frames")


def _try_alone(path, answer):
    try:
        with alone(path):
            answer.put("held")
    except InputError as error:
        answer.put(str(error))


def test_the_same_recording_by_another_way_is_the_same(tmp_path, monkeypatch):
    (tmp_path / "data").mkdir()
    (tmp_path / "here").mkdir()
    (tmp_path / "frames").symlink_to(tmp_path / "data")
    folder = ProductFolder(tmp_path / "out")
    monkeypatch.chdir(tmp_path / "here")
    for way in (Path("../frames"), tmp_path / "frames", tmp_path / "data"):
        folder.create(way)
        folder["frames"].write_text("")
        folder.mark_done("lock", "a", [folder["frames"]])
    (tmp_path / "others").mkdir()
    with pytest.raises(SettingsError, match="another recording"):
        folder.create(tmp_path / "others")


def test_a_second_run_is_refused(tmp_path):
    context = multiprocessing.get_context("spawn")
    answer = context.Queue()
    with alone(tmp_path):
        process = context.Process(target=_try_alone, args=(tmp_path, answer))
        process.start()
        assert "another run" in answer.get(timeout=60)
        process.join()
    with alone(tmp_path):
        pass


def test_a_stage_is_done_only_with_its_stamp_and_files(tmp_path):
    folder = ProductFolder(tmp_path)
    folder["frames"].write_text("xy")
    folder.mark_done("lock", "a", [folder["frames"]])
    assert folder.is_done("lock", "a")
    assert not folder.is_done("lock", "b")
    assert not folder.is_done("strip", "a")
    folder["frames"].unlink()
    assert not folder.is_done("lock", "a")
    folder["frames"].write_text("x")
    assert not folder.is_done("lock", "a")  # it was cut short or grew since
    folder["frames"].write_text("xy")
    assert folder.is_done("lock", "a")
    folder.mark_undone("lock")
    assert not folder.is_done("lock", "a")
    assert folder.stamp("lock") == ""


def test_files_of_an_earlier_time_do_not_stand_beside_the_new(tmp_path):
    folder = ProductFolder(tmp_path)
    for name in ("clip.mp4", "clip.gif", "letter.txt"):
        (tmp_path / name).write_text("x")
    folder.mark_done("clip", "a", [tmp_path / "clip.mp4", tmp_path / "clip.gif"])
    folder.mark_undone("clip")
    folder.mark_done("clip", "b", [tmp_path / "clip.mp4"])
    assert sorted(p.name for p in tmp_path.iterdir() if not p.name.startswith(".")) == [
        "clip.mp4",
        "letter.txt",
    ]
    assert folder.files_of("clip") == [tmp_path / "clip.mp4"]


def test_of_other_things_one_that_is_not_hidden_is_named(tmp_path):
    for name in (".config", "letter.txt"):
        (tmp_path / name).write_text("mine")
    # a way through a folder that is not there yet leads to the same place
    for way in (tmp_path, tmp_path / "new" / ".." / ".." / tmp_path.name):
        with pytest.raises(InputError, match=r"holds 'letter\.txt'"):
            ProductFolder(way).create(tmp_path / "frames")
    assert not (tmp_path / "new").exists()


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links")
def test_a_way_back_through_a_link_leads_where_the_system_goes(tmp_path):
    for name in ("a", "b/c", "b/frames"):
        (tmp_path / name).mkdir(parents=True)
    (tmp_path / "a" / "link").symlink_to(tmp_path / "b" / "c")
    folder = ProductFolder(tmp_path / "a" / "link" / ".." / "out")
    folder.create(tmp_path / "a" / "link" / ".." / "frames")
    assert (folder.path, folder.source) == (tmp_path / "b" / "out", tmp_path / "b" / "frames")


@pytest.mark.parametrize("name", ["report.html", "letter.txt", ".config"])
def test_a_folder_of_other_things_is_refused_and_untouched(tmp_path, name):
    folder = ProductFolder(tmp_path / "out")
    folder.path.mkdir()
    (folder.path / name).write_text("mine")
    with pytest.raises(
        InputError, match=f"holds '{name}', which no run of promtrack .* empty folder with --out"
    ):
        folder.create(tmp_path / "frames")
    assert [p.name for p in folder.path.iterdir()] == [name]


def test_new_empty_and_own_folders_are_written_into(tmp_path):
    for name in (None, ".DS_Store", "promtrack.toml", ".part-clip.mp4"):
        folder = ProductFolder(tmp_path / f"with {name}")
        if name:
            folder.path.mkdir()
            (folder.path / name).write_text("x")
        for _ in range(2):
            folder.create(tmp_path / "frames")
            (folder.path / "letter.txt").write_text("put there after the first run")


def test_a_film_among_the_products_is_no_input_for_the_same_folder(tmp_path):
    folder = ProductFolder(tmp_path / "out")
    folder.create(tmp_path / "frames")
    folder["clip"].write_bytes(b"film")
    with pytest.raises(InputError, match="never changed"):
        folder.create(folder["clip"])


def test_a_damaged_state_file_means_nothing_is_done(tmp_path):
    folder = ProductFolder(tmp_path)
    for damage in (
        "{",
        "[]",
        "\x00",
        '{"lock": 1}',
        '{"lock": {"stamp": "a"}}',
        '{"lock": {"stamp": "a", "files": ["x"]}}',
        '{"lock": {"stamp": "a", "files": {"../x": 1}}}',
        "[" * 100_000,
    ):
        (tmp_path / ".stages.json").write_text(damage)
        assert not folder.is_done("lock", "a")


def test_stamps_tell_their_parts_apart():
    assert stamp_of("a", "b") != stamp_of("ab", "")
    assert stamp_of(1, 2.5) == stamp_of(1, 2.5)
