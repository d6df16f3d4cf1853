"""Stages driven from a whisper to far beyond clipping: a state is found, or the tube in the way is named."""

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.errors import NoOperatingPoint
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.driving import onset, waveforms
from analysis.circuit import overdrive
from analysis.headroom import dwell_of, side_of

LIMITS = {"thd_ratio": 0.05, "fall_db": 1.0, "most_pp_v": 200.0}


@pytest.mark.parametrize("name", config_names("chassis"))
def test_every_stage_is_followed_to_its_onset_and_the_weakest_ten_times_beyond(name):
    model = ChassisModel(load_chassis(name))
    drives = []
    for stage in model.chassis.stages.values():
        found = onset(model, stage.source, stage.target, **LIMITS)
        assert found.reached, stage.name
        assert not found.unsolved, stage.name
        drives.append(found.drive_pp_v)
    targets = [stage.target for stage in model.chassis.stages.values()]
    for drive in (1e-3, 10.0 * min(drives)):
        assert np.isfinite(waveforms(model, {}, targets, drive)).all(), drive


def test_the_tube_without_a_state_is_named(monkeypatch):
    model = ChassisModel(load_chassis("quayside-five"))
    monkeypatch.setattr(overdrive, "NEWTON_STEPS", 4)
    short = onset(model, "V1.2", "V1.1", **LIMITS)
    assert not short.reached
    assert short.unsolved in {"V1a", "V1b", "V2"}
    monkeypatch.setattr(overdrive, "NEWTON_STEPS", 1)
    with pytest.raises(NoOperatingPoint) as caught:
        onset(model, "V1.2", "V1.1", **LIMITS)
    assert caught.value.tube in {"V1a", "V1b", "V2"}
    assert np.isnan(waveforms(model, {}, ["SPK"], 1.0)).all()


@pytest.mark.parametrize(
    ("cathode", "side"),
    # Hardly any bias: the grid is driven positive and the plate cannot fall further. Far too much: the tube cuts
    # off and the plate stays up at the rail.
    [("100", "lower"), ("22k", "upper")],
)
def test_the_side_that_flattens_first_follows_the_bias(cathode, side):
    text = f"""
chassis: one triode
tubes: {{V1: 12AU7}}
rails: {{HT: {{volts: 250, source: 10}}}}
parts:
  R0: 100k IN   V1.2
  R1: 1M   V1.2 gnd
  R2: {cathode} V1.3 gnd
  C1: 1000u V1.3 gnd
  R3: 47k  HT   V1.1
signal: {{input: IN, output: V1.1, source_ohms: 50, stages: {{only: [V1.2, V1.1]}}}}
"""
    found = onset(ChassisModel(parse_chassis(text)), "IN", "V1.1", **LIMITS)
    assert found.reached
    assert side_of(dwell_of(found.bent) - dwell_of(found.gentle)) == side


def test_a_drive_is_balanced_alike_whichever_way_it_was_reached():
    """Directly among other samples, and alone from a small drive: the state is one."""
    model = ChassisModel(load_chassis("foreshore-four"))
    values = {"R1": np.array([1e6, 1e6, 0.9e6])}
    together = waveforms(model, values, ["SPK"], 0.05)
    alone = waveforms(model, {}, ["SPK"], 0.05)
    assert together[0, 0] == pytest.approx(alone[0, 0], abs=2e-3 * np.ptp(alone))
    assert together[0, 0] == pytest.approx(together[1, 0], abs=1e-6)


def test_the_largest_drive_bounds_the_search():
    model = ChassisModel(load_chassis("bench-6c4"))
    found = onset(model, "V1.6", "V1.5", thd_ratio=0.05, fall_db=1.0, most_pp_v=0.7)
    assert (found.reached, found.unsolved) == (False, "")
    assert found.drive_pp_v == pytest.approx(0.7)
