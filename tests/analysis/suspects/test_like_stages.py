"""Sockets without parts: what rules of thumb say, and what they must not say."""

import pytest

from acquisition.records import Reading
from analysis.chassis import parse_chassis
from analysis.suspects.like_stages import AT_MOST, compare_stages

BARE = parse_chassis("chassis: bare\ntubes: {V1: 12AX7, V2: 12AX7, V3: EL84, V4: EL84}\n")
USUAL = {"V1.1": 140.0, "V1.3": 1.2, "V1.6": 142.0, "V1.8": 1.2, "V3.7": 250.0, "V3.3": 7.5, "V4.7": 252.0}


def hints(volts):
    return compare_stages(BARE, [Reading(point=p, quantity="dc_v", value=v) for p, v in volts.items()])


def test_readings_that_no_rule_speaks_against_are_no_proof():
    found = hints(USUAL)
    assert found.suspects == ()
    assert found.healthy_probability == AT_MOST


def test_no_volts_anywhere_are_the_lead_or_the_supply_and_never_a_sound_chassis():
    found = hints(dict.fromkeys(USUAL, 0.002))
    assert {s.fault for s in found.suspects} == {"artefact: nothing read", "missing"}
    assert found.healthy_probability == 0.0
    assert any("nothing read proves nothing dead" in s.separates for s in found.suspects)


def test_a_negative_plate_is_the_sign():
    """Plates and screens are positive against the cathode (facts of the trade)."""
    found = hints({point: -volts for point, volts in USUAL.items()})
    assert found.suspects[0].fault == "artefact: sign"
    assert found.healthy_probability == 0.0


@pytest.mark.parametrize(("cathode", "name"), [(1200.0, "unit"), (180.0, "wrong pin")])
def test_a_cathode_above_its_plate_is_read_again(cathode, name):
    found = hints(USUAL | {"V1.3": cathode})
    assert ("V1.3, V1.1", f"artefact: {name}") in [(s.part, s.fault) for s in found.suspects]


@pytest.mark.parametrize(
    ("volts", "socket", "fault"),
    [
        ({"V1.1": 0.0, "V1.3": 0.0}, "V1", "shorted"),
        ({"V3.7": 0.1}, "V3", "shorted"),
        ({"V1.1": 251.0, "V1.3": 0.0}, "V1", "dead"),
        ({"V1.1": 190.0, "V1.3": 0.7}, "V1", "weak"),
        ({"V1.1": 90.0, "V1.3": 1.9}, "V1", "gassy"),
    ],
)
def test_one_stage_off_its_likes_or_its_supply_is_named(volts, socket, fault):
    """A triode with plate up and cathode down passes less, with plate down and cathode up more, with its plate
    at the supply and no cathode volts nothing (common practice, no source)."""
    likes = {"V2.1": 141.0, "V2.3": 1.2, "V2.6": 139.0, "V2.8": 1.2}
    readings = {k: v for k, v in USUAL.items() if k != "V3.3"} | likes | volts
    first = hints(readings).suspects[0]
    assert (first.part, first.fault) == (socket, fault)
    assert first.probability <= AT_MOST


def test_two_like_stages_are_told_by_each_other():
    """The mean of two is no stage: beside one of 140 V, 210 V are half as much again (arithmetic)."""
    found = hints({"V1.1": 140.0, "V1.3": 1.2, "V1.6": 210.0, "V1.8": 0.6, "V3.7": 250.0, "V3.3": 7.5})
    told = {s.section: s.because for s in found.suspects}
    assert "plate 210 V (+50%), cathode 600 mV (-50%)" in told["V1a"]
    assert "plate 140 V (-33%), cathode 1.2 V (+100%)" in told["V1b"]


def test_one_dead_half_does_not_make_the_other_half_gassy():
    """The sound half passes what it should; its like passes nothing, and is no measure of it."""
    found = hints({"V1.1": 140.0, "V1.3": 1.2, "V1.6": 251.0, "V1.8": 0.0, "V3.7": 250.0, "V3.3": 7.5})
    assert {s.section for s in found.suspects} == {"V1a"}


FIXED = {"V3.7": 430.0, "V3.3": 0.02, "V4.7": 428.0, "V4.3": 0.021, "V1.1": 140.0, "V1.3": 1.2}


def test_output_tubes_on_a_fixed_bias_are_not_dead():
    """Cathodes on the chassis, plates behind a winding, grids at -14 V: a sound stage (common practice, no
    source)."""
    found = hints(FIXED | {"V3.2": -14.0, "V4.2": -14.1})
    assert not [s for s in found.suspects if s.part in ("V3", "V4")]


def test_where_the_grid_was_not_read_a_fixed_bias_is_named_as_well():
    found = hints(FIXED)
    dead = [s for s in found.suspects if s.fault == "dead"]
    assert {s.part for s in dead} == {"V3", "V4"}
    assert all("or a fixed bias: the volts of its grid tell" in s.because for s in dead)
    assert all(s.probability < found.healthy_probability for s in dead)


def test_a_grid_without_bias_before_a_tube_that_passes_nothing_is_a_dead_tube():
    found = hints(FIXED | {"V3.2": 0.0, "V4.2": -14.1})
    assert [(s.part, s.fault) for s in found.suspects] == [("V3", "dead")]
