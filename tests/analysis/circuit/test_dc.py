"""Operating points: balance of currents over wild states, named failure, loads, start from a neighbour."""

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.errors import NoOperatingPoint
from analysis.chassis import ChassisModel, load_chassis
from analysis.circuit import dc
from analysis.circuit.dc import solve_dc
from analysis.circuit.elements import GROUND, LEAKAGE_S

STATES = 10_000


def wild_states(model, count, rng):
    """Values a hundred times off either way, opens, shorts, dead tubes, gas and leaks: physical, but broken."""
    values = {}
    for key, parameter in model.parameters.items():
        pick = rng.random(count)
        if key.endswith((".leak", ".heater_leak")) or ".leak_" in key:
            some = np.where(pick < 0.1, 10.0 ** rng.uniform(-10.0, -3.0, count), 0.0)
            values[key] = np.where(pick < 0.03, 1e3, some)
        elif key.endswith(".gas"):
            values[key] = np.where(pick < 0.1, 10.0 ** rng.uniform(-9.0, -5.0, count), 0.0)
        elif key.endswith("open_ohms"):
            values[key] = np.where(pick < 0.02, np.inf, 0.0)
        elif key.endswith(".strength"):
            values[key] = np.where(pick < 0.05, 0.0, 10.0 ** rng.uniform(-2.0, 0.5, count))
        elif key.endswith(".at"):
            values[key] = pick
        elif key.endswith((".mu", ".turns", ".screen")):
            values[key] = parameter.nominal * 10.0 ** rng.uniform(-0.3, 0.3, count)
        elif key.endswith(".emf") or key == "mains":
            values[key] = parameter.nominal * 10.0 ** rng.uniform(-0.5, 0.15, count)
        elif parameter.nominal:
            value = parameter.nominal * 10.0 ** rng.uniform(-2.0, 2.0, count)
            if parameter.kind == "resistor":
                value = np.where(pick < 0.02, np.inf, np.where(pick < 0.04, 0.0, value))
            values[key] = value
    return values


def imbalance_a(model, table, rest):
    """Largest sum of currents at any node, from the elements themselves and not from the solver's own account."""
    sums = {node: LEAKAGE_S * volts for node, volts in rest.volts.items()}
    for node, flow in model.circuit.dc_sources(table).items():
        sums[node] = sums[node] - flow
    for branch in model.circuit.branches:
        g = branch.dc(table)
        if g is None:
            continue
        ends = [rest.volts[n] if n != GROUND else 0.0 for n in (branch.a, branch.b)]
        for node, flow in ((branch.a, g * (ends[0] - ends[1])), (branch.b, g * (ends[1] - ends[0]))):
            sums[node] = sums.get(node, 0.0) + flow
    for tube, currents in zip(model.circuit.tubes, rest.currents, strict=True):
        for node, current in zip(tube.electrodes, currents, strict=True):
            sums[node] = sums.get(node, 0.0) + current
            sums[tube.cathode] = sums.get(tube.cathode, 0.0) - current
    sums.pop(GROUND, None)
    return np.max([np.broadcast_to(np.abs(s), rest.culprit.shape) for s in sums.values()], axis=0)


def test_wild_states_balance_or_are_named():
    names = config_names("chassis")
    rng = np.random.default_rng(11)
    failed = 0
    for name in names:
        model = ChassisModel(load_chassis(name))
        supplied = model.supplied(wild_states(model, -(-STATES // len(names)), rng))
        rest = supplied.rest
        good = rest.culprit < 0
        failed += np.count_nonzero(~good)
        assert all(np.isfinite(v[good]).all() for v in rest.volts.values()), name
        assert imbalance_a(model, supplied.table, rest)[good].max() < 1e-9, name
        for tube in rest.culprit[~good]:
            assert 0 <= tube < len(model.circuit.tubes)
    assert failed <= STATES // 1000


def test_failure_names_the_tube(monkeypatch):
    chassis = load_chassis("bench-6c4")
    model = ChassisModel(chassis)
    for steps in ("NEWTON_STEPS", "TRANSIENT_STEPS"):
        monkeypatch.setattr(dc, steps, 1)
    rest = solve_dc(model.circuit, model.table({"V1.strength": np.array([1.0, 3.0])}))
    assert (rest.culprit == 0).all()
    assert np.isnan(rest.node_v("V1.5")).all()
    with pytest.raises(NoOperatingPoint, match="V1") as caught:
        model.require_solved(rest)
    assert caught.value.tube == "V1"
    assert caught.value.residual_a > 0.0


def test_start_from_a_neighbour_gives_the_same():
    model = ChassisModel(load_chassis("harbour-twenty"))
    table = model.table(model.draw(20, np.random.default_rng(2)))
    cold = solve_dc(model.circuit, table)
    warm = solve_dc(model.circuit, table, start=model.supplied({}).rest.volts)
    for node, volts in cold.volts.items():
        assert warm.volts[node] == pytest.approx(volts, abs=1e-6)


def test_loads_with_a_leading_axis_are_one_case_each():
    model = ChassisModel(load_chassis("lantern-twelve"))
    table = model.nominal()
    nodes = [model.node("V1.7"), model.node("V1.6")]
    loads = {node: 1e-7 * (np.arange(2) == place)[:, None] for place, node in enumerate(nodes)}
    both = solve_dc(model.circuit, table, loads)
    for place, node in enumerate(nodes):
        alone = solve_dc(model.circuit, table, {node: np.full(1, 1e-7)})
        for other in nodes:
            assert both.volts[other][place, 0] == pytest.approx(alone.volts[other][0], abs=1e-6)


def test_every_sample_is_its_own():
    """A batch gives what its samples give alone."""
    model = ChassisModel(load_chassis("lampkeeper-mic"))
    values = model.draw(6, np.random.default_rng(3))
    whole = model.operating_point(values)
    for sample in range(6):
        alone = model.operating_point({key: value[sample] for key, value in values.items()})
        for node, volts in whole.volts.items():
            assert alone.volts[node][0] == pytest.approx(volts[sample], abs=1e-6)
