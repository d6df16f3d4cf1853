"""Matching of output pairs from cathode readings of a shipped chassis."""

import dataclasses

import pytest

from acquisition.records import Event, Reading
from analysis.app.signal.pairs import match_pairs
from analysis.chassis import load_chassis


def readings(first_v, second_v, *, range_v=1.0, other_range_v=1.0, std_v=0.0005):
    return [
        Reading(point=point, quantity="dc_v", value=value, std=std_v, instrument="meter", range_v=on)
        for point, value, on in (("V3.8", first_v, range_v), ("V4.8", second_v, other_range_v))
    ]


@pytest.fixture(scope="module")
def chassis():
    return load_chassis("harbour-twenty")


def test_pair_of_a_push_pull_stage(chassis):
    (resistor,) = (p for p in chassis.parts.values() if set(p.nodes) == {chassis.node_names["V3.8"], "gnd"})
    (pair,) = match_pairs(chassis, readings(0.040 * resistor.value, 0.041 * resistor.value))
    assert (pair.first, pair.second) == ("V3", "V4")
    assert pair.first_a.value == pytest.approx(0.040)
    assert pair.match.difference.value == pytest.approx(0.001 / 0.0405)


def test_pair_with_screens_on_taps(chassis):
    name, output = next((n, p) for n, p in chassis.parts.items() if p.kind == "transformer" and len(p.nodes) == 5)
    first, supply, second, *speaker = output.nodes
    tapped = dataclasses.replace(output, nodes=(first, "UL1", supply, "UL2", second, *speaker))
    with_taps = dataclasses.replace(chassis, parts={**chassis.parts, name: tapped})
    (plain,), (pair,) = (match_pairs(each, readings(0.40, 0.41)) for each in (chassis, with_taps))
    assert (pair.first, pair.second, pair.match) == ("V3", "V4", plain.match)


def test_what_the_meter_shares_cancels_and_what_resistors_do_not_share_stays(chassis):
    (resistor,) = (p for p in chassis.parts.values() if set(p.nodes) == {chassis.node_names["V3.8"], "gnd"})
    volts = 0.040 * resistor.value
    std = 0.005 * volts
    same = match_pairs(chassis, readings(volts, volts, std_v=std))[0].match.difference.std
    apart = match_pairs(chassis, readings(volts, volts, std_v=std, other_range_v=10.0))[0].match.difference.std
    tolerance = max(map(abs, resistor.tolerance)) / 3**0.5
    assert same == pytest.approx(tolerance * 2**0.5, rel=1e-3)
    assert apart == pytest.approx(2**0.5 * (tolerance**2 + 0.005**2) ** 0.5, rel=1e-3)


@pytest.mark.parametrize("unknown", [{"instrument": ""}, {"range_v": None}])
def test_readings_that_name_no_instrument_or_range_share_nothing(chassis, unknown):
    told = readings(0.4, 0.4, std_v=0.02)
    kept, typed = (
        match_pairs(chassis, each)[0].match.difference.std
        for each in (told, [dataclasses.replace(r, **unknown) for r in told])
    )
    assert typed == pytest.approx((kept**2 + 2 * 0.05**2) ** 0.5, rel=0.01)


def test_low_in_a_range_the_meters_digits_do_not_cancel(chassis):
    names = [
        p.name
        for p in chassis.parts.values()
        if set(p.nodes) in ({chassis.node_names["V3.8"], "gnd"}, {chassis.node_names["V4.8"], "gnd"})
    ]
    ohm = chassis.parts[names[0]].value
    volts = 0.04 * ohm
    measured = [Event(kind="part_measured", subject=n, value=ohm, std=0.001 * ohm) for n in names]
    # 5 digits of a 6000 count meter on a range a hundred times the reading.
    range_v = 100.0 * volts
    std_v = 5 * range_v / 6000 / 3**0.5
    low = readings(volts, volts, std_v=std_v, range_v=range_v, other_range_v=range_v)
    std = match_pairs(chassis, low, measured)[0].match.difference.std
    assert std == pytest.approx(2**0.5 * std_v / volts, rel=1e-2)


def test_a_measured_resistor_replaces_its_tolerance(chassis):
    names = [
        p.name
        for p in chassis.parts.values()
        if set(p.nodes) in ({chassis.node_names["V3.8"], "gnd"}, {chassis.node_names["V4.8"], "gnd"})
    ]
    ohm = chassis.parts[names[0]].value * 1.02
    measured = [Event(kind="part_measured", subject=n, value=ohm, std=0.001 * ohm) for n in names]
    (pair,) = match_pairs(chassis, readings(0.04 * ohm, 0.04 * ohm, std_v=1e-6), measured)
    assert pair.first_a.value == pytest.approx(0.04)
    assert pair.match.difference.std == pytest.approx(0.001 * 2**0.5, rel=0.01)
    assert pair.match.verdict == "matched"


def test_without_both_readings_there_is_no_verdict(chassis):
    assert match_pairs(chassis, readings(0.4, 0.4)[:1]) == []
    bad = [dataclasses.replace(r, quality="unsteady") for r in readings(0.4, 0.4)]
    assert match_pairs(chassis, bad) == []
    assert match_pairs(load_chassis("quayside-five"), readings(0.4, 0.4)) == []


def test_what_states_no_uncertainty_has_the_usual_one(chassis):
    """Readings typed from a meter, 0.5 % (bench practice E13), and resistors noted without a tolerance, 1 %."""
    names = [
        p.name
        for p in chassis.parts.values()
        if set(p.nodes) in ({chassis.node_names["V3.8"], "gnd"}, {chassis.node_names["V4.8"], "gnd"})
    ]
    measured = [Event(kind="part_measured", subject=n, value=10.0) for n in names]
    difference = match_pairs(chassis, readings(8.0, 8.3, std_v=None), measured)[0].match.difference
    assert difference.std == pytest.approx((2 * (0.005**2 + 0.01**2)) ** 0.5, rel=0.02)
