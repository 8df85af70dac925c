"""Input that cannot be measured: every command says in one sentence what is wrong, where, and what to do."""

import os
import struct

import cv2
import numpy as np
import pytest
import tifffile
from astropy.io import fits

from tests.messy import command, contents, frames_in, refused, refused_run, some_of
from tests.sequence.test_bad_input import huge_fits, huge_png, huge_tiff


@pytest.fixture(scope="module")
def pictures(small_scene):
    return [small_scene.frame(i) for i in range(8)]


def test_missing_folder(tmp_path, capsys):
    sentence = refused_run(capsys, tmp_path / "nowhere", tmp_path / "out")
    assert sentence.startswith(f"{tmp_path / 'nowhere'}: is not there; ")
    assert not (tmp_path / "out").exists()


def test_folder_without_pictures(tmp_path, capsys):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "notes.txt").write_text("cloudy")
    assert "holds no pictures" in refused_run(capsys, tmp_path / "in", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_products_are_no_input(finished, tmp_path, capsys):
    # their clip is a film that opens
    for arguments in (["check", finished], ["run", finished, "--out", tmp_path / "new"]):
        sentence = refused(capsys, *arguments, "--quiet")
        assert sentence == f"{finished}: is a folder of products; give the frames that they were made from"
    assert not (tmp_path / "new").exists()


def damage(path, how):
    data = path.read_bytes()
    path.write_bytes({"empty": b"", "cut short": data[: len(data) // 3], "no picture": b"hello" * 100}[how])


@pytest.mark.parametrize("how", ["empty", "cut short", "no picture"])
def test_all_files_damaged(tmp_path, capsys, small_frames, how):
    folder = some_of(small_frames, tmp_path / "in", 3)
    for path in folder.iterdir():
        damage(path, how)
    sentence = refused_run(capsys, folder, tmp_path / "out")
    assert "holds no frame that can be read" in sentence
    assert {"empty": "is empty", "cut short": "is cut short", "no picture": "is neither"}[how] in sentence


def film(path, pictures):
    """A small film, and its bytes."""
    writer = cv2.VideoWriter(
        str(path), cv2.VideoWriter_fourcc(*"mp4v"), 20.0, pictures[0].shape[::-1], isColor=False
    )
    for picture in pictures:
        writer.write((picture >> 8).astype(np.uint8))
    writer.release()
    return path.read_bytes()


@pytest.mark.parametrize("keep", [0.0, 0.3, 0.9])
def test_film_cut_short(tmp_path, capsys, pictures, keep):
    data = film(tmp_path / "sun.mp4", pictures)
    (tmp_path / "sun.mp4").write_bytes(data[: int(keep * len(data))])
    sentence = refused_run(
        capsys,
        tmp_path / "sun.mp4",
        tmp_path / "out",
        "--set",
        "times.start=2026-05-17T09:30:00Z",
        "--set",
        "times.cadence_s=20",
    )
    assert "is empty" in sentence or "no moving picture" in sentence


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.tif", huge_tiff(100_000, 100_000, 1)),
        ("a.png", huge_png(100_000, 100_000)),
        ("a.fits", huge_fits(100_000, 100_000)),
    ],
)
def test_picture_that_claims_an_enormous_size(tmp_path, capsys, name, data):
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / name).write_bytes(data)
    assert "more than the limit of 120 million" in refused_run(capsys, tmp_path / "in", tmp_path / "out")


@pytest.mark.parametrize(
    ("card", "words"),
    [
        ("NAXIS1  = -5", "impossible axes"),
        ("NAXIS1  = 99999999999999999999", "impossible axes"),
        ("BITPIX  = 17", "BITPIX = 17"),
        ("NAXIS   = 1000", "NAXIS = 1000"),
    ],
)
def test_hostile_fits_header(tmp_path, capsys, card, words):
    fits.PrimaryHDU(np.zeros((8, 8), np.int16)).writeto(tmp_path / "a.fits")
    raw = (tmp_path / "a.fits").read_bytes()
    at = raw.index(card[:8].encode())
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.fits").write_bytes(raw[:at] + card.encode().ljust(80) + raw[at + 80 :])
    assert f"a.fits has a FITS header with {words}" in refused_run(capsys, tmp_path / "in", tmp_path / "out")


def test_no_size_in_the_majority(tmp_path, capsys, pictures):
    folder = frames_in(tmp_path / "in", [p if i % 2 else p[:200] for i, p in enumerate(pictures)])
    assert "no kind is in the majority" in refused_run(capsys, folder, tmp_path / "out")


def blank(pictures, kind):
    noise = np.random.default_rng(3).integers(1000, 1200, pictures[0].shape).astype(np.uint16)
    # the middle of the disc fills the frame: bright all over, a slope, no edge
    y, x = np.mgrid[: pictures[0].shape[0], : pictures[0].shape[1]]
    disc = 40000 + 20 * x + 10 * y
    return {
        "black": [np.zeros_like(p) for p in pictures],
        "white": [np.full_like(p, 65535) for p in pictures],
        "constant": [np.full_like(p, 20000) for p in pictures],
        "noise": [np.roll(noise, i) for i in range(8)],
        "disc": [(disc + np.roll(noise, i)).astype(np.uint16) for i in range(8)],
        "nan": [np.full(p.shape, np.nan, np.float32) for p in pictures],
    }[kind]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("black", "all black"),
        ("white", "constant, 65535"),
        ("constant", "constant, 20000"),
        ("noise", "only even light"),
        ("disc", "the disc seems to fill the frame"),
        ("nan", "all black"),
    ],
)
def test_frames_without_a_limb(tmp_path, capsys, pictures, kind, words):
    folder = frames_in(tmp_path / "in", blank(pictures, kind))
    sentence = refused_run(capsys, folder, tmp_path / "out")
    assert sentence.startswith("2026-05-17T09-30-00Z.tif: no limb: ")
    assert words in sentence
    said = refused(capsys, "check", folder)
    assert "No limb was found in any" in said
    assert words in said


