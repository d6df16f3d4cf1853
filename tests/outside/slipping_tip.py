"""A tip that slips between neighbouring pins, or chatters on one, through the survey.

Run by hand: ``python -m tests.outside.slipping_tip [count] [seed]`` (default 300 a line, seed 1). Two points of a
shipped chassis are asked for, one after the other; on the first one the tip slips. The bench meter converts 10
and 25 times a second over 20 ms, the hand-held 4 times over 200 ms. Half of the chassis have all volts within 2 %
(rms) of what is expected, of the others each pin has half to 1.3 times that. A slip goes straight over or through
up to 0.25 s of air. The hands answer a question about the pin by touching the point again. Times and sizes are
ours, from common practice, no source.

A reading is wrong when it is kept as good and misses its own point by more than four times its uncertainty plus
0.3 %. For the first point nothing but its band and its neighbours can tell; for the second it is a touch that was
none.
"""

from __future__ import annotations

import sys

import numpy as np

from acquisition.probing import Key, Options, Phase, Probing, ProbingLimits
from acquisition.records import Reading, SurveyPlan, SurveyStep
from acquisition.steady import MeterFacts, SteadyDetector
from analysis.chassis import ChassisModel, load_chassis
from analysis.chassis.plan import survey_plan
from tests.outside.steady_table import BENCH, GRID_S, HANDHELD, Conversion, ranges_of

CHASSIS = ("lantern-twelve", "quayside-five", "gangway-two", "slipway-tone")
SLIPS = (
    "neighbour first, then the point",
    "off before it is taken",
    "off and back before it is taken",
    "off after it is taken",
    "chatter after it is taken",
)
METERS = (("bench, 10/s", BENCH, 0.1), ("bench, 25/s", BENCH, 0.04), ("hand-held, 4/s", HANDHELD, 0.25))


class Bench:
    """A survey of two points, with the levels that the tip meets in order of time."""

    def __init__(self, steps: tuple[SurveyStep, ...], facts: MeterFacts, period_s: float, seed: int) -> None:
        self.rng, self.facts, self.period_s = np.random.default_rng(seed), facts, period_s
        self.kept: list[Reading] = []
        limits = ProbingLimits(meter_rated_v=1e4, lead_rated_v=1e4, clip_on_above_v=1e4, mains_known=True)
        options = Options(mains_v=230.0, tubes_glow=True)
        plan, detector = SurveyPlan(chassis="two points", steps=steps), SteadyDetector(facts)
        self.machine = Probing(
            plan, limits, detector, self.kept.append, lambda: "2026-01-01T00:00:00.000Z", options
        )
        self.end_s = self.t_s = 0.0
        self._levels: list[tuple[float, float | None]] = []
        self.machine.start()
        self.put(4.0, None).play()
        self.machine.key(Key.SPACE)
        self.machine.key(Key.SPACE)

    def put(self, seconds: float, volts: float | None) -> Bench:
        """Tip on a level, or in the air."""
        self.end_s += seconds
        self._levels.append((self.end_s, volts))
        return self

    def play(self) -> None:
        """Feed what was put."""
        ranges, counts = ranges_of(self.facts)
        window_s = 0.02 if self.facts is BENCH else 0.2
        while self.t_s + self.period_s <= self.end_s:
            self.t_s += self.period_s
            at = np.arange(self.t_s - window_s, self.t_s, GRID_S)
            met = [next((volts for end_s, volts in self._levels if x < end_s), None) for x in at]
            shown = float(np.mean([self.rng.normal(0, 0.006) if volts is None else volts for volts in met]))
            range_v = float(ranges[min(int(np.searchsorted(ranges, 1.05 * abs(shown))), ranges.size - 1)])
            digit = range_v / counts
            shown = round((shown + self.rng.normal(0, self.facts.noise_digits) * digit) / digit) * digit
            self.machine.sample(Conversion(self.t_s, shown, digit, range_v))


