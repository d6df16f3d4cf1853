"""The table behind the demonstration: what it answers, and that nobody changed it by hand."""

import math

import numpy as np
import pytest

from analysis.app.demo.plant import TablePlant, load_table
from tests.outside import make_demo_tables
from tests.outside import ngspice_peer as peer

TABLE = load_table()


@pytest.fixture(params=sorted(TABLE["states"]))
def plant(request):
    return TablePlant(TABLE, request.param)


def test_loaded_volts(plant):
    entries = plant._entries
    for point in plant.points:
        assert plant.dc_v(point) == entries[point]["dc_v"]
        assert plant.dc_v(point, 10e6) == pytest.approx(entries[point]["dc_loaded_v"], rel=1e-9, abs=1e-12)
        # Ohm's law: half the load resistance takes at least as much off, and never twice as much.
        drop, more = (abs(plant.dc_v(point) - plant.dc_v(point, load)) for load in (10e6, 5e6))
        assert drop <= more <= 2 * drop + 1e-12


def test_response_with_probes(plant):
    points = ["V1.2", "V1.1"]
    free = plant.response(points, 1000.0, [0j, 0j])
    loaded = plant.response(points, 1000.0, [1e-7, 1e-7])
    assert abs(loaded[1]) < abs(free[1])
    # One probe alone is the divider of its own resistance and the impedance of the point.
    row = TABLE["states"]["mended"]["signal_points"].index("V1.1")
    own = complex(plant._impedance(math.log(1000.0))[row, row])
    alone = plant.response(["V1.1"], 1000.0, [1e-6])[0]
    assert alone == pytest.approx(free[1] / (1 + own * 1e-6), rel=1e-9)


def test_between_the_frequencies_of_the_table():
    # Every second frequency left out and interpolated: the rest is four times sharper with a cubic.
    thinned = {**TABLE, "frequencies_hz": TABLE["frequencies_hz"][::2], "states": {}}
    count = len(TABLE["frequencies_hz"])
    state = TABLE["states"]["mended"]
    gain = np.array(state["gain"]).reshape(-1, count, 2)[:, ::2]
    impedance = np.array(state["impedance_ohm"]).reshape(-1, count, 2)[:, ::2]
    thinned["states"]["mended"] = {
        **state,
        "gain": gain.ravel().tolist(),
        "impedance_ohm": impedance.ravel().tolist(),
    }
    coarse, fine = TablePlant(thinned, "mended"), TablePlant(TABLE, "mended")
    for freq_hz in (316.2278, 1467.7993, 3162.2777):
        a, b = (plant.response(["V1.2", "V1.1"], freq_hz, [0j, 0j]) for plant in (coarse, fine))
        assert a[1] / a[0] == pytest.approx(b[1] / b[0], rel=2e-3)


def test_rails_carry_no_signal_and_all_points_ripple(plant):
    assert plant.response(["HT1"], 1000.0, [0j])[0] == 0
    assert plant.ripple("HT1")[0].peak_v == pytest.approx(2.9)
    assert 0 < plant.ripple("V1.1")[0].peak_v < 0.1


@pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)
def test_the_committed_table_is_what_ngspice_says():
    circuit = make_demo_tables.quayside_five()
    for state, extra in circuit.states.items():
        nodes = list(circuit.points.values())
        found = make_demo_tables.operating_point([*circuit.lines, *extra], nodes)
        plant = TablePlant(TABLE, state)
        for point, node in circuit.points.items():
            assert plant.dc_v(point) == pytest.approx(found[node], rel=1e-5, abs=1e-6)
