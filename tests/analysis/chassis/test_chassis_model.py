"""ChassisModel: parameters, healthy draws, what instruments would show, faults, bands on the rails measured."""

import numpy as np
import pytest

from acquisition.errors import OutsideModel
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, MeterLoad, ProbeLoad, bands, healthy_values, load_chassis, parse_chassis
from analysis.chassis.sensitivities import slopes_of


@pytest.fixture(scope="module")
def amplifier():
    return ChassisModel(load_chassis("harbour-twenty"))


@pytest.fixture(scope="module")
def stage():
    return ChassisModel(load_chassis("bench-6c4"))


def dc(*points):
    return [Measurand(point=point, quantity="dc_v") for point in points]


def test_nominal_rails_show_the_volts_of_the_file(amplifier):
    shown = ChassisModel(amplifier.chassis, MeterLoad(resistance_ohm=np.inf)).predict({}, dc("HT1", "BIASHOT"))[0]
    assert shown == pytest.approx([430.0, -52.0], abs=0.05)


LOADED = """
chassis: a rail that its load pulls down
tubes: {V1: 6C4}
rails:
  HT: {volts: 200, source: SOURCE}
parts: {R1: 100k HT V1.5, R2: 1M V1.6 gnd, R3: 1k V1.7 gnd, R4: 1k HT gnd}
"""


def test_a_rail_with_much_source_resistance_shows_its_volts():
    model = ChassisModel(parse_chassis(LOADED.replace("SOURCE", "10k")), MeterLoad(resistance_ohm=np.inf))
    assert model.predict({}, dc("HT"))[0, 0] == pytest.approx(200.0, abs=2e-4)


def test_a_rail_that_cannot_have_its_volts_is_refused():
    with pytest.raises(
        OutsideModel, match=r"^amp\.yaml:5: rails\.HT\.volts: expected 200 V, but .* comes to \d"
    ) as told:
        ChassisModel(parse_chassis(LOADED.replace("SOURCE", "1M"), "amp.yaml"))
    assert "check its source" in told.value.hint


def test_parameters_carry_keys_units_and_spread(amplifier):
    p = amplifier.parameters
    assert {
        "R1",
        "C1",
        "C1.leak",
        "C1.esr",
        "P1",
        "P1.at",
        "T1.turns",
        "T1.primary_ohms",
        "HT1.emf",
        "mains",
    } <= set(p)
    assert {"V1a.strength", "V1a.mu", "V1a.gas", "V1a.heater_leak", "V1a.leak_PG", "V3.leak_SK"} <= set(p)
    assert p["R1"].unit == "ohm"
    assert p["C1"].unit == "F"
    assert p["R1"].sigma == pytest.approx(0.05, rel=0.02)  # 10 % is two standard deviations
    assert p["C20"].shift > 0.0  # an electrolytic of -20/+50 % sits above its mark
    assert p["V1a.strength"].section == "V1a"
    assert p["V1a.strength"].part == "V1"
    assert amplifier.sections["V3"] == ("V3", "")


def test_draws_spread_as_stated_and_follow_measured_values(amplifier):
    values = amplifier.draw(4000, np.random.default_rng(1), measured={"R2": (230e3, 500.0)})
    spread = np.log(values["R1"] / 1e6)
    assert spread.std() == pytest.approx(amplifier.parameters["R1"].sigma, rel=0.05)
    assert np.mean(np.abs(values["R1"] / 1e6 - 1.0) < 0.1) == pytest.approx(0.95, abs=0.02)
    assert values["R2"].mean() == pytest.approx(230e3, rel=1e-3)
    assert values["R2"].std() == pytest.approx(500.0, rel=0.05)
    correlation = np.corrcoef(np.log(values["V1a.strength"]), np.log(values["V1a.mu"]))[0, 1]
    assert correlation == pytest.approx(0.3, abs=0.06)
    assert "R1.leak" not in values


def test_a_meter_loads_only_the_point_it_reads(stage):
    chassis = stage.chassis
    heavy = ChassisModel(chassis, MeterLoad(resistance_ohm=100e3))
    none = ChassisModel(chassis, MeterLoad(resistance_ohm=np.inf))
    alone = heavy.predict({}, dc("V1.5"))[0, 0]
    together = heavy.predict({}, dc("V1.5", "V1.7", "HT"))[0]
    assert together[0] == pytest.approx(alone)
    assert alone < none.predict({}, dc("V1.5"))[0, 0] - 5.0
    assert together[1] == pytest.approx(none.predict({}, dc("V1.7"))[0, 0], rel=0.05)


