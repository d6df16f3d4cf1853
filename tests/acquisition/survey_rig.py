"""A survey with a meter, a tip and a finger, all simulated in the test."""

import itertools

import numpy as np

from acquisition.instruments.accuracy import AccuracyTable
from acquisition.instruments.samples import Sample
from acquisition.probing import Key, Options, Phase, Probing, ProbingLimits
from acquisition.records import SurveyPlan, SurveyStep
from acquisition.steady import MeterFacts, SteadyDetector

FACTS = MeterFacts(accuracy=AccuracyTable.parse("0.5 % + 2 digits"), noise_digits=0.3)
LIMITS = ProbingLimits(meter_rated_v=1000.0, lead_rated_v=600.0)


def step(point, expected, worst=200.0, **facts):
    return SurveyStep(
        point=point,
        function="plate",
        expected_v=expected,
        low_v=expected - 0.1 * abs(expected),
        high_v=expected + 0.1 * abs(expected),
        worst_v=worst,
        **facts,
    )


class Rig:
    """A survey with a meter, a tip and a finger."""

    def __init__(self, *steps, limits=LIMITS, commit=None, facts=FACTS, advise=None, **options):
        self.kept, self.log = [], []
        plan = SurveyPlan(chassis="Quayside Five", steps=steps)
        minute = itertools.count()
        self.machine = Probing(
            plan,
            limits,
            SteadyDetector(facts),
            commit or self.keep,
            lambda: f"2026-01-01T00:{next(minute):02d}:00.000Z",
            Options(**options),
            advise,
        )
        self.rng = np.random.default_rng(4)
        self.t_s = 0.0
        self.log += self.machine.start()

    def keep(self, reading):
        assert all(action.reading is not reading for action in self.log), "announced before it was kept"
        self.kept.append(reading)

    def meter(self, volts, seconds, flags=()):
        for _ in range(round(seconds / 0.1)):
            self.t_s += 0.1
            digit, range_v = (0.1, 600.0) if abs(volts) > 6 else (0.001, 6.0)
            shown = round((volts + self.rng.normal(0, 0.3 * digit)) / digit) * digit
            sample = Sample(
                t_s=self.t_s, value_v=shown, resolution_v=digit, range_v=range_v, flags=frozenset(flags)
            )
            self.log += self.machine.sample(sample)
        return self

    def free(self, seconds=2.0):
        for _ in range(round(seconds / 0.1)):
            self.meter(self.rng.normal(0, 0.006), 0.1)
        return self

    def press(self, key=Key.SPACE):
        self.log += self.machine.key(key)
        return self

    def ready(self):
        """Cautions passed, power on, lead heard."""
        self.free(3.0).press().press()
        assert self.machine.phase is Phase.ARMED
        return self

    def touch(self, volts, seconds=1.5):
        return self.meter(volts, seconds).free(0.5)

    @property
    def doings(self):
        return [action.do for action in self.log if action.do]

    def said(self, kind=None):
        return " | ".join(action.text for action in self.log if kind in (None, action.kind))