def slip(
    plans: list[list[SurveyStep]], kind: str, facts: MeterFacts, period_s: float, rng: np.random.Generator
) -> tuple[int, int, int]:
    """Play one slip: wrong for the first point, wrong for the second, questions about the pin."""
    plan = plans[rng.integers(len(plans))]
    first = [step for step in plan if step.neighbours][rng.integers(sum(bool(step.neighbours) for step in plan))]
    beside = str(rng.choice(list(first.neighbours)))
    others = [step for step in plan if step.point not in (first.point, beside)]
    second = others[rng.integers(len(others))]
    healthy = rng.random() < 0.5

    def volts(expected_v: float | None) -> float:
        assert expected_v is not None
        return expected_v * (1.0 + rng.normal(0, 0.02)) * (1.0 if healthy else rng.uniform(0.5, 1.3))

    true_v = {first.point: volts(first.expected_v), second.point: volts(second.expected_v)}
    on_v, beside_v = true_v[first.point], volts(first.neighbours[beside])
    bench = Bench((first, second), facts, period_s, int(rng.integers(1 << 30)))
    slow = 2.0 if facts is HANDHELD else 1.0

    def over() -> None:
        bench.put(0.0 if rng.random() < 0.5 else rng.uniform(0.01, 0.25), None)

    bench.put(0.5, None)
    if kind == SLIPS[0]:
        bench.put(slow * rng.uniform(0.05, 1.5), beside_v)
        over()
        bench.put(slow * 2.5, on_v)
    elif kind == SLIPS[1]:
        bench.put(slow * rng.uniform(0.05, 0.35), on_v)
        over()
        bench.put(slow * 2.5, beside_v)
    elif kind == SLIPS[2]:
        bench.put(slow * rng.uniform(0.05, 0.35), on_v)
        over()
        bench.put(slow * rng.uniform(0.1, 0.5), beside_v)
        over()
        bench.put(slow * 2.5, on_v)
    elif kind == SLIPS[3]:
        bench.put(slow, on_v)
        over()
        bench.put(slow * 2.0, beside_v)
    else:
        bench.put(slow, on_v).put(rng.uniform(0.05, 0.3), None).put(slow * 1.5, on_v)
    bench.put(1.0, None).play()
    for _ in range(3):
        if bench.machine.step is None or bench.machine.phase is Phase.DONE:
            break
        bench.put(rng.uniform(0.3, 1.5), None).put(slow * 2.5, true_v[bench.machine.step.point]).put(
            1.0, None
        ).play()
    wrong = [
        reading.point
        for reading in bench.kept
        if reading.quality == "good"
        and abs(reading.value - true_v[reading.point])
        > 4.0 * (reading.std or 0.0) + 0.003 * abs(true_v[reading.point])
    ]
    asked = sum(reading.quality == "held" for reading in bench.kept)
    return wrong.count(first.point), wrong.count(second.point), asked


def run(count: int, seed: int = 1) -> dict[tuple[str, str], tuple[int, int, int]]:
    """Play every kind of slip with every meter; the sums of `slip`."""
    plans = []
    for name in CHASSIS:
        chassis = load_chassis(name)
        steps = survey_plan(chassis, ChassisModel(chassis), mains_v=chassis.mains_v).steps
        plans.append([s for s in steps if s.expected_v is not None and not (s.may_be_zero or s.delicate)])
    return {
        (kind, name): tuple(  # type: ignore[misc]
            map(sum, zip(*(slip(plans, kind, *meter, np.random.default_rng([seed, n])) for n in range(count))))  # noqa: B905
        )
        for kind in SLIPS
        for name, *meter in METERS
    }


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:3]]
    count, seed = (*given, *(300, 1)[len(given) :])
    print(
        f"| {count} each | meter | wrong for the point | wrong for the next | asked about the pin |\n"
        + "|---" * 5
        + "|"
    )
    for (kind, name), (at_first, at_second, asked) in run(count, seed).items():
        print(f"| {kind} | {name} | {at_first} | {at_second} | {asked} |")