def test_loaded_reading_is_the_chassis_with_a_resistor(stage):
    """The meter as a part of the chassis gives the same reading, also where it shifts the stage."""
    text = """
chassis: cathodyne
tubes: {V1: 12AX7}
rails: {HT: {volts: 250, source: 10}}
parts:
  C1: 100n IN V1.7
  R1: 1M V1.7 TAP
  R2: 1k5 V1.8 TAP
  R3: 56k TAP gnd
  R4: 56k HT V1.6
%s
signal: {input: IN, output: V1.6}
"""
    metered = ChassisModel(parse_chassis(text % ""))
    inside = ChassisModel(parse_chassis(text % "  R99: 10M V1.7 gnd"), MeterLoad(resistance_ohm=np.inf))
    # The rail's EMF is set for a healthy chassis without the meter.
    values = {"HT.emf": metered.nominal()["HT.emf"]}
    for samples in ({}, metered.draw(20, np.random.default_rng(5))):
        shown = metered.predict(samples, dc("V1.7"))[:, 0]
        same = {**values, **{k: v for k, v in samples.items() if k in inside.parameters}}
        assert shown == pytest.approx(inside.predict(same, dc("V1.7"))[:, 0], rel=1e-4, abs=1e-4)
    assert metered.points["V1.7"].delicate
    assert not metered.points["V1.6"].delicate


def test_probe_loading_is_the_chassis_with_probe_parts(stage):
    chassis = stage.chassis
    probe = ProbeLoad(resistance_ohm=1e6, capacitance_farad=100e-12)
    probed = ChassisModel(chassis, probe=probe)
    with open(chassis.path, encoding="utf-8") as file:
        text = file.read()
    extra = "".join(
        f"  R9{i}: 1M {point} gnd\n  C9{i}: 100p {point} gnd\n" for i, point in enumerate(("V1.6", "V1.5"))
    )
    # A probe passes no direct current to speak of here: it stands behind its own coupling in the comparison.
    inside = ChassisModel(
        parse_chassis(text.replace("signal:", extra.replace("R9", "R8") + "signal:")),
        probe=ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0),
    )
    rest = {"R80": np.full(1, 1e6), "R81": np.full(1, 1e6), "C90.leak": np.zeros(1), "C91.leak": np.zeros(1)}
    freq = np.array([20.0, 1e3, 2e4, 1e5])
    slopes = probed.supplied({}).rest
    moved = inside.supplied(rest).rest
    # The resistors shift the rest a little; compare where that is within a few parts in a hundred.
    assert moved.node_v("V1.5")[0] == pytest.approx(slopes.node_v("V1.5")[0], rel=0.1)
    ratio = probed.response({}, "V1.6", "V1.5", freq)[0] / inside.response(rest, "V1.6", "V1.5", freq)[0]
    assert np.abs(ratio) == pytest.approx(np.ones(4), rel=0.02)
    assert np.degrees(np.angle(ratio)) == pytest.approx(np.zeros(4), abs=0.5)


def test_quantities_agree_with_each_other(amplifier):
    wanted = [
        Measurand(point="V1.2>V1.1", quantity="gain", freq_hz=200.0),
        Measurand(point="V1.2>V1.1", quantity="phase_deg", freq_hz=200.0),
        Measurand(point="SPK", quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.001),
        Measurand(point="SPK", quantity="rms_v", freq_hz=1000.0, drive_pp_v=0.001),
        Measurand(point="HT1", quantity="ripple_pp_v"),
        Measurand(point="HT2", quantity="ripple_pp_v"),
    ]
    shown = amplifier.predict({}, wanted)[0]
    response = amplifier.response({}, "V1.2", "V1.1", np.array([200.0]))[0, 0]
    assert shown[0] == pytest.approx(abs(response))
    assert shown[1] == pytest.approx(np.degrees(np.angle(response)))
    assert shown[2] / shown[3] == pytest.approx(2.0 * np.sqrt(2.0))
    assert 1.0 < shown[4] < 20.0
    assert shown[5] < 0.2 * shown[4]


