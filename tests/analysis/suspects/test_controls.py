"""A control that does not stand where the chassis file has it is neither a fault nor the sign of one."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, parse_chassis
from analysis.suspects import Diagnoser

TEXT = """
chassis: two stages around a volume control
tubes: {V1: 12AX7}
rails: {HT: {volts: 280, source: 100}}
parts:
  C1: 22n   IN    V1.2
  R1: 1M    V1.2  gnd
  R2: 100k  HT    V1.1
  R3: 1k5   V1.3  gnd
  C2: 25u   V1.3  gnd
  C3: 22n   V1.1  N1
  P1: {potentiometer: 1M, ends: [N1, gnd], wiper: V1.7, at: PLACE}
  R4: 100k  HT    V1.6
  R5: 1k5   V1.8  gnd
  C4: 22n   V1.6  OUT
  R6: 470k  OUT   gnd
signal: {input: IN, output: OUT, source_ohms: 600, stages: {first: [V1.2, V1.1], both: [V1.2, V1.6]}}
"""
DC = [Measurand(point=p, quantity="dc_v") for p in ("HT", "V1.1", "V1.3", "V1.6", "V1.8")]
GAINS = [
    Measurand(point=f"V1.2>{plate}", quantity="gain", freq_hz=f)
    for plate in ("V1.1", "V1.6")
    for f in (20.0, 1e3, 5e3)
]


def model_at(place):
    return ChassisModel(parse_chassis(TEXT.replace("PLACE", str(place))))


def readings_of(model, values):
    shown = model.predict(values, DC + GAINS)[0]
    return [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v), std=0.01 * abs(v))
        for m, v in zip(DC + GAINS, shown, strict=True)
    ]


@pytest.mark.parametrize("stands", [0.15, 0.85])
def test_a_volume_control_turned_by_hand_is_no_fault_of_a_stage_and_is_said(stands):
    model = model_at(0.5)
    found = Diagnoser(model, DC + GAINS).diagnose(readings_of(model, {"P1.at": np.array([stands])}))
    assert found.healthy_probability > 0.5, found.suspects[0]
    (note,) = (note for note in found.notes if note.startswith("P1: these readings have it stand at about "))
    told = float(note.split("about ")[1].split(",")[0])
    assert told == pytest.approx(stands, abs=0.06)


def test_a_control_where_the_file_has_it_is_not_mentioned():
    model = model_at(0.5)
    assert not [n for n in Diagnoser(model, DC + GAINS).diagnose(readings_of(model, {})).notes if "P1" in n]


def test_at_a_stop_a_control_is_exact_so_that_a_lost_gain_is_a_fault():
    model = model_at(1)
    found = Diagnoser(model, DC + GAINS).diagnose(readings_of(model, {"P1.at": np.array([0.3])}))
    assert found.healthy_probability < 0.1
    assert not [n for n in found.notes if "P1" in n]


def test_the_worst_gain_of_a_healthy_chassis_has_the_control_anywhere_near():
    model = model_at(0.5)
    drawn = model.draw(400, np.random.default_rng(1))
    whole, first = model.predict(drawn, [GAINS[4], GAINS[1]]).T
    assert np.percentile(whole / first, 97.5) / np.percentile(whole / first, 2.5) > 3.0
