"""Distortion is solved for few hypotheses; what it says of these must not tell against the others."""

import numpy as np
import pytest

from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.suspects.prior import log_priors, usual_round
from analysis.suspects.weighing import LEADING, weigh, weigh_distortion

WANTED = [Measurand(point=p, quantity="dc_v") for p in ("HT", "V1.5", "V1.7")]
DISTORTION = Measurand(point="V1.5", quantity="thd_pct", freq_hz=1000.0, drive_pp_v=20.0)


@pytest.fixture(scope="module")
def weighed():
    """Panel, and what DC of a healthy chassis comes to."""
    model = ChassisModel(load_chassis("bench-6c4"))
    usual = usual_round(model)
    panel = Panel(model, [*WANTED, *usual])
    values = model.predict({}, WANTED)[0]
    readings = [
        Reading(point=m.point, quantity="dc_v", value=float(v), std=0.004 * float(v))
        for m, v in zip(WANTED, values, strict=True)
    ]
    return panel, weigh(panel, collect(panel, readings), log_priors(panel, usual))


def gains(weighed, percent):
    """What a reading of distortion adds to each hypothesis, over what it adds to the healthy chassis, by fault."""
    panel, before = weighed
    reading = Reading(
        point=DISTORTION.point,
        quantity="thd_pct",
        freq_hz=1000.0,
        drive_pp_v=20.0,
        value=percent,
        std=0.02 * percent,
    )
    after = weigh_distortion(panel, [reading], before)
    assert np.exp(after.log_weight).sum() == pytest.approx(1.0)
    moved = after.log_weight - before.log_weight
    moved -= moved[0]
    found: dict[tuple[int, ...], list[float]] = {}
    for change, one in zip(before.changes, moved, strict=True):
        found.setdefault(change.faults, []).append(float(one))
    return found


def test_faults_that_were_not_solved_stand_to_the_healthy_chassis_as_before(weighed):
    panel, _ = weighed
    percent = 1.8 * float(panel.model.predict({}, [DISTORTION])[0, 0])  # speaks against whatever is like healthy
    found = gains(weighed, percent)
    moved = [fault for fault, all_ in found.items() if np.abs(all_).max() > 1e-9]
    assert 0 < len(moved) < LEADING  # one of those solved is the healthy chassis
    assert len(found) > 2 * LEADING


def test_severities_of_one_fault_move_together_where_one_was_solved(weighed):
    panel, before = weighed
    percent = 1.8 * float(panel.model.predict({}, [DISTORTION])[0, 0])
    first = max(
        (c for c in before.refined if c.faults),
        key=lambda change: before.log_weight[panel.index[change]],
    )
    same = gains(weighed, percent)[first.faults]
    assert len(same) > 1
    assert np.min(np.abs(same)) > 0.0


def test_what_distortion_says_is_what_the_model_says_of_it(weighed):
    """A load of a twentieth leaves DC as it is; the reading it would make speaks for severities near that, less for
    slight ones."""
    panel, _ = weighed
    (strong,) = panel.model.predict({"R4": np.array([23e3])}, [DISTORTION])[0]
    index = next(i for i, f in enumerate(panel.faults) if (f.part, f.fault) == ("R4", "low"))
    slight, *_, severe = sorted(gains(weighed, float(strong))[(index,)])
    assert severe > 1.0 > slight


def test_a_reading_that_was_taken_again_counts_once(weighed):
    panel, before = weighed
    percent = 1.8 * float(panel.model.predict({}, [DISTORTION])[0, 0])
    taken = [
        Reading(point=DISTORTION.point, quantity="thd_pct", freq_hz=1000.0, drive_pp_v=20.0, value=value)
        for value in (3.0 * percent, percent, percent)
    ]
    once, again = (weigh_distortion(panel, readings, before).log_weight for readings in (taken[-1:], taken))
    assert again == pytest.approx(once)
    assert np.abs(once - before.log_weight).max() > 0.1