FAULTS = [
    # what is wrong, where it shows, which way; directions are common practice, no source
    ({"R2": np.inf}, "V1.5", "dc_v", "down"),
    ({"R3": 3000.0}, "V1.7", "dc_v", "up"),
    ({"V1.strength": 0.0}, "V1.5", "dc_v", "up"),
    ({"V1.strength": 0.4}, "V1.5", "dc_v", "up"),
    ({"V1.gas": 3e-6}, "V1.6", "dc_v", "up"),
    ({"V1.leak_PG": 1e-7}, "V1.6", "dc_v", "up"),
    ({"V1.leak_PK": 1.0}, "V1.5", "dc_v", "down"),
    ({"C2.leak": 1e-6}, "OUT", "dc_v", "up"),
    ({"HT.emf": 200.0}, "HT", "dc_v", "down"),
    ({"mains": 1.1}, "HT", "dc_v", "up"),
    ({"C2": 1e-12}, "OUT", "pp_v", "down"),
    ({"V1.heater_leak": 1e-4}, "V1.5", "ripple_pp_v", "up"),
]


@pytest.mark.parametrize(("values", "point", "quantity", "way"), FAULTS)
def test_faults_move_readings_the_right_way(stage, values, point, quantity, way):
    wanted = [Measurand(point=point, quantity=quantity, freq_hz=1000.0, drive_pp_v=0.1)]
    before, after = stage.predict({}, wanted)[0, 0], stage.predict(values, wanted)[0, 0]
    assert after > before * 1.01 + 1e-6 if way == "up" else after < before * 0.99 - 1e-6


def test_a_smaller_reservoir_ripples_more(amplifier):
    wanted = [Measurand(point="HT1", quantity="ripple_pp_v"), *dc("HT1")]
    shown = amplifier.predict({"C20": np.array([50e-6, 25e-6, 1e-9])}, wanted)
    assert shown[1, 0] / shown[0, 0] == pytest.approx(2.0, rel=0.15)
    # Without one the next capacitor holds through its resistor: volts fall, ripple is tens of volts.
    assert shown[2, 1] < 0.95 * shown[0, 1]
    assert shown[2, 0] > 3.0 * shown[0, 0]


def test_open_half_of_a_push_pull_primary(amplifier):
    shown = amplifier.predict({"T1.half_1_open_ohms": np.array([0.0, np.inf])}, dc("V3.3", "V4.3", "V3.4"))
    assert shown[1, 0] < 100.0
    assert shown[1, 1] > 400.0


def test_shorted_turns_load_the_plates(amplifier):
    values = {"T1.shorted_turns": np.array([0.0, 1e-2])}
    gain = amplifier.predict(values, [Measurand(point="V3.5>V3.3", quantity="gain", freq_hz=1000.0)])[:, 0]
    assert gain[1] < 0.5 * gain[0]


def test_what_is_outside_is_said(amplifier):
    with pytest.raises(OutsideModel, match=r"V1\.44") as caught:
        amplifier.predict({}, dc("V1.44"))
    assert "V1" in caught.value.hint
    with pytest.raises(OutsideModel, match="R222") as caught:
        amplifier.predict({"R222": 1.0}, dc("V1.1"))
    assert "R2" in caught.value.hint
    with pytest.raises(OutsideModel, match="drive"):
        amplifier.predict({}, [Measurand(point="SPK", quantity="pp_v")])
    with pytest.raises(OutsideModel, match="no parts"):
        ChassisModel(parse_chassis("chassis: x\ntubes: {V1: 12AX7}\n"))


def test_points_know_what_they_are(amplifier):
    p = amplifier.points
    assert p["V1.4"].heater
    assert p["V1.4"].node == ""
    assert p["V3.3"].function == "plate"
    assert p["V3.3"].danger
    assert p["V1.1"].section == "V1b"
    assert p["HT1"].function == "rail"
    assert p["SPK"].function == "output"
    assert p["V2.2"].delicate


def test_bands_hold_nineteen_healthy_chassis_of_twenty(stage):
    wanted = [*dc("V1.5", "V1.7"), Measurand(point="V1.6>V1.5", quantity="gain", freq_hz=1000.0)]
    limits = bands(stage, wanted)
    fresh = stage.predict(stage.draw(2000, np.random.default_rng(99)), wanted)
    for place, band in enumerate(limits):
        inside = np.mean((fresh[:, place] > band.low) & (fresh[:, place] < band.high))
        assert inside == pytest.approx(0.95, abs=0.03)
        assert band.low < band.expected < band.high


def test_the_same_is_expected_of_equal_tubes(amplifier):
    """Two tubes of one type in equal places were expected up to 7 % apart, by the chance of the draws."""
    one, other = bands(amplifier, dc("V3.8", "V4.8"), mains_v=230.0)
    assert one.expected == pytest.approx(other.expected, rel=0.015)


