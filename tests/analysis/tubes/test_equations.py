"""Currents and slopes: against finite differences, over wild voltages, over arrays."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.tubes import load_tube, tube_names
from analysis.tubes.equations import (
    KNEE_V,
    PentodeParameters,
    RectifierParameters,
    TriodeParameters,
    pentode_currents,
    rectifier_current,
    triode_currents,
)
from analysis.tubes.grid_current import grid_current_of

MODELS = {
    name + section.name.replace("a", ""): section.model  # the first of a tube by the type alone
    for name in tube_names()
    for section in load_tube(name).unlike_sections
}
TRIODES = sorted(name for name, model in MODELS.items() if isinstance(model, TriodeParameters))
PENTODES = sorted(name for name, model in MODELS.items() if isinstance(model, PentodeParameters))
RECTIFIERS = sorted(name for name, model in MODELS.items() if isinstance(model, RectifierParameters))
WILD = st.one_of(st.floats(-500.0, 500.0), st.floats(-1e6, 1e6))


def close(slope, finite, scale):
    # Central differences are good to about 1e-6 of the largest slope nearby.
    return np.allclose(slope, finite, rtol=2e-5, atol=2e-6 * scale)


@pytest.mark.parametrize("name", TRIODES)
def test_triode_slopes_are_the_derivatives(name):
    params, h = MODELS[name], 1e-4
    va, vg = np.meshgrid(np.linspace(0.5, 500.0, 40), np.linspace(-30.0, 4.0, 35))
    now = triode_currents(params, va, vg)
    by_va = (triode_currents(params, va + h, vg).ia - triode_currents(params, va - h, vg).ia) / (2 * h)
    up, down = triode_currents(params, va, vg + h), triode_currents(params, va, vg - h)
    assert close(now.d_ia_dva, by_va, by_va.max())
    assert close(now.d_ia_dvg, (up.ia - down.ia) / (2 * h), now.d_ia_dvg.max())
    assert close(now.d_ig_dvg, (up.ig - down.ig) / (2 * h), now.d_ig_dvg.max())


@pytest.mark.parametrize("name", PENTODES)
def test_pentode_slopes_are_the_derivatives(name):
    params, h = MODELS[name], 1e-4
    # Around the rounded knee too; the grid of points avoids its two ends, where the slope has a corner.
    va, vg2, vg1 = np.meshgrid(
        [-3.0, 0.3, 0.7, 1.7, 20.0, 250.0], [0.5, 40.0, 250.0, 450.0], [-40.0, -8.0, -1.0, 3.0]
    )
    now = pentode_currents(params, va, vg2, vg1)
    for position, suffix in enumerate(("va", "vg2", "vg1")):
        step = [h if place == position else 0.0 for place in range(3)]
        up = pentode_currents(params, va + step[0], vg2 + step[1], vg1 + step[2])
        down = pentode_currents(params, va - step[0], vg2 - step[1], vg1 - step[2])
        for current in ("ia", "ig2"):
            slope = getattr(now, f"d_{current}_d{suffix}")
            finite = (getattr(up, current) - getattr(down, current)) / (2 * h)
            assert close(slope, finite, np.abs(finite).max()), (current, suffix)
    grid = (pentode_currents(params, va, vg2, vg1 + h).ig1 - pentode_currents(params, va, vg2, vg1 - h).ig1) / (
        2 * h
    )
    assert close(now.d_ig1_dvg1, grid, grid.max())


@given(va=WILD, vg=WILD, name=st.sampled_from(TRIODES))
@settings(max_examples=150, deadline=None)
def test_triode_is_finite_and_rises_with_both_voltages(va, vg, name):
    now = triode_currents(MODELS[name], va, vg)
    assert np.isfinite(now).all()
    assert min(now) >= 0.0
    more_va = triode_currents(MODELS[name], va + 0.1, vg)
    more_vg = triode_currents(MODELS[name], va, vg + 0.1)
    assert more_va.ia >= now.ia
    assert more_vg.ia >= now.ia
    assert more_vg.ig >= now.ig
    if va <= 0.0:
        assert now.ia == 0.0


@given(va=WILD, vg2=WILD, vg1=WILD, name=st.sampled_from(PENTODES))
@settings(max_examples=150, deadline=None)
def test_pentode_is_finite_and_rises_with_every_voltage(va, vg2, vg1, name):
    params = MODELS[name]
    now = pentode_currents(params, va, vg2, vg1)
    assert np.isfinite(now).all()
    assert min(now.ia, now.ig2, now.ig1, now.d_ia_dva, now.d_ia_dvg1, now.d_ia_dvg2, now.d_ig2_dvg2) >= 0.0
    assert now.d_ig2_dva <= 0.0  # a falling plate pushes current to the screen
    assert pentode_currents(params, va + 0.1, vg2, vg1).ia >= now.ia
    assert pentode_currents(params, va, vg2 + 0.1, vg1).ia >= now.ia
    assert pentode_currents(params, va, vg2, vg1 + 0.1).ia >= now.ia
    if va <= 0.0:
        assert now.ia == 0.0


@pytest.mark.parametrize("name", PENTODES)
def test_knee_leaves_no_jump(name):
    edge = 1e-9
    for at in (0.0, KNEE_V):
        low = pentode_currents(MODELS[name], at - edge, 250.0, -2.0)
        high = pentode_currents(MODELS[name], at + edge, 250.0, -2.0)
        assert high.ia == pytest.approx(low.ia, abs=1e-8)
        assert high.d_ia_dva == pytest.approx(low.d_ia_dva, rel=1e-6, abs=1e-8)


def test_pentode_law_is_the_published_one_written_shorter():
    # D. Reefman, "Spice models for vacuum tubes", 2016, in the form it is printed, at EL84 constants.
    p = MODELS["EL84"]
    va, vg2, vg1 = np.meshgrid([5.0, 60.0, 300.0], [100.0, 250.0], [-12.0, -7.0, -1.0])
    z = p.kp * (1 / p.mu + (vg1 + p.vct) / np.sqrt(p.kvb + vg2**2))
    i0 = (vg2 / p.kp * np.log(1 + np.exp(z))) ** p.ex
    a = 1 - p.kg1 / p.kg2 * (1 + p.alpha_s)
    s = 1 / (1 + p.beta * va)
    plate = i0 * (1 / p.kg1 - 1 / p.kg2 + p.a * va / p.kg1 - (a / p.kg1 + p.alpha_s / p.kg2) * s)
    screen = i0 / p.kg2 * (1 + p.alpha_s * s)
    now = pentode_currents(p, va, vg2, vg1)
    assert np.allclose(now.ia, plate, rtol=1e-12)
    assert np.allclose(now.ig2, screen, rtol=1e-12)


def test_specimens_vary_as_arrays():
    strength = np.array([0.0, 0.5, 1.0])[:, None]
    specimens = MODELS["12AX7"].varied(strength=strength, mu_factor=np.array([0.9, 1.0, 1.1]))
    now = triode_currents(specimens, 250.0, -2.0)
    assert now.ia.shape == now.ig.shape == (3, 3)
    assert now.ia[0].max() == 0.0
    assert now.ia[1] == pytest.approx(now.ia[2] / 2)
    assert now.ia[2, 1] == triode_currents(MODELS["12AX7"], 250.0, -2.0).ia
    assert (np.diff(now.ia[2]) < 0).all()  # more mu, less current at the same bias
    assert specimens.varied(strength=2.0).strength[2, 0] == 2.0
    beam = MODELS["6L6GC"].varied(strength=np.array([0.5, 1.0]))
    both = pentode_currents(beam, 250.0, 250.0, -14.0)
    assert both.ia[0] / both.ia[1] == pytest.approx(0.5)
    assert both.ig2[0] / both.ig2[1] == pytest.approx(0.5)


def test_a_batch_equals_its_samples():
    va, vg = np.linspace(-10.0, 300.0, 50), np.linspace(-6.0, 2.0, 50)
    batch = triode_currents(MODELS["12AU7"], va, vg)
    for index in range(50):
        one = triode_currents(MODELS["12AU7"], float(va[index]), float(vg[index]))
        assert np.allclose(one, [row[index] for row in batch], rtol=1e-12, atol=1e-27)


def test_grid_current_is_off_for_negative_grids_and_left_out_without_constants():
    assert triode_currents(MODELS["12AX7"], 200.0, -10.0).ig == 0.0
    bare = TriodeParameters(mu=20.0, ex=1.4, kg1=1500.0, kp=120.0, kvb=300.0, vct=0.4)
    assert triode_currents(bare, 200.0, np.array([0.0, 3.0])).ig.tolist() == [0.0, 0.0]
    whole = triode_currents(MODELS["12AX7"], 200.0, np.array([-10.0, 1.0])).ig
    assert whole[0] == pytest.approx(0.0, abs=1e-28)
    assert whole[1] > 1e-4


def test_grid_current_grows_with_the_cathode():
    small, large = grid_current_of(1e-3), grid_current_of(4e-3)
    assert large.perveance == pytest.approx(4.0 * small.perveance)
    assert large.exponent == small.exponent


@pytest.mark.parametrize("name", RECTIFIERS)
def test_rectifier_conducts_one_way(name):
    volts = np.array([-500.0, 0.0, 10.0, 20.0])
    current, slope = rectifier_current(MODELS[name], volts)
    assert current[:2].tolist() == [0.0, 0.0]
    assert current[3] / current[2] == pytest.approx(2.0**1.5)
    assert slope[3] == pytest.approx(1.5 * current[3] / 20.0)


def test_unknown_law_is_refused():
    constants = dict.fromkeys(("mu", "ex", "kg1", "kg2", "kp", "kvb", "vct", "alpha_s", "a", "beta"), 2.0)
    with pytest.raises(ValueError, match="neither RR nor RX"):
        PentodeParameters(law="P", **constants)
