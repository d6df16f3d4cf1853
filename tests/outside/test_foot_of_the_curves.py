"""How far published laws differ at the foot of a triode's curves, and the spread that a diagnosis allows for that.

Sources: the three-halves law (I. Langmuir, Phys. Rev. 2 (1913) 450; from memory); N. Koren, Glass Audio 8(5), 1996;
K. Dempwolf and U. Zoelzer, DAFx-11, 2011. Each is tied to plate current and transconductance of the printed sheet's
first point (source in configs/tubes), and compared with the product's law at equal plate volts and current.
"""

import math
from functools import cache

import numpy as np
import pytest

from analysis.inference.unknowns import FOOT_SIGMA, SLOPE_SIGMA
from analysis.tubes import load_tube
from analysis.tubes.equations import triode_currents
from tests.outside import foreign_tubes

TYPES = ("12AX7", "12AU7", "6SN7GT", "12AT7", "6C4")
SEEDS = range(8)


@cache
def laws(name, seed):
    """Plate current and transconductance of the product's law, and of a published one, toward cut-off."""
    tube = load_tube(name)
    plate_v, grid_v, _, _ = foreign_tubes._sheet(tube.points[0])
    grids_v = np.linspace(grid_v - 3.0 * plate_v / tube.points[0].mu, grid_v, 600)
    own = np.asarray(triode_currents(tube.sections[0].model, plate_v, grids_v)[0])
    text = foreign_tubes.triode(tube.points[0], 1.0, np.random.default_rng(seed))("vp", "vg", "0")
    other = np.array([foreign_tubes.amperes(text, vp=plate_v, vg=grid) for grid in grids_v])
    flows = other > 0
    return own, np.gradient(own, grids_v), other[flows], np.gradient(other, grids_v)[flows]


def gm_ratio_log(name, seed, lost):
    """Logarithm of a published law's transconductance against the product's, at a current lower by e**lost."""
    own, own_gm, other, other_gm = laws(name, seed)
    at = own[-1] * math.exp(-lost)
    return math.log(np.interp(at, other, other_gm) / np.interp(at, own, own_gm))


@pytest.mark.parametrize("lost", [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5])
def test_the_spread_of_small_signal_slopes_is_that_between_published_laws(lost):
    apart = [gm_ratio_log(name, seed, lost) for name in TYPES for seed in SEEDS]
    rms = float(np.sqrt(np.mean(np.square(apart))))
    print(f"current lower by e^{lost}: rms {rms:.2f}, allowed {SLOPE_SIGMA + FOOT_SIGMA * lost:.2f}")
    assert 0.4 < rms / (SLOPE_SIGMA + FOOT_SIGMA * lost) < 1.3
