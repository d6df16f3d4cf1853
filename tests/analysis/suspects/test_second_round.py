"""Hypotheses beside a healthy chassis that stands far from the nominal one."""

import numpy as np
import pytest

from acquisition.records import Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.changes import Change
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.inference.refining import refine
from analysis.suspects.first_round import first_round
from analysis.suspects.prior import usual_round
from analysis.suspects.second_round import second_round, unmoved


def bench(name, seed):
    """A chassis, and readings of a healthy specimen of it without noise."""
    model = ChassisModel(load_chassis(name))
    panel = Panel(model, usual_round(model))
    specimen = model.draw(1, np.random.default_rng(seed))
    values = model.predict(specimen, panel.measurands)[0]
    readings = [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(value))
        for m, value in zip(panel.measurands, values, strict=True)
        if np.isfinite(value)
    ]
    return panel, collect(panel, readings)


@pytest.fixture(scope="module")
def specimen():
    panel, data = bench("foreshore-four", 6)
    healthy = refine(panel, data, [Change()], steps=12)[Change()]
    nothing = np.zeros(len(panel.changes), dtype=bool)
    first = first_round(panel, data, np.zeros(len(panel.changes)), nothing)
    return panel, data, healthy, first


def test_it_promises_what_following_through_the_model_reaches(specimen):
    """Against the search itself, for every hypothesis that stands near the healthy chassis."""
    panel, data, healthy, first = specimen
    promised, _ = second_round(panel, data, healthy, first)
    near = [c for c in panel.changes[1:] if promised[panel.index[c]] > healthy.evidence - 3.0]
    place = healthy.unknowns[: len(panel.unknowns)]
    found = refine(panel, data, near, starts={change: np.append(place, 0.0) for change in near})
    rows = [panel.index[change] for change in near]
    reached = np.array([found[change].evidence for change in near])
    assert len(near) > 20
    assert promised[0] == pytest.approx(healthy.evidence)
    off = np.abs(promised[rows] - reached)
    assert np.median(off) < 0.3
    assert np.percentile(off, 90) < 2.0
    assert np.median(np.abs(first[rows] - reached)) > 3 * np.median(off), "the first round would do"


def test_what_moves_too_much_keeps_what_the_first_round_said(specimen):
    panel, data, healthy, first = specimen
    promised, blind = second_round(panel, data, healthy, first)
    gone = next(i for i, f in enumerate(panel.faults) if f.fault == "missing")
    row = panel.index[Change(faults=(gone,), values=panel.faults[gone].values[:1])]
    assert promised[row] == first[row]
    assert not blind[row]


def test_what_leaves_every_reading_is_told_by_its_error(specimen):
    _, data, healthy, _ = specimen
    count = len(data.readings)
    moved = np.tile(healthy.predicted, (3, 1))
    moved[1, 0] += 0.2 * healthy.scale[0]
    moved[2, count - 1] += 0.4 * healthy.scale[count - 1]
    assert unmoved(data, moved, healthy.predicted, healthy.scale).tolist() == [True, True, False]
