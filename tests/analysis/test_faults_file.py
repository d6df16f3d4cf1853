"""Every part gets the faults of its class, severity from least to most."""

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.faults import class_of, faults_of
from analysis.suspects import Diagnoser


@pytest.mark.parametrize("name", config_names("chassis"))
def test_every_part_has_faults_and_cells_are_ordered(name):
    chassis = load_chassis(name)
    model = ChassisModel(chassis)
    faults = faults_of(chassis, model.parameters)
    assert set(chassis.parts) <= {f.part for f in faults}
    assert set(chassis.rails) <= {f.part for f in faults}
    for fault in faults:
        assert abs(sum(fault.chances) - 1) < 1e-9
        if fault.fault in ("high", "low") and fault.shown == "ohm":
            away = np.abs(np.log(np.array(fault.values) / model.parameters[fault.key].nominal))
            assert (np.diff(away) > 0).all()


CHOKE = """
chassis: a stage behind a choke
tubes: {V1: 12AU7}
rails: {HT1: {volts: 280, source: 200, rectified: full-wave}}
parts:
  C1: 16u HT1 gnd
  R5: 33k HT1 gnd
  L1: {inductor: 10, nodes: [HT1, HT2]%s}
  C2: 16u HT2 gnd
  R1: 1M V1.7 gnd
  R2: 47k HT2 V1.6
  R3: 1k5 V1.8 gnd
  R4: 22k HT2 gnd
"""


@pytest.mark.parametrize("ohms", ["", ", ohms: 250"])
@pytest.mark.parametrize(("values", "fault"), [
    ({"L1.ohms": 1e7}, "open"), ({"L1.ohms": 3e4}, "open"), ({"L1": 0.2}, "shorted turns"),
])  # fmt: skip
def test_a_choke_is_a_suspect_like_any_other_part(ohms, values, fault):
    """Its reservoir was called shorted with the volts of the rail across it."""
    model = ChassisModel(parse_chassis(CHOKE % ohms))
    wanted = [Measurand(point=point, quantity="dc_v") for point in ("HT1", "HT2", "V1.6", "V1.8")]
    wanted += [Measurand(point=point, quantity="ripple_pp_v") for point in ("HT1", "HT2")]
    shown = model.predict({key: np.array([value]) for key, value in values.items()}, wanted)[0]
    readings = [
        Reading(point=m.point, quantity=m.quantity, value=float(v)) for m, v in zip(wanted, shown, strict=True)
    ]
    found = Diagnoser(model, wanted).diagnose(readings).suspects
    assert ("L1", fault) in {(one.part, one.fault) for one in found[:2]}
    if fault == "open":
        assert (found[0].part, found[0].fault) == ("L1", fault)


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        ("1u V1.7 gnd", "electrolytic"), ("1u V1.7 gnd 10%", "film"), ("22u V1.7 gnd 20%", "electrolytic"),
        ("22n V1.7 gnd -10% +20%", "film"), ("2u2 V1.7 gnd -20% +50%", "electrolytic"),
    ],
)  # fmt: skip
def test_a_capacitor_is_of_one_kind_for_its_faults_and_for_its_losses(value, kind):
    """A film capacitor of 1 uF does not leak and has no series resistance as an electrolytic does, and a small one
    is none whatever its tolerance (common practice, no source)."""
    text = (
        f"chassis: one\ntubes: {{V1: 12AU7}}\nrails: {{HT: {{volts: 250, source: 100}}}}\nparts:\n  C1: {value}\n"
    )
    text += "  R1: 1M V1.7 gnd\n  R2: 47k HT V1.6\n  R3: 1k V1.8 gnd\n"
    chassis = parse_chassis(text)
    parameters = ChassisModel(chassis).parameters
    assert class_of(parameters["C1"], chassis) == kind
    assert (parameters["C1.esr"].nominal > 0.0) == (kind == "electrolytic")
    assert {f.part_class for f in faults_of(chassis, parameters) if f.part == "C1"} == {kind}
