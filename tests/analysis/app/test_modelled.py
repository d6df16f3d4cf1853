"""The model of a job follows the files that the job keeps."""

import pytest

from acquisition.configs import find_config
from acquisition.records import JobSheet
from analysis.app.modelled import modelled

FIVE = find_config("chassis", "quayside-five").read_text("utf-8")
BENCH = """
bench: a bench with an old meter
meter: {resource: "ASRL/dev/null::INSTR", dialect: DIALECT, accuracy: 3 %, input_ohm: 200k}
probe: {ohm: 1M, farad: 100p}
"""


def test_a_job_without_a_chassis_file_says_so():
    assert modelled(JobSheet(chassis_name="Amp")) == (None, None, "the job keeps no chassis file")


def test_a_file_that_cannot_be_read_names_the_line():
    chassis, model, reason = modelled(JobSheet(chassis_name="Amp", chassis_text="chassis: x\ntubs: {V1: 12AX7}\n"))
    assert (chassis, model) == (None, None)
    assert "Amp:1: tubes: required field is missing" in reason


def test_tubes_alone_make_a_chassis_without_a_model():
    chassis, model, reason = modelled(JobSheet(chassis_name="Amp", chassis_text="chassis: x\ntubes: {V1: 12AX7}\n"))
    assert chassis.title == "x"
    assert model is None
    assert "no parts" in reason


def test_meter_and_probe_are_those_of_the_bench():
    _, model, _ = modelled(JobSheet(chassis_name="Five", chassis_text=FIVE))
    assert (model.meter.resistance_ohm, model.probe.capacitance_farad) == (10e6, 12e-12)
    dialect = "scpi-meter"
    text = BENCH.replace("DIALECT", dialect)
    _, model, reason = modelled(JobSheet(chassis_name="Five", chassis_text=FIVE, bench_text=text))
    assert reason == ""
    assert model.meter.resistance_ohm == 200e3
    assert (model.probe.resistance_ohm, model.probe.capacitance_farad) == (1e6, pytest.approx(100e-12))


def test_a_bench_file_of_another_time_does_not_stop_the_report():
    text = BENCH.replace("DIALECT", "no-such-dialect")
    _, model, reason = modelled(JobSheet(chassis_name="Five", chassis_text=FIVE, bench_text=text))
    assert reason == ""
    assert model.meter.resistance_ohm == 10e6
