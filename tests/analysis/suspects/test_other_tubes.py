"""A tube of another type in a socket is told as that, not as a pair of faults that look like it."""

from dataclasses import replace

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.suspects import Diagnoser
from analysis.suspects.other_tubes import OtherTubes, fits
from analysis.tubes import load_tube

DC = [Measurand(point=p, quantity="dc_v") for p in ("HT1", "HT3", "V1.1", "V1.3", "V1.6", "V1.8", "V2.3")]
GAINS = [Measurand(point=s, quantity="gain", freq_hz=1e3) for s in ("V1.2>V1.1", "V1.7>V1.6", "V2.2>SPK")]


@pytest.fixture(scope="module")
def chassis():
    return load_chassis("foreshore-four")


@pytest.fixture(scope="module")
def diagnoser(chassis):
    return Diagnoser(ChassisModel(chassis), DC + GAINS)


def readings(chassis, wanted, sockets=None, **values):
    # The supply is that of the drawing, whatever it is loaded with.
    changed = replace(chassis, sockets={**chassis.sockets, **(sockets or {})})
    model = ChassisModel(changed, beside=ChassisModel(chassis))
    shown = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    noise = np.random.default_rng(3).standard_normal(len(wanted))
    return [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v * (1 + 0.004 * n)))
        for m, v, n in zip(wanted, shown, noise, strict=True)
    ]


@pytest.mark.parametrize("type_", ["12AT7", "12AU7"])
@pytest.mark.parametrize("wanted", [DC, DC + GAINS], ids=["dc", "all"])
def test_a_tube_that_fits_the_socket_is_named(chassis, diagnoser, type_, wanted):
    found = diagnoser.diagnose(readings(chassis, wanted, {"V1": load_tube(type_)}))
    first = found.suspects[0]
    assert (first.part, first.fault.partition(": ")[0]) == ("V1", "other type")
    assert type_ in first.fault
    assert first.probability > 0.9
    assert found.healthy_probability >= 0.0
    assert sum(s.probability for s in found.suspects) + found.healthy_probability < 1.001
    assert f"with a {type_} " in first.because
    assert "with a 12AX7 " in first.because
    assert first.separates == "the type number on the tube in V1"
    assert not any("one fault alone" in note for note in found.notes)


@pytest.mark.parametrize(
    ("values", "part"),
    [({"R3": 3e3}, "R3"), ({"V1a.strength": 0.3}, "V1"), ({"R11": 60e3}, "R11"), ({"C3.leak": 1e-6}, "C3")],
)
def test_a_fault_of_a_part_is_not_put_down_to_another_tube(chassis, diagnoser, values, part):
    found = diagnoser.diagnose(readings(chassis, DC + GAINS, **values))
    assert found.suspects[0].part == part
    assert not found.suspects[0].fault.startswith("other type")


def test_a_dead_output_tube_is_no_type_that_would_be_cut_off_there():
    """An 8417 has twice the mu of an EL34: at -38 V it passes nothing either, so both explained a dead tube."""
    model = ChassisModel(load_chassis("harbour-twenty"))
    points = ("HT1", "HT2", "V3.5", "V3.8", "V4.5", "V4.8", "V3.4", "V4.4", "BIAS", "V2.1", "V2.6")
    wanted = [Measurand(point=p, quantity="dc_v") for p in points]
    shown = model.predict({"V3.strength": np.array([1e-5])}, wanted)[0]
    read = [Reading(point=m.point, quantity="dc_v", value=float(v)) for m, v in zip(wanted, shown, strict=True)]
    found = Diagnoser(model, dc_only=True).diagnose(read)
    assert found.suspects[0].part == "V3"
    assert {s.fault for s in found.suspects[:2]} == {"dead", "weak"}
    assert not any(s.fault.startswith("other type") for s in found.suspects)


def test_a_healthy_chassis_needs_no_other_tube(chassis, diagnoser):
    found = diagnoser.diagnose(readings(chassis, DC + GAINS))
    assert found.healthy_probability > 0.5
    assert not any(s.fault.startswith("other type") for s in found.suspects)


def test_another_type_hangs_on_the_supply_of_the_drawing():
    """What stands behind a rail is the same: by Ohm's law alone a tube that draws more pulls it down by so much."""
    text = """
chassis: a weak supply
tubes: {V1: 6V6GT}
rails: {HT: {volts: 250, source: 2k}}
parts: {R1: 470k V1.5 gnd, R2: 100 HT V1.3, R3: 220 V1.8 gnd, R4: 100 HT V1.4}
"""
    drawn = ChassisModel(parse_chassis(text))

    def behind(model):
        rest = model.operating_point({})
        drawn_a = sum(float(current.ravel()[0]) for current in (rest.currents[0][0], rest.currents[0][2]))
        return float(rest.node_v("HT")[0]) + 2e3 * drawn_a, drawn_a

    emf_v, usual_a = behind(drawn)
    found = {standing[0][1]: behind(model) for standing, model in OtherTubes(drawn, {})._fitting.items()}
    assert found["KT88"][1] > 1.1 * usual_a
    for volts, _ in found.values():
        assert volts == pytest.approx(emf_v, rel=1e-4)


@pytest.mark.parametrize(
    ("type_", "other", "answer"),
    [
        ("12AX7", "12AU7", True),
        ("12AX7", "ECC88", False),  # pin 9 is a shield there, not the middle of the heater
        ("6SN7GT", "6SL7GT", True),
        ("6L6GC", "EL34", True),  # but for the suppressor, on a pin that most sockets have at the cathode
        ("EL84", "6AQ5", False),
        ("12AX7", "EF86", False),
    ],
)
def test_what_fits_a_socket(type_, other, answer):
    """Bases of the receiving tube manuals, as the tube files have them."""
    assert fits(load_tube(type_), load_tube(other)) is answer


def test_two_tubes_in_each_others_sockets_are_one_mistake():
    """A 12AX7 and a 12AU7 share base and heater, and whoever cleaned the sockets put them back by hand."""
    chassis = load_chassis("breakwater-pair")
    model = ChassisModel(chassis)
    points = ("HT1", "HT2", "V1.6", "V1.8", "V2.1", "V2.3", "V2.6")
    wanted = [Measurand(point=point, quantity="dc_v") for point in points]
    exchanged = {"V1": chassis.sockets["V2"], "V2": chassis.sockets["V1"]}
    found = Diagnoser(model, wanted).diagnose(readings(chassis, wanted, exchanged))
    first = found.suspects[0]
    assert (first.part, first.fault) == ("V1", "exchanged with V2")
    assert first.probability > 0.8
    assert "V1 and V2 in each other's sockets" in first.because
    assert ", exchanged " in first.because
    assert first.separates == "the type numbers on the tubes in V1 and V2"


def test_reading_by_reading_ends_where_all_at_once_does(chassis, diagnoser):
    """What was reached before is a start, and no chassis starts where another one ended."""
    read = readings(chassis, DC, {"V1": load_tube("12AT7")})
    diagnoser.diagnose(readings(chassis, DC, {"V1": load_tube("12AU7")}))
    for count in range(len(read), 2, -2)[::-1]:
        last = diagnoser.diagnose(read[:count])
    fresh = Diagnoser(ChassisModel(chassis), DC + GAINS).diagnose(read)
    assert last.suspects[0].fault == fresh.suspects[0].fault
    assert last.suspects[0].probability == pytest.approx(fresh.suspects[0].probability, abs=0.02)