def test_bands_follow_the_rails_measured(amplifier):
    """A tenth more mains is not a dozen faults: the bands move with the rails that were read."""
    wanted = dc("HT2", "V1.1", "V2.6", "V3.4")
    usual = bands(amplifier, wanted)
    high = [Reading(point="HT1", quantity="dc_v", value=473.0, std=0.5),
            Reading(point="BIASHOT", quantity="dc_v", value=-57.2, std=0.1)]  # fmt: skip
    moved = bands(amplifier, wanted, high)
    truth = amplifier.predict({"mains": 1.1}, wanted)[0]
    for before, after, value in zip(usual, moved, truth, strict=True):
        assert after.low < value < after.high
        assert after.expected > before.expected
    assert moved[0].std < 3.5
    # The rail itself is judged by the drawing and the mains, not by its own reading.
    assert bands(amplifier, dc("HT1"), high) == bands(amplifier, dc("HT1"))
    assert moved[3].high - moved[3].low < usual[3].high - usual[3].low


def test_bands_follow_the_mains(stage):
    (low,), (high,) = (bands(stage, dc("HT"), mains_v=volts) for volts in (114.0, 126.0))
    assert high.expected / low.expected == pytest.approx(126.0 / 114.0, rel=5e-3)


def test_readings_that_are_not_trusted_do_not_set_the_supply(stage):
    bad = [Reading(point="HT", quantity="dc_v", value=1.0, quality="unsteady")]
    values = healthy_values(stage, 50, np.random.default_rng(0), bad)
    assert stage.predict(values, dc("HT"))[:, 0].mean() == pytest.approx(300.0, rel=0.05)


def test_a_missing_rail_reads_zero_everywhere_behind_it(stage):
    gone = [Reading(point="HT", quantity="dc_v", value=0.0, std=0.01)]
    (band,) = bands(stage, dc("V1.5"), gone)
    assert abs(band.expected) < 0.5


def test_samples_may_differ_where_direct_current_does_not_see_it(amplifier):
    """Capacitors alone vary: one rest, three responses."""
    values = {"C2": np.array([25e-6, 5e-6, 1e-9])}
    assert amplifier.operating_point(values).culprit.size == 1
    gain = np.abs(amplifier.response(values, "V1.2", "V1.1", np.array([20.0])))
    assert gain.shape == (3, 1)
    assert np.all(np.diff(gain[:, 0]) < 0.0)
    wanted = [Measurand(point="HT1", quantity="ripple_pp_v"), *dc("V1.1")]
    assert amplifier.predict(values, wanted).shape == (3, 2)
    thd = amplifier.predict(values, [Measurand(point="SPK", quantity="thd_pct", drive_pp_v=0.002)])
    assert np.isfinite(thd).all()


@pytest.mark.parametrize("name", ["harbour-twenty", "quayside-five", "ropewalk-line"])
@pytest.mark.parametrize("values", [{"HT1.emf": 0.0}, {"mains": 0.0}, {"HT1.source": np.inf}])
def test_a_supply_that_is_gone_leaves_nothing(name, values):
    model = ChassisModel(load_chassis(name))
    wanted = [*dc("HT1"), Measurand(point="HT1", quantity="ripple_pp_v"),
              Measurand(point=model.chassis.signal.outputs[0], quantity="pp_v", drive_pp_v=0.001)]  # fmt: skip
    assert model.predict(values, wanted)[0] == pytest.approx([0.0, 0.0, 0.0], abs=0.05)


def test_extreme_parts_stay_finite(stage):
    wanted = [*dc("V1.5", "V1.7"), Measurand(point="V1.5", quantity="ripple_pp_v"),
              Measurand(point="V1.6>OUT", quantity="gain", freq_hz=50.0)]  # fmt: skip
    for key, parameter in stage.parameters.items():
        if parameter.kind in ("resistor", "capacitor") and "." not in key:
            top = np.inf if parameter.kind == "resistor" else 1.0
            assert np.isfinite(stage.predict({key: np.array([0.0, 1e-15, top])}, wanted)).all(), key


