"""A chassis of two channels: each stage is driven at the input of its own."""

import numpy as np
import pytest

from acquisition.errors import ConfigError
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, parse_chassis
from analysis.chassis.driving import distortions
from analysis.chassis.expecting import expect
from analysis.chassis.sensitivities import slopes_of
from analysis.suspects import Diagnoser

PARTS = """
  C{n}1: 100n   IN{n}  V{n}.2
  R{n}1: 470k   V{n}.2 gnd
  R{n}2: 1k5    V{n}.3 gnd
  R{n}3: 47k    HT2    V{n}.1
  C{n}2: 1u     V{n}.1 OUT{n}
  R{n}4: 220k   OUT{n} gnd
  R{n}5: 470k   IN{n}  gnd
"""
TEXT = """
chassis: Twin jetty, stereo line stage
mains: {{volts: 230, hertz: 50}}
tubes: {{V1: 12AU7, V2: 12AU7}}
rails: {{HT1: {{volts: 280, source: 500, ripple_pp: 2}}}}
parts:{parts}
  R7: 4k7    HT1    HT2
  C7: 22u    HT2    gnd
signal: {{input: {inputs}, output: {outputs}, stages: {{left: [V1.2, V1.1], right: [V2.2, V2.1]}}}}
"""


def chassis(inputs="[IN1, IN2]", outputs="[OUT1, OUT2]"):
    return parse_chassis(TEXT.format(parts=PARTS.format(n=1) + PARTS.format(n=2), inputs=inputs, outputs=outputs))


@pytest.fixture(scope="module")
def model():
    return ChassisModel(chassis())


def signal_at(points, quantity="gain", **more):
    return [Measurand(point=point, quantity=quantity, freq_hz=1000.0, **more) for point in points]


def test_both_channels_amplify_alike(model):
    """Equal parts and tubes, equal gains: the right channel is not what the left one's input sends across."""
    left, right, whole, other = model.predict({}, signal_at(["V1.2>V1.1", "V2.2>V2.1", "IN1>OUT1", "IN2>OUT2"]))[0]
    assert left == pytest.approx(right, rel=1e-9)
    assert whole == pytest.approx(other, rel=1e-9)
    assert 5.0 < left < 15.0
    volts = model.predict({}, signal_at(["V1.1", "V2.1", "OUT1", "OUT2"], "pp_v", drive_pp_v=0.1))[0]
    assert volts[::2] == pytest.approx(volts[1::2], rel=1e-9)


def test_a_reading_belongs_to_the_channel_it_hears(model):
    for points, source in (
        (["V1.2", "V1.1"], "IN1"),
        (["V2.2"], "IN2"),
        (["OUT2"], "IN2"),
        (["gnd", "V2.1"], "IN2"),
    ):
        assert model.input_of(points) == source
    assert model.channels.heard("IN1", model.node("V2.2")) < 1e-3


def test_slopes_distortion_and_the_way_from_the_jack_follow_the_channel(model):
    wanted = [*signal_at(["V2.2>V2.1"]), *signal_at(["OUT2"], "pp_v", drive_pp_v=0.1)]
    moves = {"R23": np.array([47e3]), "R13": np.array([47e3])}
    shown, slopes = slopes_of(model, {}, moves, wanted, model.supplied({}))
    np.testing.assert_allclose(shown[0], model.predict({}, wanted)[0], rtol=1e-6)
    assert (np.abs(slopes[0, :, 0]) > 30 * np.abs(slopes[0, :, 1])).all()
    alike = [float(distortions(model, {}, [point], [2.0])[0, 0, 0]) for point in ("OUT1", "OUT2")]
    assert alike[0] == pytest.approx(alike[1], rel=1e-3)
    assert abs(model.response({}, "IN2", "OUT2", np.array([1000.0]))[0, 0]) > 5.0


def test_a_fault_of_the_second_channel_is_found_there(model):
    wanted = [Measurand(point=p, quantity="dc_v") for p in ("HT2", "V1.1", "V1.3", "V2.1", "V2.3")]
    wanted += signal_at(["V1.2>V1.1", "V2.2>V2.1", "IN1>OUT1", "IN2>OUT2"])
    values = model.predict({"C22": np.array([1e-11])}, wanted)[0]
    readings = [
        Reading(
            point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v), std=abs(float(v)) * 0.01 + 0.002
        )
        for m, v in zip(wanted, values, strict=True)
    ]
    first = Diagnoser(model, wanted).diagnose(readings).suspects[0]
    assert (first.part, first.fault) == ("C22", "open")


def test_a_channel_whose_input_is_not_named_is_told():
    assert expect(ChassisModel(chassis())).warnings == ()
    (told,) = expect(ChassisModel(chassis("IN1", "OUT1"))).warnings
    assert "stage right: next to nothing of IN1 reaches V2.2" in told


def test_a_stage_from_one_channel_to_the_other_is_asked_about():
    """One digit of a socket mistyped: its gain would be one of crosstalk, and look like a dead stage."""
    crossed = TEXT.replace("right: [V2.2, V2.1]", "right: [V1.2, V2.1]")
    parts = PARTS.format(n=1) + PARTS.format(n=2)
    text = crossed.format(parts=parts, inputs="[IN1, IN2]", outputs="[OUT1, OUT2]")
    (told,) = expect(ChassisModel(parse_chassis(text)), count=20).warnings
    assert told == "stage right: V1.2 hears IN1, and V2.1 hears IN2: are its two points of one channel?"


def test_every_input_has_its_output():
    with pytest.raises(ConfigError, match=r"signal\.output: expected one for each of 2 inputs, got 1"):
        chassis(outputs="OUT1")
    with pytest.raises(ConfigError, match=r"signal\.input: no part reaches a point IN3"):
        chassis("[IN1, IN3]")
