"""Feedback that adds to the signal is told: the turned winding is the mistake that no voltage shows."""

import json

import pytest

from acquisition.configs import config_names, find_config
from acquisition.records import Measurand
from analysis.app.cli import main
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.chassis.feedback import positive_feedback
from tests.outside.topologies import TOPOLOGIES

AMPLIFIER = find_config("chassis", "harbour-twenty").read_text("utf-8")
TURNED = AMPLIFIER.replace("secondary: [SPK, gnd]", "secondary: [gnd, SPK]")


def gain_of(text):
    whole = [Measurand(point="V1.2>SPK", quantity="gain", freq_hz=1000.0)]
    return float(ChassisModel(parse_chassis(text)).predict({}, whole)[0, 0])


@pytest.mark.parametrize("name", config_names("chassis"))
def test_no_shipped_chassis_has_any(name):
    assert positive_feedback(ChassisModel(load_chassis(name))) < 0.02


@pytest.mark.parametrize("name", sorted(TOPOLOGIES))
def test_no_plain_topology_has_any(name):
    assert positive_feedback(ChassisModel(parse_chassis(TOPOLOGIES[name]))) < 0.02


def test_the_share_is_that_of_the_classic_formula():
    """Black 1934 (from memory): feedback changes the gain by 1/(1 - mu beta), whatever the sign."""
    returned = positive_feedback(ChassisModel(parse_chassis(TURNED)))
    without = gain_of(AMPLIFIER.replace("R13: 100k ", "R13: 10G "))
    assert 0.5 < returned < 1.0
    assert gain_of(TURNED) / without == pytest.approx(1.0 / (1.0 - returned), rel=0.05)
    assert gain_of(AMPLIFIER) / without == pytest.approx(1.0 / (1.0 + returned), rel=0.05)


@pytest.mark.parametrize(("ohm", "ends"), [("100k", "and raises the gain"), ("22k", "and it would oscillate")])
def test_expect_asks_for_the_winding(tmp_path, capsys, ohm, ends):
    path = tmp_path / "a.yaml"
    path.write_text(TURNED.replace("R13: 100k ", f"R13: {ohm} "))
    assert main(["expect", str(path), "--json"]) == 0
    (warning,) = [w for w in json.loads(capsys.readouterr().out)["warnings"] if w.startswith("feedback")]
    assert f"in phase {ends}: is a winding of T1 the wrong way round (first points are in phase)?" in warning
    path.write_text(AMPLIFIER)
    main(["expect", str(path), "--json"])
    assert not [w for w in json.loads(capsys.readouterr().out)["warnings"] if w.startswith("feedback")]


MULTIVIBRATOR = """
chassis: two stages in a ring
tubes: {V1: 12AU7}
rails: {HT1: {volts: 250, source: 100}}
parts:
  R1: 47k  HT1  V1.1
  R2: 47k  HT1  V1.6
  R3: 1k   V1.3 gnd
  R4: 1k   V1.8 gnd
  R5: 470k V1.2 gnd
  R6: 470k V1.7 gnd
  C1: 10n  V1.1 V1.7
  C2: 10n  V1.6 V1.2
"""


def test_a_multivibrator_is_one_and_a_ring_of_three_stages_is_none():
    """Two stages that invert add up to one that does not; three do not (common practice)."""
    assert positive_feedback(ChassisModel(parse_chassis(MULTIVIBRATOR))) > 10.0
    three = MULTIVIBRATOR.replace("12AU7}", "12AU7, V2: 6C4}").replace(
        "C2: 10n  V1.6 V1.2", "C2: 10n  V1.6 V2.6\n  C3: 10n  V2.5 V1.2\n  R7: 47k HT1 V2.5\n  R8: 1k V2.7 gnd\n"
        "  R9: 470k V2.6 gnd"
    )  # fmt: skip
    assert positive_feedback(ChassisModel(parse_chassis(three))) < 1e-6
