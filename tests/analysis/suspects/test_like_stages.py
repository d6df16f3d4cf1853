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
