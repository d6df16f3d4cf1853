"""Simulated hands through the real survey and the real detector, on a clock that nobody waits for."""

import pytest

from acquisition.clock import FakeClock
from acquisition.instruments import Sample
from acquisition.instruments.accuracy import AccuracyTable
from acquisition.probing import Options, Phase, Probing, ProbingLimits
from acquisition.records import SurveyPlan, SurveyStep
from acquisition.simulated.hands import Hands
from acquisition.simulated.meter import Meter
from acquisition.simulated.survey_hands import SurveyHands
from acquisition.steady import MeterFacts, SteadyDetector

PLAN = SurveyPlan(
    chassis="paper",
    steps=[
        SurveyStep(point="OUT", function="plate", worst_v=250.0),
        SurveyStep(point="LOW", function="cathode", worst_v=30.0),
        SurveyStep(point="A", function="plate", worst_v=400.0),
        SurveyStep(point="ZERO", function="grid", worst_v=250.0, may_be_zero=True),
        SurveyStep(point="OUT", function="plate", worst_v=250.0),
        SurveyStep(point="HIGH", function="plate", worst_v=1500.0),
    ],
)


@pytest.mark.parametrize("seed", range(12))
def test_whole_survey(wiring, seed):
    clock = wiring.clock = FakeClock(1000.0)
    wiring.switch(False)
    meter = Meter(wiring, seed=seed)
    meter.handle(b"CONF:VOLT:DC;:VOLT:NPLC 1")
    hands = SurveyHands(Hands(wiring, seed=seed, slip_rate=0.3))
    kept, told = [], []
    detector = SteadyDetector(MeterFacts(accuracy=AccuracyTable.parse("0.005 % + 0.002 % of range")))
    probing = Probing(
        PLAN,
        ProbingLimits(meter_rated_v=1000.0, lead_rated_v=1000.0),
        detector,
        kept.append,
        clock.utc,
        Options(mains_v=230.0),
    )

    def do(actions):
        for action in actions:
            told.append(action.text)
            hands.react(action)

    do(probing.start())
    while probing.phase is not Phase.DONE and clock.now_s < 1200.0:
        value_v = float(meter.handle(b"READ?"))
        range_v = float(meter.handle(b"VOLT:RANG?"))
        do(probing.sample(Sample(t_s=clock.now_s, value_v=value_v, resolution_v=meter.digit_v(), range_v=range_v)))
        if (key := hands.key()) is not None:
            do(probing.key(key))
    assert probing.phase is Phase.DONE, told[-5:]
    assert [reading.point for reading in kept] == ["OUT", "LOW", "A", "ZERO", "OUT"]
    right = {"OUT": 150.0, "A": 200 * 10 / 10.06, "LOW": 1.125, "ZERO": 0.0}
    for reading in kept:
        assert reading.quality in {"good", "confirmed_zero"}
        # Specimen inside its limits (sqrt(3) standard uncertainties), plus noise and rest of settling.
        assert abs(reading.value - right[reading.point]) < 3 * reading.std + 1e-5
    # The point that can reach 400 V was clipped on with the power off, and the one beyond the rating refused.
    clipped = next(index for index, text in enumerate(told) if text.startswith("Clip the lead on A"))
    assert any(text.startswith("Switch off") or "Discharge" in text for text in told[:clipped])
    assert "HIGH" in probing.refused
