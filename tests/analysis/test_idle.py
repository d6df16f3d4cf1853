"""Idle current and dissipation of power tubes from readings, against the tubes of the model and by arithmetic."""

import json

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.instruments import load_bench
from acquisition.records import Event, Measurand, Reading
from acquisition.store import create_job
from analysis.app.cli import main
from analysis.app.page.hub import Hub
from analysis.app.page.in_hand import PassInHand
from analysis.app.page.worker import BenchWorker
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.expecting import expect
from analysis.idle import idle_of, over_ratings

PENTODE = """
chassis: One output tube
tubes: {V1: EL34}
rails: {HT: {volts: 440, source: 1}, BIAS: {volts: -38, source: 1}}
parts:
  RP: 200    HT    V1.3
  RS: 1k     HT    V1.4   5%
  RK: 10     V1.8  gnd    1%
  RG: 220k   BIAS  V1.5
"""


def taken(volts, std=None):
    return [Reading(point=p, quantity="dc_v", value=v, std=std) for p, v in volts.items()]


def read(model, values=None, left_out=()):
    wanted = [Measurand(point=p.name, quantity="dc_v") for p in model.points.values() if p.node]
    wanted = [m for m in wanted if m.point not in left_out]
    shown = model.predict(values or {}, wanted)[0]
    return taken({m.point: float(v) for m, v in zip(wanted, shown, strict=True)})


@pytest.mark.parametrize("name", ["foreshore-four", "harbour-twenty", "lantern-twelve", "quayside-five"])
def test_what_the_readings_tell_is_what_the_tubes_of_the_model_do(name):
    model = ChassisModel(load_chassis(name))
    tubes = expect(model, count=20).tubes
    rest = model.operating_point({})
    amps = {
        tube.key: [float(np.ravel(a)[0]) for a in currents]
        for tube, currents in zip(model.circuit.tubes, rest.currents, strict=True)
    }
    found = idle_of(model.chassis, read(model))
    assert found
    for one in found:
        for key in one.tubes:
            assert one.cathode_a.value == pytest.approx(sum(amps[key]), rel=0.02)
            if one.screen_a is not None:
                assert one.screen_a.value == pytest.approx(amps[key][2], rel=0.05)
            assert one.plate_w is not None
            assert one.limits == tubes[key].limits
            assert not one.over
    assert {key for one in found for key in one.tubes} == {
        key for key, tube in tubes.items() if (tube.limits.plate_w or 0.0) >= 5.0
    }


def test_a_worked_example():
    """(Vp - Vk)*(Ik - Ig2) of round numbers: 0.5 V over 10 ohm, 5 V over 1 kohm, 430 V at the plate."""
    chassis = parse_chassis(PENTODE, "one")
    volts = {"HT": 440.0, "V1.3": 430.5, "V1.4": 435.0, "V1.8": 0.5}
    (one,) = idle_of(chassis, taken(volts, 0.01))
    assert one.cathode_a.value == pytest.approx(0.050)
    assert one.screen_a.value == pytest.approx(0.005)
    assert one.plate_w.value == pytest.approx(430.0 * 0.045)
    # 2 % of 0.5 V, 1 % of 10 ohm, and of 5 mA 5 % and 14 mV, limits as rectangular (JCGM 100, 4.3.7).
    of_cathode_a = 0.050 * np.hypot(0.01 / 0.5, 0.01 / np.sqrt(3.0))
    of_screen_a = 0.005 * np.hypot(0.01 * np.sqrt(2.0) / 5.0, 0.05 / np.sqrt(3.0))
    assert one.plate_w.std == pytest.approx(430.0 * np.hypot(of_cathode_a, of_screen_a), rel=0.01)
    assert one.text().startswith("V1 EL34: cathode 50 mA, screen 5 mA, plate 19.4 W +- 0.")
    assert one.text().endswith("77 % of 25 W (design-centre)")


def test_a_resistor_measured_with_power_off_counts_as_measured():
    chassis = parse_chassis(PENTODE, "one")
    volts = taken({"HT": 440.0, "V1.3": 430.5, "V1.4": 435.0, "V1.8": 0.5}, 0.001)
    measured = Event(kind="part_measured", subject="RK", value=12.5, std=0.02)
    (one,) = idle_of(chassis, volts, [measured])
    assert one.cathode_a.value == pytest.approx(0.040)
    assert one.cathode_a.std < idle_of(chassis, volts)[0].cathode_a.std


