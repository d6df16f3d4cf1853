"""Fresh cases are what they say: tubes of other laws that stand on the printed sheet, and faults that show."""

import re

import numpy as np
import pytest

from analysis.tubes import load_tube
from tests.outside import foreign_tubes, fresh_cases
from tests.outside.foreign_tubes import amperes
from tests.outside.ngspice_peer import NEED_NGSPICE, NGSPICE

SEEDS = range(6)


@pytest.mark.parametrize("name", ["12AX7", "12AU7", "6SN7GT", "12AT7"])
def test_triodes_carry_the_printed_current(name):
    """First point of the sheet (source in configs/tubes)."""
    point = load_tube(name).points[0]
    plate_v, grid_v, plate_a, gm_s = foreign_tubes._sheet(point)
    for seed in SEEDS:
        law = foreign_tubes.triode(point, 1.0, np.random.default_rng(seed))("vp", "vg", "0")
        assert amperes(law, vp=plate_v, vg=grid_v) == pytest.approx(plate_a, rel=0.01)
        slope = (amperes(law, vp=plate_v, vg=grid_v + 0.01) - amperes(law, vp=plate_v, vg=grid_v - 0.01)) / 0.02
        assert slope == pytest.approx(gm_s, rel=0.15)


@pytest.mark.parametrize("name", ["EL84", "EF86", "6V6GT", "EL34"])
def test_pentodes_carry_the_printed_currents(name):
    """First point of the sheet (source in configs/tubes)."""
    point = load_tube(name).points[0]
    plate_v, grid_v, plate_a, _ = foreign_tubes._sheet(point)
    for seed in SEEDS:
        for law, printed in zip(foreign_tubes.pentode(point, 1.0, np.random.default_rng(seed)),
                                (plate_a, point.screen_a), strict=True):  # fmt: skip
            assert amperes(law("vp", "vg", "vs"), vp=plate_v, vg=grid_v, vs=point.screen_v) == pytest.approx(
                printed, rel=0.02
            )


@pytest.mark.skipif(NGSPICE is None, reason=NEED_NGSPICE)
def test_a_fault_shows_where_it_must(monkeypatch):
    """An open cathode resistor leaves the tube no way for its current: the plate stands at its supply."""
    monkeypatch.setattr(fresh_cases, "HEALTHY_SHARE", 0.0)
    monkeypatch.setattr(fresh_cases, "SCATTER_OF", 3)
    monkeypatch.setattr(fresh_cases, "draw_fault", lambda *_: ("R2", "open", "R2", 1e4))
    text = next(text for title, text in fresh_cases.drawings().items() if title.startswith("Gangway"))
    answer, readings = fresh_cases.make_case(text, np.random.default_rng(5))
    volts = {m.point: value for m, value, _ in readings if m.quantity == "dc_v"}
    assert (answer["part"], answer["accept"], answer["visible"]) == ("R2", [["R2", "high"], ["R2", "open"]], True)
    assert volts["V1.1"] == pytest.approx(volts["HT2"], rel=0.05)
    assert re.match("x1e", answer["amount"])


def test_a_node_beyond_its_rails_is_no_chassis():
    """Currents of resistances and tubes run from higher to lower potential: every node stands between the rails."""
    assert fresh_cases.within_rails([250.0, 1.5, 0.0], [260.0])
    assert fresh_cases.within_rails([-45.0, 440.0], [460.0, -48.0])
    assert not fresh_cases.within_rails([250.0, -45.0], [260.0])
    assert not fresh_cases.within_rails([1200.0, 0.0], [460.0, -48.0])
