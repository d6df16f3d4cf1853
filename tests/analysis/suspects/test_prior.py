"""Faults that nobody would notice count for little before any reading."""

import numpy as np
import pytest
from scipy import stats

from acquisition.records import Event, Measurand
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.changes import Change
from analysis.inference.panel import Panel
from analysis.suspects import Diagnoser
from analysis.suspects.prior import HEALTHY_AS_FOUND, HEALTHY_REPAIRED, log_priors, noticed, usual_round


@pytest.fixture(scope="module")
def panel():
    model = ChassisModel(load_chassis("quayside-five"))
    return Panel(model, usual_round(model))


def cells(panel, part, word):
    """Rows of the severities of one fault, from least to most severe."""
    index = next(i for i, f in enumerate(panel.faults) if (f.part, f.fault) == (part, word))
    return [panel.index[Change(faults=(index,), values=(value,))] for value in panel.faults[index].values]


def test_what_moves_nothing_keeps_the_false_alarms_of_the_test(panel):
    """A test at 5 % calls 5 % of healthy chassis faulty: by definition."""
    assert noticed(panel, usual_round(panel.model))[0] == pytest.approx(0.05, abs=1e-3)


def test_a_gross_fault_is_always_noticed_and_a_slight_one_less_than_a_severe_one(panel):
    shows = noticed(panel, usual_round(panel.model))
    for part in ("R3", "R5"):  # plate resistors
        assert shows[cells(panel, part, "open")[-1]] > 0.999
    weak = next(i for i, f in enumerate(panel.faults) if f.fault == "weak")
    rows = [panel.index[Change(faults=(weak,), values=(v,))] for v in panel.faults[weak].values]
    assert (np.diff(shows[rows]) > -1e-9).all()
    assert ((shows >= 0.0499) & (shows <= 1.0)).all()


def test_the_chance_is_the_power_of_a_test_on_one_reading():
    """With one reading: against the power of the two-sided test of a normal mean in scipy."""
    model = ChassisModel(load_chassis("bench-6c4"))
    read = Measurand(point="V1.5", quantity="dc_v")
    alone = Panel(model, [read])
    shows = noticed(alone, [read])
    shift = alone.shifted[:, 0] - alone.centre[0]
    # The spread follows from any one hypothesis, and must then give all others.
    row = int(np.argmin(np.abs(shows - 0.5)))
    spread = abs(shift[row]) / (1.96 + stats.norm.ppf(shows[row]))
    power = stats.norm.sf(1.96 - shift / spread) + stats.norm.cdf(-1.96 - shift / spread)
    finite = np.isfinite(shift)
    np.testing.assert_allclose(shows[finite], power[finite], atol=2e-3)


def test_the_prior_does_not_depend_on_what_is_going_to_be_read():
    """It speaks of what a bench would find, not of which readings somebody happened to take."""
    model = ChassisModel(load_chassis("bench-6c4"))
    few = Diagnoser(model)
    many = Diagnoser(model, [Measurand(point="V1.5", quantity="ripple_pp_v")])
    direct = Diagnoser(model, dc_only=True)
    before = few.diagnose([])
    for other in (many, direct):
        found = other.diagnose([])
        assert found.healthy_probability == pytest.approx(before.healthy_probability, rel=1e-9)
        assert [s.part for s in found.suspects] == [s.part for s in before.suspects]


def test_the_prior_is_a_probability_and_a_repair_speaks_for_a_healthy_chassis(panel):
    usual = usual_round(panel.model)
    as_found, repaired = (log_priors(panel, usual, done) for done in (False, True))
    for prior in (as_found, repaired):
        assert np.exp(prior).sum() == pytest.approx(1.0, rel=1e-12)
    assert repaired[0] > as_found[0]
    # Which fault it would be does not depend on it.
    np.testing.assert_allclose(np.diff(repaired[1:]), np.diff(as_found[1:]), atol=1e-12)


def test_before_any_reading_the_answer_is_the_prior(panel):
    model = panel.model
    swapped = Event(kind="tube_swapped", subject="V1")
    before, after = (Diagnoser(model, work=work).diagnose([]).healthy_probability for work in ((), [swapped]))
    assert (before, after) == (pytest.approx(HEALTHY_AS_FOUND), pytest.approx(HEALTHY_REPAIRED))
