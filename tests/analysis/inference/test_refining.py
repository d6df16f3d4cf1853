"""A hypothesis that is true is followed to a near perfect fit, also where a grid begins to conduct."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.changes import Change
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.inference.refining import refine
from analysis.inference.variables import difference
from analysis.suspects import Diagnoser

POINTS = ("HT1", "HT3", "V1.6", "V1.8", "V2.2", "V2.3", "V2.7")
WANTED = [Measurand(point=p, quantity="dc_v") for p in POINTS]
WANTED += [Measurand(point="V1.7>V1.6", quantity="gain", freq_hz=f) for f in (50.0, 1000.0)]


@pytest.fixture(scope="module")
def panel():
    return Panel(ChassisModel(load_chassis("quayside-five")), WANTED)


def test_a_leak_into_the_output_grid_is_followed(panel):
    """A 3 Mohm leak lifts the grid until it draws current; slopes from the centre of the spread lead nowhere."""
    values = panel.model.predict({"C4.leak": np.array([1 / 3e6])}, WANTED)[0]
    data = collect(panel, [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v), std=0.003 * abs(float(v)))
        for m, v in zip(WANTED, values, strict=True)
    ])  # fmt: skip
    leak = next(i for i, f in enumerate(panel.faults) if f.key == "C4.leak")
    change = Change(faults=(leak,), values=(min(panel.faults[leak].values, key=lambda v: abs(np.log(v * 3e6))),))
    place = np.zeros(len(panel.unknowns) + 1)
    evidences = []
    for _ in range(3):
        found = refine(panel, data, [change], starts={change: place})[change]
        place = found.unknowns
        evidences.append(found.evidence)
    left = difference(data.quantities, data.measured, found.expected) / found.scale
    assert np.abs(left).max() < 0.5
    assert np.abs(found.unknowns[:-1]).max() < 1.5
    fault = panel.faults[leak]
    assert np.exp(np.log(change.values[0]) + fault.cell_log * place[-1]) == pytest.approx(1 / 3e6, rel=0.3)


def test_a_leak_is_not_taken_for_an_open_grid_resistor_for_sure(panel):
    """Both lift the grid until it conducts. The leak's severities meet at one place: one that stops early on the
    way there, or an error that is smaller for the fault that moves less by itself, would leave it out."""
    values = panel.model.predict({"C4.leak": np.array([1 / 3e6])}, WANTED)[0]
    rng = np.random.default_rng(1)
    readings = [
        Reading(
            point=m.point,
            quantity=m.quantity,
            freq_hz=m.freq_hz,
            value=float(v) * (1.0 + 0.002 * rng.standard_normal()),
            std=0.003 * abs(float(v)),
        )
        for m, v in zip(WANTED, values, strict=True)
    ]
    found = Diagnoser(panel.model, WANTED).diagnose(readings)
    leak = next(s for s in found.suspects if (s.part, s.fault) == ("C4", "leaky"))
    assert leak.probability > 0.3
    assert leak.estimate.low < 3e6 < leak.estimate.high


def test_a_second_look_at_a_place_finds_the_same(panel):
    """Whatever order the columns are asked for in, with other columns or after another place."""
    rng = np.random.default_rng(3)
    changes = [panel.changes[0], panel.changes[5]]
    unknowns = 0.3 * rng.standard_normal((2, len(panel.unknowns) + 1))
    columns = np.arange(len(panel.measurands))
    first = panel.look(changes, unknowns, columns)
    panel.look(changes, unknowns + 0.1, columns[:3])
    mixed = columns[::-1]
    again = panel.look(changes, unknowns, mixed)
    once_more = panel.look(changes, unknowns, mixed[:4])
    for a, b, c in zip(first, again, once_more, strict=True):
        np.testing.assert_allclose(b, a[:, mixed], rtol=1e-6, atol=1e-7)
        np.testing.assert_allclose(c, a[:, mixed[:4]], rtol=1e-6, atol=1e-7)


def test_an_open_grid_resistor_is_weighed_against_a_leak_at_the_same_grid():
    """At 400 megohms the grid follows leaks that a healthy chassis does not notice, and so do its slopes."""
    model = ChassisModel(load_chassis("breakwater-pair"))
    points = "V1.6 V1.7 V1.8 V2.1 V2.2 V2.3 V2.6 V2.7 HT1 HT2 IN OUTA OUTB".split()
    stages = ("V1.7>V1.6", "V2.2>V2.1", "V2.2>V2.6")
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    wanted += [Measurand(point=stage, quantity="gain", freq_hz=1000.0) for stage in stages]
    shown = model.predict({"R7": np.array([4.2e8])}, wanted)[0]
    readings = [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v), std=float(0.003 * v + 0.002))
        for m, v in zip(wanted, shown, strict=True)
    ]
    found = {(s.part, s.fault): s for s in Diagnoser(model, wanted).diagnose(readings).suspects}
    grid, leak = found["R7", "open"], found["C3", "leaky"]
    assert grid.probability > 0.3
    assert grid.estimate.low < 4.2e8 < grid.estimate.high
    assert leak.probability > 0.1