@pytest.mark.parametrize("left_out", [("V1.4",), ("HT",)])
def test_where_the_screen_is_not_known_it_counts_with_the_plate(left_out):
    chassis = parse_chassis(PENTODE, "one")
    volts = {"HT": 440.0, "V1.3": 430.5, "V1.4": 435.0, "V1.8": 0.5}
    (one,) = idle_of(chassis, taken({p: v for p, v in volts.items() if p not in left_out}))
    assert one.screen_a is None
    assert one.plate_w.value == pytest.approx(430.0 * 0.050)
    assert "plate with screen 21.5 W" in one.text()


@pytest.mark.parametrize("path", [
    "RY: 1k  V1.8  K2\n  RZ: 1k  K2  gnd",  # not read at its end
    "L1: {value: 10, ohms: 100, nodes: [V1.8, gnd]}",  # no resistor
])  # fmt: skip
def test_nothing_is_told_of_a_cathode_with_another_path(path):
    chassis = parse_chassis(f"{PENTODE}  {path}\n", "one")
    assert idle_of(chassis, taken({"HT": 440.0, "V1.3": 430.5, "V1.4": 435.0, "V1.8": 0.5})) == []


def test_a_tube_beyond_its_rating_is_told_before_all_else(tmp_path, capsys):
    """With its grid unconnected a tube on fixed bias runs away (common practice, no source)."""
    model = ChassisModel(load_chassis("harbour-twenty"))
    readings = read(model, {"V4.grid_adrift": np.array([0.2])})
    told = over_ratings(idle_of(model.chassis, readings))["V4"]
    assert told.startswith("mains off, then find why: the plate of V4 dissipates 107 W, 42")
    assert told.endswith(" % of its rating, by the readings and R27 as drawn")
    path = str(tmp_path / "amp.stagewalk")
    with create_job(path, "Harbour Twenty", find_config("chassis", "harbour-twenty").read_text("utf-8")) as job:
        job.start_pass("as-found", mains_v=230.0)
        job.add_readings("as-found", readings)
    assert main(["check", path]) == 1
    shown = capsys.readouterr().out
    assert "at idle: V4 EL34" in shown
    assert " ".join(shown.split()).startswith(told)
    assert main(["check", path, "--json"]) == 1
    facts = {tuple(one["tubes"]): one for one in json.loads(capsys.readouterr().out)["idle"]}
    assert facts["V4",]["over"]
    assert not facts["V3",]["over"]
    assert facts["V4",]["plate_w"] > 4 * facts["V4",]["limit_w"]
    assert main(["report", path]) == 0
    page = (tmp_path / "amp.html").read_text("utf-8")
    assert f"In as-found {told.removeprefix('mains off, then find why: ')}." in page
    assert "At idle: V3 EL34" in page


def test_a_plate_over_its_rating_is_told_when_it_shows_once_and_taken_back_when_it_is_over_no_more(tmp_path):
    """Not only in a list further down, or at the end of the round: 0.5 V over 10 ohm is 50 mA, 1.5 V 150 mA."""
    bench = load_bench(str(find_config("benches", "hand-held")))
    worker = BenchWorker("one.stagewalk", bench, hub := Hub(), "as-found")
    heard = []
    hub.cue = lambda kind, text="": heard.append((kind, text))
    with create_job(tmp_path / "one.stagewalk", "one", PENTODE) as job:
        job.start_pass("as-found")
        worker._job, worker._hand = job, PassInHand.of(job, "as-found")[0]
        told = []
        for point, volts in [("V1.3", 430.5), ("V1.8", 1.5), ("HT", 440.0), ("V1.8", 0.5)]:
            job.add_reading("as-found", Reading(point=point, quantity="dc_v", value=volts, std=0.01))
            worker._watch_ratings()
            told.append(hub.state().get("alarm", {}).get("words", ""))
    assert told[0] == told[3] == ""
    assert told[1] == told[2]
    assert told[1].startswith(
        "Mains off, then find why: the plate of V1 dissipates 64.3 W, 257 % of its rating, by "
    )
    assert heard == [("alarm", told[1])]


def test_nothing_is_told_of_a_tube_that_is_out():
    model = ChassisModel(load_chassis("harbour-twenty").without(["V4"]))
    assert [one.tubes for one in idle_of(model.chassis, read(model))] == [("V3",)]
