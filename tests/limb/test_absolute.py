"""The centre common to all frames: its error, and a header's say."""

from dataclasses import replace

import numpy as np
import pytest

from promtrack.limb.absolute import angle_note, common_centre, join_header
from promtrack.limb.geometry import Place
from promtrack.limb.radius import Edges, RadiusFit, centre_only, collect_edges
from promtrack.limb.solve import Centres
from promtrack.limb.track import FrameMeasure

FRAMES = 5
PLACE = Place(-200.0, 900.0, 1000.0)


def edges_of(relief: np.ndarray, theta_deg: np.ndarray) -> Edges:
    """The same limb in every frame: what stands still on it is not averaged away."""
    phi = np.radians(theta_deg)
    n = np.broadcast_to(np.column_stack([-np.sin(phi), -np.cos(phi)]), (FRAMES, len(phi), 2))
    return Edges(np.tile(relief, (FRAMES, 1)), np.ones((FRAMES, len(phi))), n, np.arange(len(phi)))


def radius_fit(err: float) -> RadiusFit:
    return RadiusFit(0.0, err, np.zeros(FRAMES), np.ones(FRAMES), 1.0)


def centres() -> Centres:
    none = np.zeros(FRAMES)
    return Centres(np.zeros((FRAMES, 2)), none, none, none, none, none, none)


def test_error_of_the_common_centre_is_true():
    # TRUTH  200 limbs of 40 deg with relief of 0.5 px that is independent from bin to bin: pulls along the
    # limb have unit variance. A jackknife of 12 blocks makes them a little wider; band 4 / sqrt(400) and 0.1
    # for that.
    rng, theta = np.random.default_rng(3), np.linspace(-20.0, 20.0, 60)
    pulls = []
    for _ in range(200):
        edges = edges_of(rng.normal(0, 0.5, 60), theta)
        shift = centre_only(edges, edges.weight, edges.offset_px)[0]
        error = common_centre(edges, radius_fit(1.0))
        pulls.append(shift[0] / np.sqrt(error.cov_px2[0, 0]))  # the limb faces up: x runs along it
    assert np.std(pulls) == pytest.approx(1.05, abs=0.3)


def test_a_larger_radius_moves_the_centre_of_an_arc_back():
    # TRUTH  the limb seen stays where it is: for a narrow arc the centre goes one px for one.
    error = common_centre(edges_of(np.zeros(30), np.linspace(-6.0, 6.0, 30)), radius_fit(1.0))
    assert error.per_radius == pytest.approx((0.0, 1.0), abs=0.01)


def test_header_takes_over_where_it_knows_better():
    # TRUTH  relief sigma 1 px on 16 deg: the limb fixes the centre along itself to several px, a header at 2
    # arcsec/px to 0.5 px.
    edges = edges_of(np.random.default_rng(1).normal(0, 1.0, 40), np.linspace(-8.0, 8.0, 40))
    radius = radius_fit(0.5)
    error = common_centre(edges, radius)
    along_err = np.sqrt(error.cov_px2[0, 0])
    found = replace(PLACE, x_px=PLACE.x_px + 1.5 * along_err)
    moved, fit, said = join_header(centres(), radius, error, found, PLACE, 0.5)
    assert said == []
    assert moved.shift_px[:, 0] == pytest.approx(-1.5 * along_err / (1 + 0.25 / along_err**2), rel=0.05)
    assert fit.err_px < radius.err_px


def test_header_that_contradicts_the_limb_is_told_and_left_aside():
    error = common_centre(
        edges_of(np.random.default_rng(1).normal(0, 0.3, 40), np.linspace(-20.0, 20.0, 40)), radius_fit(0.5)
    )
    moved, fit, said = join_header(
        centres(), radius_fit(0.5), error, replace(PLACE, y_px=PLACE.y_px + 12.0), PLACE, 0.5
    )
    assert "12.0 px from where the limb puts it" in said[0]
    assert (moved.shift_px == 0).all()
    assert fit.err_px == 0.5


def test_a_smooth_long_limb_leaves_no_angle_open_and_a_rough_short_one_does():
    smooth = common_centre(
        edges_of(np.random.default_rng(2).normal(0, 0.05, 60), np.linspace(-40.0, 40.0, 60)), radius_fit(0.5)
    )
    rough = common_centre(
        edges_of(np.random.default_rng(2).normal(0, 3.0, 30), np.linspace(-8.0, 8.0, 30)), radius_fit(0.5)
    )
    assert angle_note(smooth, 1000.0) == []
    assert "deg only" in angle_note(rough, 1000.0)[0]


def test_limb_that_jumps_from_frame_to_frame_counts_less():
    # TRUTH  bins 20 to 29 of 60 jump by 2 px, the others by 0.2 px.
    rng = np.random.default_rng(4)
    jumps = np.where((np.arange(60) >= 20) & (np.arange(60) < 30), 2.0, 0.2)
    measures = [measure_of(rng.normal(0, jumps)) for _ in range(20)]
    weight = collect_edges(measures, 1.0).weight[0]
    assert weight[20:30].max() < 0.2
    assert np.median(np.delete(weight, np.arange(20, 30))) == 1.0


def measure_of(offset: np.ndarray) -> FrameMeasure:
    return FrameMeasure(PLACE, np.arange(len(offset)), offset, None, 1.0, None)
