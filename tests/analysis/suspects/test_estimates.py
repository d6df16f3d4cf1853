"""What the suspect part would measure: an interval, or one side of it where there is no end to be found."""

import numpy as np
import pytest

from acquisition.records import QUANTITIES, Measurand, Reading
from analysis.chassis import ChassisModel, WorstCase, load_chassis, parse_chassis
from analysis.suspects import Diagnoser, Estimate
from analysis.suspects.candidates import is_allowed
from analysis.suspects.like_stages import compare_stages

POINTS = ("HT1", "HT2", "V1.1", "V1.2", "V1.3", "V1.7", "V1.8", "OUT")
WANTED = [Measurand(point=point, quantity="dc_v") for point in POINTS]


@pytest.fixture(scope="module")
def diagnoser():
    return Diagnoser(ChassisModel(load_chassis("gangway-two")), WANTED, dc_only=True)


def first_of(diagnoser, values):
    table = diagnoser.model.predict({key: np.array([value]) for key, value in values.items()}, WANTED)[0]
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=float(np.hypot(0.003 * v, 0.002)))
        for m, v in zip(WANTED, table, strict=True)
    ]
    return diagnoser.diagnose(readings).suspects


@pytest.mark.parametrize(
    ("key", "value", "part", "side", "ohm"),
    [("R2", 1e10, "R2", "above", 1e10), ("C3.leak", 5.0, "C3", "below", 0.2)],
)
def test_an_open_or_a_short_has_one_limit(diagnoser, key, value, part, side, ohm):
    found = first_of(diagnoser, {key: value})
    estimates = [s.estimate for s in found if s.part == part and s.estimate and s.estimate.bound]
    assert estimates, [(s.part, s.fault, s.probability) for s in found]
    assert estimates[0].bound == side
    assert estimates[0].text.startswith(side)
    assert estimates[0].low <= ohm <= estimates[0].high


def test_a_drifted_resistor_has_two_limits(diagnoser):
    (estimate, *_) = [s.estimate for s in first_of(diagnoser, {"R2": 2.2e3}) if s.part == "R2"]
    assert estimate.bound == ""
    assert estimate.low < 2.2e3 < estimate.high


def test_an_interval_lies_on_the_side_that_the_fault_names(diagnoser):
    found = first_of(diagnoser, {"HT1.emf": 1.06 * diagnoser.model.parameters["HT1.emf"].nominal})
    seen = set()
    for suspect in found:
        estimate = suspect.estimate
        if estimate is None or suspect.fault not in ("high", "low", "weak"):
            continue
        part = diagnoser.model.parameters.get(suspect.part)
        normal = 1.0 if estimate.unit == "x" else part.nominal
        if suspect.fault == "high":
            assert normal <= estimate.low <= estimate.value <= estimate.high, suspect
        else:
            assert estimate.low <= estimate.value <= estimate.high <= normal, suspect
        seen.add(suspect.fault)
    assert seen == {"high", "low", "weak"}


@pytest.mark.parametrize("seed", [3, 5, 7])
def test_a_filter_capacitor_low_or_open_is_one_scale(seed):
    """Whatever the word for it, the interval holds what it measures, from DC and ripple of a drawn chassis."""
    points = ("HT1", "HT2", "HT3", "V1.1", "V1.6", "V2.4", "V2.8", "SPK")
    wanted = [Measurand(point=p, quantity=q) for q in ("dc_v", "ripple_pp_v") for p in points]
    model = ChassisModel(load_chassis("lantern-twelve"))
    farad = 4e-4 * model.parameters["C21"].nominal
    values = model.draw(1, np.random.default_rng(seed)) | {"C21": np.array([farad])}
    readings = [
        Reading(point=m.point, quantity=m.quantity, value=float(v), std=float(np.hypot(0.01 * v, 0.002)))
        for m, v in zip(wanted, model.predict(values, wanted)[0], strict=True)
    ]
    diagnosis = Diagnoser(model, wanted).diagnose(readings)
    found = [s for s in diagnosis.suspects if s.fault in ("low", "open") and s.part == "C21"]
    assert len(found) == 2
    assert sum(s.probability for s in found) > 0.9
    assert found[0].estimate == found[1].estimate
    assert found[0].estimate.bound == "below"
    assert farad < found[0].estimate.high < 0.2 * model.parameters["C21"].nominal


def test_text():
    assert Estimate(value=1e10, low=3e8, high=3e10, unit="ohm", bound="above").text == "above 300 Mohm"
    assert Estimate(value=2.0, low=0.4, high=12.0, unit="ohm", bound="below").text == "below 12 ohm"
    assert Estimate(value=0.5, low=0.4, high=0.61, unit="x").text == "0.5 x normal, 0.4 to 0.61"


def test_meter_and_probe_have_ratings_of_their_own(diagnoser):
    worst = WorstCase(diagnoser.model.chassis, diagnoser.model)
    volts, ripple = (Measurand(point="HT1", quantity=q) for q in ("dc_v", "ripple_pp_v"))
    assert is_allowed(worst, volts, 1000.0, 300.0)
    assert not is_allowed(worst, ripple, 1000.0, 300.0)
    assert not is_allowed(worst, volts, 300.0, 1000.0)
    assert is_allowed(worst, ripple, None, None)


def test_nothing_beyond_a_rating_is_advised_nor_named_as_what_tells_two_faults_apart():
    """With leads for 100 V only cathodes, signal terminals and grids without a capacitor are left."""
    model = ChassisModel(load_chassis("gangway-two"))
    worst = WorstCase(model.chassis, model)
    plain = {name for name, point in model.points.items() if point.node and worst.at(point) <= 80.0}
    assert plain
    free, bound = Diagnoser(model, WANTED), Diagnoser(model, WANTED, (), 100.0, 100.0)
    said = {}
    for name, diagnoser in (("free", free), ("bound", bound)):
        found = diagnoser.diagnose([Reading(point="V1.3", quantity="dc_v", value=2.6, std=0.01)])
        live = [s.separates.partition(" (")[0].split(" at ") for s in found.suspects]
        points = [proposal.point for proposal in found.next]
        points += [words[1] for words in live if words[0] in QUANTITIES]
        said[name] = {point for pair in points for point in pair.split(">")}
    assert said["free"] - plain, "without a rating it names points at the supply"
    assert said["bound"] <= plain


def test_where_no_parts_are_known_the_rating_counts_too():
    bare = parse_chassis("chassis: bare\ntubes: {V1: 12AX7, V2: EL84}\nrails: {HT1: {volts: 300}}\n")
    assert {p.point for p in compare_stages(bare, []).next} >= {"V1.1"}
    assert {p.point for p in compare_stages(bare, [], 1000.0).next} >= {"V1.1"}
    assert compare_stages(bare, [], 300.0).next == ()
    unknown = parse_chassis("chassis: bare\ntubes: {V1: 12AX7}\n")
    assert compare_stages(unknown, [], 1000.0).next == ()
