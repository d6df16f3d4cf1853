"""What is said of a reading that moved: from what, to what, by how much and which way."""

import numpy as np

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.faults import faults_of
from analysis.inference.data import Data, collect
from analysis.inference.panel import Panel
from analysis.inference.variables import MODEL_ERRORS, to_variable
from analysis.suspects import Diagnoser
from analysis.suspects.because import Healthy, balances, healthy_view, moves, section_of


def said(quantity, point, value, expected, **more):
    reading = Reading(point=point, quantity=quantity, value=value, std=0.01, **more)
    variable = np.array([to_variable(quantity, v) for v in (value, expected)], dtype=float)
    data = Data(
        readings=(reading,), columns=np.array([0]), quantities=np.array([quantity]), measured=variable[:1],
        noise=np.array([0.01]),
    )  # fmt: skip
    healthy = Healthy(expected=variable[1:], spread=np.array([0.1]), z=np.array([9.0]))
    return moves(data, healthy, [0])


def test_a_fall_and_a_rise_are_told_with_their_sign_against_the_expected_value():
    # 96.4 / 142 = 0.679; 1.96 / 1.19 = 1.647; 30 / 60 = 0.5.
    assert said("dc_v", "V1.6", 96.4, 142.0) == "V1.6 reads 96.4 V for 142 V (-32 %)"
    assert said("dc_v", "V1.8", 1.96, 1.19) == "V1.8 reads 1.96 V for 1.19 V (+65 %)"
    stage = said("gain", "V1.2>V1.1", 30.0, 60.0, freq_hz=1000.0)
    assert stage == "gain V1.2>V1.1 at 1 kHz reads 30 for 60 (-50 %)"


def test_next_to_nothing_is_told_without_a_percentage():
    assert said("dc_v", "V1.7", 1.81, 0.003) == "V1.7 reads 1.81 V for 3 mV"


def test_readings_that_a_fault_leaves_far_off_are_named_as_not_explained_and_never_for_it():
    """900 V behind a rail of 280 V and -55 V at a plate are no chassis."""
    volts = {"HT1": 280.0, "HT2": 900.0, "V1.1": -55.0, "V1.3": 4.2, "V1.8": 107.0, "N1": 103.0}
    readings = [Reading(point=point, quantity="dc_v", value=value) for point, value in volts.items()]
    measurands = tuple(reading.measurand for reading in readings)
    diagnosis = Diagnoser(ChassisModel(load_chassis("gangway-two")), measurands).diagnose(readings)
    told = [one.because for one in diagnosis.suspects[:8] if one.because.startswith("consistent with")]
    assert told
    for because in told:
        claimed, _, rest = because.partition("; does not explain ")
        assert "reads 900 V" not in claimed
        assert "reads -55 V" not in claimed
        assert "no reading is outside healthy scatter" not in claimed or not rest
    assert any("does not explain HT2 900 V" in because for because in told)


def test_readings_that_are_not_explained_are_not_within_healthy_scatter():
    """Of a chassis that reads nothing at all, a weak tube was told with both."""
    points = ("HT1", "HT2", "V1.1", "V1.3", "V1.8")
    readings = [Reading(point=point, quantity="dc_v", value=0.0) for point in points]
    measurands = tuple(reading.measurand for reading in readings)
    diagnosis = Diagnoser(ChassisModel(load_chassis("gangway-two")), measurands).diagnose(readings)
    told = [one.because for one in diagnosis.suspects]
    assert any("does not explain" in because for because in told)
    assert not any("each alone is within healthy" in because and "HT1 reads 0 V" in because for because in told)


def test_currents_are_balanced_over_every_resistor_of_a_node_by_whatever_name_it_is_written():
    """A cathode on two resistors, one of them written at a node joined to the pin: half the current was missed."""
    text = """
chassis: a stage with two names for its cathode
tubes: {V1: 12AU7}
rails: {HT: {volts: 250, source: 100}}
parts:
  R1: 1M V1.7 gnd
  R2: 47k HT LOAD
  R3: 3k V1.8 gnd
  R4: %s K %s
joined: [[V1.8, K], [LOAD, V1.6]]
"""
    wanted = [Measurand(point=point, quantity="dc_v") for point in ("HT", "V1.6", "V1.8")]

    def balanced(*last):
        model = ChassisModel(parse_chassis(text % last))
        shown = model.predict({}, wanted)[0]
        readings = [
            Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(wanted, shown, strict=True)
        ]
        panel = Panel(model, wanted)
        return model, balances(panel, collect(panel, readings))

    model, found = balanced("3k", "gnd")
    assert found == []  # two ways for one current: no single resistor tells it
    model, (one,) = balanced("3M", "HT")
    assert (one.plate_part, one.cathode_part) == ("R2", "R3")
    assert abs(one.rho - 1.0) < 0.05  # R4 brings 80 uA of 2.3 mA
    plate = next(fault for fault in faults_of(model.chassis, model.parameters) if fault.part == "R2")
    assert section_of(model, plate) == "V1a"


def test_the_currents_are_those_through_the_resistors_as_they_were_measured():
    """A plate resistor a third above its value, measured and left in: Ohm's law goes by what is there."""
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [Measurand(point=point, quantity="dc_v") for point in ("HT2", "V1.1", "V1.3")]
    shown = model.predict({"R3": np.array([63e3])}, wanted)[0]
    readings = [Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(wanted, shown, strict=True)]

    def ratio(measured):
        panel = Panel(model, wanted, measured)
        (one,) = balances(panel, collect(panel, readings))
        return one.rho

    assert ratio({"R3": (63e3, 500.0)}) < 1.05
    assert ratio({}) > 1.25


def test_a_healthy_grid_has_the_scatter_here_that_it_is_weighed_with():
    """Grid current near zero bias differs from tube to tube: 20 mV there are no reading that left the others."""
    model = ChassisModel(load_chassis("gangway-two"))
    reading = Reading(point="V1.2", quantity="dc_v", value=0.02, std=0.001)
    panel = Panel(model, [reading.measurand])
    view = healthy_view(panel, collect(panel, [reading]))
    assert (
        view.spread[0] >= np.hypot(panel.grid_error[0], MODEL_ERRORS["dc_v"].base) > 2 * MODEL_ERRORS["dc_v"].base
    )
    assert abs(view.z[0]) < 2.0


def test_what_is_not_used_is_told_by_reading_and_not_by_point():
    """Of one stage the gain counts and the phase does not: the angle of no signal is no reading."""
    model = ChassisModel(load_chassis("gangway-two"))
    both = [Reading(point="V1.2>gnd", quantity=q, freq_hz=1e3, value=0.0) for q in ("gain", "phase_deg")]
    both.append(Reading(point="gnd", quantity="dc_v", value=0.001))
    notes = Diagnoser(model, [r.measurand for r in both]).diagnose(both).notes
    assert "not used: phase V1.2>gnd at 1 kHz" in notes
