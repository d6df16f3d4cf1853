"""Every part gets the faults of its class, severity from least to most."""

import numpy as np

from analysis.chassis import ChassisModel, load_chassis
from analysis.faults import faults_of


def test_every_part_has_faults_and_cells_are_ordered():
    chassis = load_chassis("quayside-five")
    model = ChassisModel(chassis)
    faults = faults_of(chassis, model.parameters)
    assert set(chassis.parts) <= {f.part for f in faults}
    assert set(chassis.rails) <= {f.part for f in faults}
    for fault in faults:
        assert abs(sum(fault.chances) - 1) < 1e-9
        if fault.fault in ("high", "low") and fault.shown == "ohm":
            away = np.abs(np.log(np.array(fault.values) / model.parameters[fault.key].nominal))
            assert (np.diff(away) > 0).all()
