"""How far published laws differ at foot and knee of a triode's curves, and the spread a diagnosis allows for that.

Sources: the three-halves law (I. Langmuir, Phys. Rev. 2 (1913) 450; from memory); N. Koren, Glass Audio 8(5), 1996;
K. Dempwolf and U. Zoelzer, DAFx-11, 2011. Each is tied to plate current and transconductance of the printed sheet's
first point (source in configs/tubes), and compared with the product's law at equal plate volts and current.
"""

import math
from functools import cache

import numpy as np
import pytest

from analysis.inference.unknowns import FOOT_SIGMA, KNEE_SIGMA, SLOPE_SIGMA, TRIODE_STRENGTH_SIGMA
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


@pytest.mark.parametrize("grid_v", [0.0, 1.0, 3.0])
@pytest.mark.parametrize("share", [0.2, 0.1, 0.05, 0.02])
def test_the_spread_of_currents_at_the_knee_is_that_between_published_laws(share, grid_v):
    apart = []
    for name in TYPES:
        tube = load_tube(name)
        plate_v = share * tube.points[0].plate_v
        own = float(triode_currents(tube.sections[0].model, plate_v, np.array([grid_v]))[0][0])
        for seed in SEEDS:
            text = foreign_tubes.triode(tube.points[0], 1.0, np.random.default_rng(seed))("vp", "vg", "0")
            apart.append(math.log(foreign_tubes.amperes(text, vp=plate_v, vg=grid_v) / own))
    rms = float(np.sqrt(np.mean(np.square(apart))))
    allowed = TRIODE_STRENGTH_SIGMA + KNEE_SIGMA * (1.0 / share - 1.0)
    print(f"{share:.0%} of the usual plate volts, grid {grid_v:g} V: rms {rms:.2f}, allowed {allowed:.2f}")
    assert 0.4 < rms / allowed < 1.3
