"""Small batches by dense matrices: the same rest as by sparse elimination, whatever they start from."""

import numpy as np
import pytest

from acquisition.configs import config_names
from analysis.chassis import ChassisModel, load_chassis, predicting
from analysis.circuit import supplied
from analysis.circuit.supplied import solve_supplied

SAMPLES = 24


def broken(model, rng):
    """Healthy samples, every third with one part a thousand times off."""
    values = model.draw(SAMPLES, rng)
    parts = [key for key, p in model.parameters.items() if p.kind in ("resistor", "capacitor") and p.nominal]
    for sample, key in enumerate(rng.choice(parts, SAMPLES // 3)):
        values.setdefault(key, np.full(SAMPLES, model.parameters[key].nominal))
        values[key][3 * sample] *= 10.0 ** rng.uniform(-3.0, 3.0)
    return model.table(values)


@pytest.mark.parametrize("name", config_names("chassis"))
def test_few_samples_rest_where_many_would(name, monkeypatch):
    model = ChassisModel(load_chassis(name))
    table = broken(model, np.random.default_rng(4))
    few = model.supplied(table)
    nodes = list(range(len(model.circuit.nodes)))
    shown = predicting.read_dc(model.circuit, few.table, few.rest, nodes, model.meter)
    monkeypatch.setattr(supplied, "FEW", 0)
    monkeypatch.setattr(predicting, "FEW", 0)
    many = model.supplied(table)
    for node, volts in many.rest.volts.items():
        assert few.rest.volts[node] == pytest.approx(volts, abs=2e-3, rel=2e-5)
    for one, other in zip(few.charging, many.charging, strict=True):
        assert one.mean_v == pytest.approx(other.mean_v, abs=5e-3)
    sparse = predicting.read_dc(model.circuit, many.table, many.rest, nodes, model.meter)
    assert shown == pytest.approx(sparse, abs=4e-3, rel=2e-5)


def test_a_start_of_its_own_changes_the_work_and_not_the_result():
    model = ChassisModel(load_chassis("harbour-twenty"))
    table = broken(model, np.random.default_rng(5))
    cold = model.supplied(table)
    order = np.random.default_rng(6).permutation(SAMPLES)
    warm = model.supplied(table, cold.start())
    wrong = model.supplied(table, cold.start().picked(order))
    for node, volts in cold.rest.volts.items():
        assert warm.rest.volts[node] == pytest.approx(volts, abs=2e-3)
        assert wrong.rest.volts[node] == pytest.approx(volts, abs=2e-3)


@pytest.mark.parametrize("patience", [(4,), (4, 5), (4, 48)])  # enough for some samples, too few for others
def test_what_newton_does_not_solve_from_near_is_solved_all_the_same(monkeypatch, patience):
    model = ChassisModel(load_chassis("lantern-twelve"))
    table = broken(model, np.random.default_rng(7))
    whole = model.supplied(table)
    monkeypatch.setattr(supplied, "PATIENCE", patience)
    home = model.supplied({}).start()
    _, solved = supplied._solve_few(model.circuit, table, model.rectifiers, home, SAMPLES, patience[0])
    mended = solve_supplied(model.circuit, table, model.rectifiers, home)
    assert not solved.all()
    assert (mended.rest.culprit < 0).all()
    for node, volts in whole.rest.volts.items():
        assert mended.rest.volts[node] == pytest.approx(volts, abs=2e-3)