def test_too_many_frames_without_a_limb(tmp_path, capsys, pictures):
    folder = frames_in(tmp_path / "in", [p if i == 3 else np.zeros_like(p) for i, p in enumerate(pictures)])
    sentence = refused_run(capsys, folder, tmp_path / "out", "--set", "limb.most_rejected=0.5")
    assert "7 of 8 frames cannot be trusted" in sentence
    assert "all black" in sentence


def test_less_limb_than_asked_for(tmp_path, capsys, pictures):
    folder = frames_in(tmp_path / "in", pictures)
    assert "120" in refused_run(capsys, folder, tmp_path / "out", "--set", "limb.least_arc_deg=120")


def test_the_same_picture_again_and_again_is_said(tmp_path, capsys, pictures):
    assert (
        "one and the same picture"
        in command(capsys, "check", frames_in(tmp_path / "in", pictures[:1] * 4))[1]
    )


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links")
def test_symbolic_links_that_lead_to_themselves(tmp_path, capsys, small_frames):
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    assert "cannot be read" in refused_run(capsys, tmp_path / "loop", tmp_path / "out")
    folder = some_of(small_frames, tmp_path / "in", 4)
    (folder / "again").symlink_to(folder, target_is_directory=True)
    (folder / "loop.tif").symlink_to(folder / "loop.tif")
    status, out, _ = command(capsys, "check", folder)
    assert status == 0
    assert "4 frames of" in out
    assert "left out: loop.tif: is not a file that can be read" in out


def test_check_lists_what_is_left_out_and_changes_nothing(tmp_path, capsys, small_frames):
    folder = some_of(small_frames, tmp_path / "in", 6)
    files = sorted(folder.iterdir())
    damage(files[1], "empty")
    damage(files[2], "cut short")
    tifffile.imwrite(
        folder / "2026-05-17T10-00-00Z.tif", np.zeros((20, 30), np.uint8), photometric="minisblack"
    )
    before = contents(folder)
    status, out, _ = command(capsys, "check", folder)
    assert status == 0
    assert "4 frames of 400x300 px" in out
    for words in (
        f"left out: {files[1].name}: is empty",
        f"left out: {files[2].name}: is cut short",
        "is 30 x 20 8-bit",
    ):
        assert words in out
    assert contents(folder) == before
    assert [p.name for p in tmp_path.iterdir()] == ["in"]


def test_a_truncated_claim_inside_a_capture_video(tmp_path, capsys):
    head = b"PLAIN-CAPTURE1" + struct.pack("<7i", 0, 0, 0, 100_000, 100_000, 16, 5) + b" " * 120 + b"\0" * 16
    (tmp_path / "sun.ser").write_bytes(head)
    assert "claims 100000 x 100000 pixels, more than the limit" in refused_run(
        capsys, tmp_path / "sun.ser", tmp_path / "out"
    )
