"""Distortion costs seconds a look: a comparison works it out no oftener than needed, and answers the same."""

import numpy as np
import pytest

from acquisition.records import Event, Measurand, Pass, Reading
from analysis.chassis import ChassisModel, bands, driving, load_chassis
from analysis.chassis.bands import DISTORTED
from analysis.compare import compare, explanation
from analysis.faults import faults_of

DC = [Measurand(point=point, quantity="dc_v") for point in ("HT", "V1.5", "V1.7")]
GENTLE, HARD = (
    Measurand(point="OUT", quantity="thd_pct", freq_hz=1000.0, drive_pp_v=drive_pp_v) for drive_pp_v in (4.0, 12.0)
)
WANTED = [*DC, GENTLE, HARD]


@pytest.fixture(scope="module")
def model():
    return ChassisModel(load_chassis("bench-6c4"))


class Counting:
    """A chassis model that counts the samples whose distortion it is asked for."""

    def __init__(self, model):
        self._model, self.chassis, self.parameters, self.draw = model, model.chassis, model.parameters, model.draw
        self.distorted, self.asked = 0, []

    def predict(self, values, measurands):
        shown = self._model.predict(values, measurands)
        if any(m.quantity == "thd_pct" for m in measurands):
            self.distorted += len(shown)
            self.asked.append((tuple(measurands), tuple((k, v.tobytes()) for k, v in sorted(values.items()))))
        return shown


def passes_of(model, times):
    """R3, the cathode resistor, at so many times its value, and then as drawn."""
    found = []
    for name, ohm in (
        ("as-found", times * model.parameters["R3"].nominal),
        ("after", model.parameters["R3"].nominal),
    ):
        values = model.predict({"R3": np.full(1, ohm)}, WANTED)[0]
        readings = tuple(
            Reading(point=m.point, quantity=m.quantity, value=float(v), std=0.004 * abs(float(v)),
                    freq_hz=m.freq_hz, drive_pp_v=m.drive_pp_v, instrument="i", range_v=300.0)
            for m, v in zip(WANTED, values, strict=True)
        )  # fmt: skip
        events = (Event(kind="part_replaced", subject="R3"),) if name == "after" else ()
        found.append(Pass(name=name, started_utc="", mains_v=230.0, readings=readings, events=events))
    return found


def test_the_fault_that_fits_is_that_of_all_values_worked_out(model, monkeypatch):
    """Distortion is left out where it could not make a fit the best; at once for all values nothing is left out."""
    faults = faults_of(model.chassis, model.parameters)
    told = []
    for at_once in (explanation.AT_ONCE, 10_000):
        monkeypatch.setattr(explanation, "AT_ONCE", at_once)
        counting = Counting(model)
        (found,) = compare(*passes_of(model, 2.2), model=counting, faults=faults).faults
        told.append((found, counting.distorted))
    assert told[0][0] == told[1][0]
    assert told[0][0][0].key == "R3"
    assert told[0][1] < told[1][1]


def test_nothing_is_worked_out_twice(model):
    """A control that may have been turned has the same chassis looked at again and again."""
    five = ChassisModel(load_chassis("quayside-five"))
    counting = Counting(five)
    points = [Measurand(point=point, quantity="dc_v") for point in ("HT1", "V1.6", "V1.8", "V2.3")]
    wanted = [*points, Measurand(point="V1.6", quantity="thd_pct", freq_hz=1000.0, drive_pp_v=0.002)]
    found = []
    for name, change in (("as-found", {"R4": np.full(1, 3e3)}), ("after", {"R5": np.full(1, 2e5)})):
        shown = five.predict(change, wanted)[0]
        readings = tuple(
            Reading(point=m.point, quantity=m.quantity, value=float(v), std=0.004 * abs(float(v)),
                    freq_hz=m.freq_hz, drive_pp_v=m.drive_pp_v)
            for m, v in zip(wanted, shown, strict=True)
        )  # fmt: skip
        events = (Event(kind="part_replaced", subject="R4"),) if name == "after" else ()
        found.append(Pass(name=name, started_utc="", mains_v=230.0, readings=readings, events=events))
    faults = [fault for fault in faults_of(five.chassis, five.parameters) if fault.part in ("R4", "R5")]
    compare(*found, model=counting, faults=faults)
    assert len(counting.asked) > 3
    assert len(set(counting.asked)) == len(counting.asked)


def test_the_drives_of_a_run_are_one_solution_and_tell_the_same_as_each_alone(model, monkeypatch):
    values = model.draw(6, np.random.default_rng(2))
    alone = np.concatenate([model.predict(values, [one]) for one in (GENTLE, HARD)], axis=1)
    rests = []
    balance = driving._balance
    monkeypatch.setattr(driving, "_balance", lambda *given: rests.append(given[-1]) or balance(*given))
    together = model.predict(values, [HARD, GENTLE])
    assert np.isfinite(alone).all()
    np.testing.assert_allclose(together[:, ::-1], alone, rtol=1e-4)
    assert len(rests) == len(set(rests))  # one network for each number of instants, whatever the drives


def test_bands_of_distortion_ask_fewer_samples_and_all_others_as_many_as_before(model):
    counting = Counting(model)
    for name in ("node", "circuit", "operating_point"):
        setattr(counting, name, getattr(model, name))
    *others, bent = bands(counting, [*DC, GENTLE])
    assert counting.distorted == DISTORTED
    assert np.isfinite([bent.low, bent.expected, bent.high]).all()
    assert others == bands(model, DC)
