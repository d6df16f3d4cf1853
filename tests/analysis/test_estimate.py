"""Values of named parts in circuit: what the readings tell, and what they do not."""

import numpy as np
import pytest

from acquisition.errors import ConfigError
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.estimate import FittedValue, estimate, keys_of

POINTS = ("HT1", "HT2", "V1.1", "V1.3")


@pytest.fixture(scope="module")
def fitted():
    """R2, the first cathode resistor, and R8, across the output, of DC around the first tube; R2 is 2.2 k."""
    model = ChassisModel(load_chassis("gangway-two"))
    wanted = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    volts = model.predict({"R2": np.array([2.2e3])}, wanted)[0]
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=0.003 * float(v))
        for m, v in zip(wanted, volts, strict=True)
    ]
    return {value.part: value for value in estimate(model, readings, ["R2", "R8"])}


def test_a_part_that_the_readings_pass_by_is_not_told(fitted):
    assert not fitted["R8"].told
    assert fitted["R8"].text == "R8: these readings do not tell"


def test_a_part_that_they_touch_is_told(fitted):
    assert fitted["R2"].told
    assert fitted["R2"].low < 2.2e3 < fitted["R2"].high < 2.0 * 2.2e3
    assert "ohm" in fitted["R2"].text


def test_why_a_part_is_not_fitted():
    """A lifted capacitor and a tube were both said not to be there."""
    model = ChassisModel(load_chassis("gangway-two").without(["C1"]))
    with pytest.raises(ConfigError) as caught:
        keys_of(model, ["C1", "V1", "C99", "R2"])
    assert [problem.text for problem in caught.value.problems] == [
        "C1 is out of circuit, so no reading of the pass tells of it",
        "V1 has no single value to fit",
        "no such part 'C99'",
    ]


def test_in_words():
    facts = {"part": "C2", "what": "leak", "value": 3e6, "low": 1e6, "high": 9e6, "unit": "ohm", "tied": ()}
    assert FittedValue(told=True, **facts).text == "C2 leak: 3 Mohm, 1 Mohm to 9 Mohm"
    assert FittedValue(told=False, **facts).text == "C2 leak: these readings do not tell"