@pytest.mark.parametrize("kind", ["rectified: full-wave", "ripple_pp: 4"])
def test_ripple_of_a_negative_rail_is_the_mirror_image_of_a_positive_one(kind):
    """A bridge with a centre tap charges both reservoirs at once: half way between them nothing is left."""
    model = ChassisModel(
        parse_chassis(f"""
chassis: two supplies that are mirror images
tubes: {{V1: 6C4}}
rails: {{HT: {{volts: 150, source: 100, {kind}}}, NEG: {{volts: -150, source: 100, {kind}}}}}
parts:
  C1: 47u HT gnd
  C2: 47u NEG gnd
  R1: 3k HT gnd
  R2: 3k NEG gnd
  R3: 100k HT MID
  R4: 100k MID NEG
""")
    )
    hum = [Measurand(point=point, quantity="ripple_pp_v") for point in ("HT", "NEG", "MID")]
    high, low, between = model.predict({}, hum)[0]
    assert high == pytest.approx(low, rel=0.01)
    assert between < 0.01 * high
    values = {"R3": np.array([80e3])}
    supplied = model.supplied(values)
    moves = {"R3": np.array([1e3]), "HT.emf": np.array([1.5])}
    slopes = slopes_of(model, values, moves, hum, supplied)[1][0, 2]
    for place, (key, move) in enumerate(moves.items()):
        there = model.table(values)[key]
        up, down = (model.predict({**values, key: there + s * 0.1 * move}, hum)[0, 2] for s in (1, -1))
        assert slopes[place] == pytest.approx((up - down) / 0.2, rel=0.03, abs=1e-6), key


def test_a_cathode_leaks_to_where_its_heater_is_wired():
    """Heaters of followers are lifted by a divider: a cathode shorted to its heater stands there, not at 0 V."""
    model = ChassisModel(
        parse_chassis("""
chassis: follower with its heater lifted
tubes: {V1: 12AX7}
rails: {HT: {volts: 300, source: 100}}
parts:
  R1: 100k HT V1.1
  R2: 1M V1.2 gnd
  R3: 1k5 V1.3 gnd
  R4: 100k V1.8 gnd
  R5: 39k HT LIFT
  R6: 10k LIFT gnd
  C1: 10u LIFT gnd
joined: [[V1.1, V1.7], [V1.6, HT], [V1.9, LIFT]]
""")
    )
    values = {"V1a.heater_leak": np.array([1.0])}
    cathode, lifted = model.predict(values, dc("V1.8", "LIFT"))[0]
    assert cathode == pytest.approx(lifted, abs=0.1)
    assert lifted > 50.0
    # What hums at the cathode comes from the heater: with the capacitor that holds that open, it hums too.
    hum = [Measurand(point=point, quantity="ripple_pp_v") for point in ("V1.8", "LIFT")]
    values = {"V1a.heater_leak": np.array([1e-5]), "C1": np.array([1e-12])}
    held = model.predict({**values, "C1": np.array([10e-6])}, hum)[0, 1]
    assert model.predict(values, hum)[0, 1] > 10.0 * held
    supplied = model.supplied(values)
    moves = {"V1a.heater_leak": np.array([1e-6])}
    slopes = slopes_of(model, values, moves, hum, supplied)[1][0, :, 0]
    up, down = (model.predict({**values, "V1a.heater_leak": np.array([v])}, hum)[0] for v in (1.01e-5, 0.99e-5))
    assert slopes == pytest.approx((up - down) / 0.2, rel=0.03)


BIAS = """
chassis: a bias rail that a resistor loads from the high tension
tubes: {V1: 12AX7}
rails: {HT1: {volts: 250, source: 1k}, B: {volts: -20, source: 10k, rectified: half-wave}}
parts:
  R1: 1M    V1.2  gnd
  R2: 1k5   V1.3  gnd
  R3: 100k  HT1   V1.1
  C9: 10u   B     gnd
  R9: 220k  B     HT1
"""


def test_a_rectified_rail_shows_its_volts_whatever_it_is_loaded_with():
    """The load draws 1.2 mA at any volts of the rail, 12 V in its source: it came to rest at 246 V instead."""
    model = ChassisModel(parse_chassis(BIAS))
    assert float(model.operating_point({}).node_v("B")[0]) == pytest.approx(-20.0, abs=0.001)


def test_a_rectified_rail_that_its_parts_feed_is_refused():
    """Ohm's law: 150 V of the high tension on 1 kohm. A rectifier lets none of it back, and 399 V were shown."""
    fed = BIAS.replace("-20, source: 10k", "100, source: 1k").replace("220k  B", "1k B")
    with pytest.raises(OutsideModel, match=r"rails\.B\.volts: at 100 V its parts feed the rail 150 mA, and"):
        ChassisModel(parse_chassis(fed))
