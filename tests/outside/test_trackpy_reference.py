"""trackpy and scikit-image on the same strips: independent programs, the same knots, the same speeds."""

import warnings

import numpy as np
import pytest

from promtrack.motion.knots import find_knots, sky_plane
from promtrack.motion.measure import measure_motion
from promtrack.motion.tracks import middle_angle
from tests.motion.made_strips import Recipe, made_strip, row_column

feature = pytest.importorskip("skimage.feature")

SCENE = Recipe(
    frames=80,
    rows=130,
    columns=320,
    knots=5,
    knot_frames=(20, 40),
    knot_snr=(20.0, 30.0),
    knot_fwhm_mm=(2.5, 4.0),
    knot_km_s=(20.0, 90.0),
    threads=4,
    boil=0.0,
    gaps=0,
    jitter_s=0.0,
    cloud=0.0,
    gravity=False,
)
ABOVE_ROW = 20  # both references would follow the limb


@pytest.fixture(scope="module")
def scene(tmp_path_factory):
    strip, knots = made_strip(SCENE, tmp_path_factory.mktemp("reference"), 8)
    cube = strip.read()
    moving = cube - np.median(cube, axis=0)
    moving[:, :ABOVE_ROW] = 0
    return strip, knots, moving


@pytest.fixture(scope="module")
def reference(scene):
    """Tracks by trackpy: columns x, y, frame, particle."""
    trackpy = pytest.importorskip("trackpy")  # imported late: it takes a second
    _, _, moving = scene
    trackpy.quiet()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reference library's own deprecations
        pictures = [np.clip(picture, 0, None) for picture in moving]
        found = trackpy.batch(pictures, diameter=11, minmass=600, processes=1, preprocess=False)
        return trackpy.link(found, search_range=4, memory=3)


def near(knot, strip, row, column, index):
    true_row, true_column = row_column(strip.geometry, knot.x_mm[index], knot.y_mm[index])
    return np.hypot(row - true_row, column - true_column) < 3


def reference_track(reference, strip, knot):
    """The longest trackpy track that lies on a knot."""
    best = None
    for _, track in reference.groupby("particle"):
        index = track["frame"].to_numpy()
        on = near(knot, strip, track["y"].to_numpy(), track["x"].to_numpy(), index) & knot.seen[index]
        if on.mean() > 0.8 and (best is None or len(track) > len(best)):
            best = track
    return best


def test_speeds_agree_with_trackpy(scene, reference):
    # TWIN  trackpy (Crocker & Grier 1996 centroids and linking) on strips minus their median in time,
    # straight lines through its tracks. Knots on straight paths at constant speed. Its centroids have no
    # error bars; with 0.2 px a point (half of which is ours) a track of n points over the time T has sqrt(12
    # / n) 0.2 px / T.
    strip, knots, _ = scene
    motion = measure_motion(strip)
    compared = 0
    for knot in knots:
        twin = reference_track(reference, strip, knot)
        ours = next(
            (
                track
                for track in motion.knots
                if np.mean(
                    near(
                        knot,
                        strip,
                        strip.geometry.row(track.height_mm),
                        strip.geometry.column(track.angle_deg),
                        track.frame,
                    )
                )
                > 0.8
            ),
            None,
        )
        if twin is None or ours is None or len(twin) < 12:
            continue
        x, y = sky_plane(strip.geometry, twin["y"].to_numpy(), twin["x"].to_numpy(), middle_angle(strip))
        time = strip.time_s[twin["frame"].to_numpy()]
        if np.ptp(time) < 0.7 * np.ptp(ours.time_s):
            continue
        speed = 1e3 * np.hypot(np.polyfit(time, x, 1)[0], np.polyfit(time, y, 1)[0])
        error = 1e3 * np.sqrt(12 / len(time)) * 0.2 * SCENE.mm_per_row / np.ptp(time)
        curved = 0.02 * knot.speed_km_s  # a path on an arch has another mean speed than its middle
        assert ours.fit.speed_km_s == pytest.approx(
            speed, abs=3 * np.hypot(error, ours.fit.speed_err_km_s) + curved
        )
        compared += 1
    assert compared >= 3


def test_places_agree_with_trackpy(scene, reference):
    # TWIN  centroid of light against maximum of a difference of Gaussians, on a round knot: the same place.
    # trackpy's mask of 11 px is wider than needed, so its scatter is the larger; goal: medians within
    # 0.35 px.
    strip, knots, _ = scene
    points = find_knots(strip)
    apart = []
    for knot in knots:
        twin = reference_track(reference, strip, knot)
        if twin is None:
            continue
        for _, place in twin.iterrows():
            here = np.flatnonzero(points.index == int(place["frame"]))
            if len(here):
                off = np.hypot(points.row[here] - place["y"], points.column[here] - place["x"])
                if off.min() < 3:
                    apart.append(off.min())
    assert len(apart) > 60
    assert np.median(apart) < 0.35


def test_scikit_image_finds_the_same_blobs(scene):
    # TWIN  skimage.feature.blob_log on one strip minus the median in time: every knot of S/N 15 or more is in
    # both, to one pixel (blob_log gives whole pixels).
    strip, knots, moving = scene
    points = find_knots(strip)
    checked = 0
    for i in range(5, len(strip), 12):
        blobs = feature.blob_log(moving[i], min_sigma=1.5, max_sigma=5, num_sigma=6, threshold=3.0)
        for knot in knots:
            if knot.snr[i] < 15:
                continue
            row, column = row_column(strip.geometry, knot.x_mm[i], knot.y_mm[i])
            theirs = np.hypot(blobs[:, 0] - row, blobs[:, 1] - column)
            here = points.index == i
            ours = np.hypot(points.row[here] - row, points.column[here] - column)
            assert theirs.min() < 1.5
            assert ours.min() < 1.0
            checked += 1
    assert checked >= 5
