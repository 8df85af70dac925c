"""Limits that several measurements of the motion share: significance, sizes, numbers of points, units."""

from collections.abc import Callable
from math import log, sqrt
from statistics import NormalDist

from promtrack.settings import MotionSettings

Place = Callable[[int, float, float], tuple[float, float]]  # frame, angle_deg, height_mm to sensor's x, y
COMPATIBLE = 2.0  # standard deviations within which two numbers agree: 95 % of a Gaussian
SEEN = 3.0  # standard deviations of light that is taken for more than noise at a place already looked at
CERTAIN = 5.0  # standard deviations of what is found among very many places: 3e-7 by chance
LEAST_FRAMES = 6  # in which a front or a ridge must be seen: three to compare with on either side of a middle
FINEST_MM = 1.5  # 1 sigma of the smoothing of single pictures: the finest knots, an edge in good air
KNOT_MM = MotionSettings().knot_mm[1]  # the largest usual knot
EDGE_MM = 4.0  # of light on either side of an edge that is compared; threads that fade shift it as much
SAMPLED_PX = 1.2  # 1 sigma of a Gaussian that pixels sample without loss, about three across its width
FASTEST_KM_S = 3000.0  # nothing on the Sun's limb is faster
QUARTILE = NormalDist().inv_cdf(0.75)  # of a Gaussian, in sigma: the median absolute deviation
FWHM = sqrt(8 * log(2))  # of a Gaussian, in sigma
KM_S, M_S2 = 1e3, 1e6  # Mm/s in km/s, Mm/s^2 in m/s^2
MOST_TIMES = 480  # longer recordings are averaged in time where work or memory would grow too much
BLOCKS, BLOCK_STRIPS = 12, 8  # stretches of a recording, and strips of each, from which what stands is taken
