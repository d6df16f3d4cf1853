"""Beyond a null: the halves of a push-pull pair cancel at their common cathode, and its amplitude has no sign."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.changes import Change
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.inference.refining import refine
from analysis.inference.variables import from_variable
from analysis.suspects.crossing import FARTHEST, NEAREST, beyond_nulls

CATHODE = Measurand(point="V2.8", quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.1)
WANTED = [Measurand(point=p, quantity="dc_v") for p in ("HT1", "V2.8", "V2.3", "V3.3")]
WANTED += [
    Measurand(point=p, quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.1) for p in ("V2.3", "V3.3", "V2.5", "V3.5")
]


@pytest.fixture(scope="module")
def panel():
    return Panel(ChassisModel(load_chassis("lantern-twelve")), [*WANTED, CATHODE])


def specimen(panel, halves):
    """Readings without noise of a chassis whose output tubes have these strengths, and where that is."""
    place = np.zeros((1, len(panel.unknowns)))
    for section, z in zip(("V2", "V3"), halves, strict=True):
        place[0, panel.unknown_at[f"{section}.strength"]] = z
    columns = np.array([panel.columns[m] for m in panel.measurands])
    shown = panel.predict([Change()], place, columns)[0]
    readings = [
        Reading(point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, drive_pp_v=m.drive_pp_v,
                value=float(from_variable(m.quantity, v)))
        for m, v in zip(panel.measurands, shown, strict=True) if m in (*WANTED, CATHODE)
    ]  # fmt: skip
    return collect(panel, readings), place[0]


def at(panel, data, place):
    """The healthy chassis at one place, not followed."""
    return refine(panel, data, [Change()], steps=0, starts={Change(): place}, within=0.0)[Change()]


def test_the_place_beyond_shows_the_same_amplitude_and_half_way_there_is_none(panel):
    data, place = specimen(panel, (1.0, -1.0))
    row = [r.measurand for r in data.readings].index(CATHODE)
    here = at(panel, data, place)
    ways = [beyond - place for beyond in beyond_nulls(panel, data, here)]
    assert all(NEAREST <= np.linalg.norm(way) <= FARTHEST for way in ways)

    def amplitude(there):
        return float(from_variable("pp_v", at(panel, data, there).predicted[row]))

    shown = [[amplitude(place + share * way) for share in (0.0, 0.5, 1.0)] for way in ways]
    nearest = min(shown, key=lambda three: three[1])
    assert nearest[1] < 0.25 * nearest[0]
    assert nearest[2] == pytest.approx(nearest[0], rel=0.25)


def test_the_true_half_is_found_from_the_wrong_side(panel):
    """Steps from the other side run into the null and end where the weaker half is taken for the stronger."""
    data, truth = specimen(panel, (1.5, -1.5))
    _, wrong = specimen(panel, (-1.5, 1.5))
    stuck = refine(panel, data, [Change()], starts={Change(): wrong})[Change()]
    true = refine(panel, data, [Change()], starts={Change(): truth})[Change()]
    assert stuck.height < true.height - 1.0
    ends = [
        refine(panel, data, [Change()], starts={Change(): place})[Change()].height
        for place in beyond_nulls(panel, data, stuck)
    ]
    assert max(ends) == pytest.approx(true.height, abs=0.1)


def test_volts_and_phases_have_no_null(panel):
    data, place = specimen(panel, (1.0, -1.0))
    direct = collect(panel, [r for r in data.readings if r.quantity == "dc_v"])
    assert beyond_nulls(panel, direct, at(panel, direct, place)) == []
