"""Steady reading against a perfect observer, on seeded streams made like those of a bench.

Run by hand: ``python -m tests.outside.steady_table [touches] [open minutes] [seed]`` (default 10000, 10000 and the
seed used while building). The tests run a smaller number of the same streams.

The streams. Two meters: an integrating bench meter (10 conversions a second over 20 ms, 100000 counts, 0.02 % + 4
digits) and a handheld (4 a second, 6000 counts, 0.5 % + 2 digits, first-order filter in the slow streams). The
lead is a contact that closes and opens in continuous time (2 ms grid), averaged over each conversion. A free lead
carries hum that a hand near it multiplies by up to ten, mains that wander by hundredths of a hertz, so that what
the integration lets through beats with the sampling, and slow wander; one session in eight has the meter set for
the wrong mains frequency, one in eight an input so high that charge lingers. Levels, times and amplitudes are
ours, from common practice, no source.

The perfect observer knows everything about the stream except what has to be measured: it knows the noise, the
filter's time constant, when the last bounce ended, when the range had changed, that a drift is linear. It does
not know the level, the size of the settling transient or the slope: p numbers in all (1, or 2). It could have
known at the first conversion at which (a) p + 1 undisturbed conversions have been seen, p to solve for the
unknowns and one that tells a contact from a bounce; (b) the least-squares standard deviation of the level, with
all that known, is within the same limit as the detector's (half of the meter's specified uncertainty, at least
one digit). At 0 V it also has to wait for the key, or for the end of the hold that was announced. Lag is the
conversion of the reading minus the conversion of the observer. In the ripple stream the observer knows the size
of the scatter, the detector does not.

A reading is false when no contact existed at the time, and wrong when it misses the value that the meter would
have shown by more than four times its type A uncertainty plus a digit. A touch whose level lies in the no-contact
band that the lead has earned needs the key; any other that is not taken within fourteen seconds is missed.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from acquisition.instruments.accuracy import AccuracyTable
from acquisition.steady import EventKind, MeterFacts, Rules, SteadyDetector

GRID_S = 0.002
BENCH = MeterFacts(accuracy=AccuracyTable.parse("0.02 % + 4 digits"), noise_digits=0.7)
HANDHELD = MeterFacts(accuracy=AccuracyTable.parse("0.5 % + 2 digits"), noise_digits=0.3)
KINDS = (
    "bounce",
    "slow filter",
    "slow node",
    "slow rail",
    "ripple",
    "drifting supply",
    "autorange jump",
    "0 V, key",
    "0 V, hold",
)
HOLD_S = 3.0


class Conversion(NamedTuple):
    """One sample of the simulated meter."""

    t_s: float
    value_v: float
    resolution_v: float
    range_v: float
    flags: tuple[str, ...] = ()

    @property
    def is_reading(self) -> bool:
        return not self.flags

    @property
    def reason(self) -> str:
        return ""


@dataclass
class Touch:
    """One simulated touch: conversions, and what is true about them."""

    samples: list[Conversion]
    truth_v: np.ndarray  # what the meter would settle to, at each conversion
    contact: np.ndarray  # closed for the whole conversion
    observer: int
    key_at: int | None
    hold: bool
    facts: MeterFacts
    settle_s: float = 0.0  # what the plan says of the node


def ranges_of(facts: MeterFacts) -> tuple[np.ndarray, float]:
    """Ranges, and digits per range."""
    return (np.array([1.0, 10.0, 100.0, 1000.0]), 1e5) if facts is BENCH else (
        np.array([0.6, 6.0, 60.0, 600.0]), 6e3)  # fmt: skip


def free_lead(rng: np.random.Generator, t: np.ndarray, window_s: float, trouble: int) -> np.ndarray:
    """What a hanging lead shows at the times t: hum beats, wander, hand; volts before rounding."""
    step = float(np.mean(np.diff(t)))
    n = t.size

    def wander(tau_s: float) -> np.ndarray:
        from scipy.signal import lfilter

        a = math.exp(-step / tau_s)
        start = rng.standard_normal()
        y, _ = lfilter([math.sqrt(1 - a * a)], [1, -a], rng.standard_normal(n), zi=[a * start])
        return np.asarray(y)

    detune_hz = 0.03 * wander(20.0) + rng.normal(0, 0.01)
    notch_hz = 60.0 if trouble == 1 else 50.0
    width_s = 1.0 / notch_hz if window_s <= 0.02 else window_s
    mains_hz = 50.0 + detune_hz
    left_through = np.sinc(mains_hz * width_s)
    phase = 2 * np.pi * (50.0 * t + np.cumsum(detune_hz) * step) + rng.uniform(0, 2 * np.pi)
    hand = np.exp(1.15 * wander(rng.uniform(0.5, 4.0))) * (1 + 0.04 * wander(0.15))  # up to ten times, and a tremor
    level = rng.uniform(0.2, 1.0) * np.minimum(hand, 10.0)
    slow = 0.002 * wander(1.5) * np.minimum(hand, 10.0) + 0.001 * wander(0.2)
    out = level * left_through * np.sin(phase) + slow
    if trouble == 2:  # charge lingers on a very high input resistance
        from scipy.signal import lfilter

        pulses = (rng.random(n) < step / 8.0) * rng.normal(0, 1.0, n)
        a = math.exp(-step / rng.uniform(0.5, 4.0))
        out = out + lfilter([1.0], [1, -a], pulses) + 0.3 * wander(6.0)
    return out


def bounces(rng: np.random.Generator, start_s: float) -> tuple[list[tuple[float, float]], float]:
    """Intervals of open contact after the first touch, and when the last one ends."""
    gaps = []
    at = start_s
    for _ in range(rng.integers(0, 6)):
        at += rng.exponential(0.05)
        length = rng.uniform(0.003, 0.12)
        gaps.append((at, at + length))
        at += length
    return gaps, at


def make_touch(rng: np.random.Generator, kind: str, trouble: int) -> Touch:
    """Simulate one touch of the given kind."""
    slow_filter = kind == "slow filter"
    facts = HANDHELD if slow_filter or rng.random() < 0.4 else BENCH
    period_s = 0.25 if facts is HANDHELD else 0.04 if kind == "slow rail" else 0.1
    window_s = 0.02 if facts is BENCH else 0.2
    lead_s, length_s = rng.uniform(4.0, 7.0) + (4.0 if kind == "0 V, hold" else 0.0), 14.0
    t = np.arange(int((lead_s + length_s) / period_s)) * period_s + rng.uniform(0, period_s)
    t = t + rng.normal(0, 0.002 * period_s, t.size)
    touch_s = lead_s
    gaps, whole_s = bounces(rng, touch_s)
    zero = kind.startswith("0 V")
    level = 0.0 if zero else float(np.exp(rng.uniform(math.log(0.8), math.log(450.0)))) * rng.choice([1, 1, 1, -1])
    if facts is BENCH and not zero and abs(level) < 1.0:
        level = math.copysign(1.0, level)

    fine = np.arange(0.0, t[-1] + GRID_S, GRID_S)
    closed = (fine >= touch_s).astype(float)
    for a, b in gaps:
        closed[(fine >= a) & (fine < b)] = 0.0
    slope = level * rng.uniform(-0.003, 0.003) if kind == "drifting supply" else 0.0
    target = level + slope * (fine - touch_s)
    tau_s = settle_s = faster_s = 0.0
    transient = np.zeros_like(fine)
    if kind == "slow node":  # the meter's own current moves the node by a few per cent
        tau_s = rng.uniform(0.05, 0.25)
        transient = rng.uniform(0.002, 0.03) * level * np.exp(-np.maximum(fine - touch_s, 0) / tau_s)
    if kind == "slow rail":  # a dropper and an electrolytic, itself within -20/+50 %, behind another of the kind
        settle_s = rng.uniform(0.1, 0.6)
        tau_s = settle_s * rng.uniform(0.8, 1.5)
        since = np.maximum(fine - touch_s, 0)
        faster_s = tau_s * rng.uniform(0.1, 0.5)
        faster = rng.uniform(0.0, 0.3) * np.exp(-since / faster_s)
        transient = rng.uniform(0.0003, 0.01) * level * (np.exp(-since / tau_s) + faster)
    seen = (target + transient) * closed
    if slow_filter:
        from scipy.signal import lfilter

        tau_s = rng.uniform(0.15, 0.5)
        a = math.exp(-GRID_S / tau_s)
        seen = lfilter([1 - a], [1, -a], seen)
    total = np.concatenate(([0.0], np.cumsum(seen)))
    share = np.concatenate(([0.0], np.cumsum(closed)))
    first = np.clip(((t - window_s) / GRID_S).astype(int), 0, fine.size - 1)
    last = np.clip((t / GRID_S).astype(int), first + 1, fine.size)
    value = (total[last] - total[first]) / (last - first)
    part = (share[last] - share[first]) / (last - first)
    value = value + free_lead(rng, t, window_s, trouble) * (1 - part)
    if kind == "ripple":  # what the integration leaves of the ripple of a rail, as scatter
        value = value + rng.normal(0, 3e-4 * abs(level), t.size) * part
    contact = (t - window_s >= whole_s) | (part >= 0.999)

    ranges, counts = ranges_of(facts)
    range_v = np.array([ranges[min(int(np.searchsorted(ranges, 1.05 * abs(x))), ranges.size - 1)] for x in value])
    flags: list[tuple[str, ...]] = [() for _ in t]
    settled_at = 0
    if kind == "autorange jump":
        touched = int(np.argmax(part > 0.5))
        settled_at = touched + int(rng.integers(1, 5))
        for k in range(touched, min(settled_at, t.size)):
            if rng.random() < 0.6:
                flags[k] = ("overload",)
            else:
                range_v[k] = ranges[-1]
        if settled_at < t.size and rng.random() < 0.5:  # the first conversion in the new range mixes both
            value[settled_at] *= rng.uniform(0.6, 0.98)
            settled_at += 1
    if zero:
        range_v[:] = ranges[0]
    else:  # a range once chosen stays while the value stays: no hunting at the edge
        range_v[part >= 0.999] = np.where(
            range_v[part >= 0.999] == ranges[-1], ranges[-1], np.max(range_v[-5:])
        ) if kind == "autorange jump" else np.max(range_v[-5:])  # fmt: skip
    digit = range_v / counts
    sigma = digit * math.hypot(facts.noise_digits, 1 / math.sqrt(12))
    value = value + rng.normal(0, 1, t.size) * digit * facts.noise_digits
    value = np.round(value / digit) * digit
    samples = [
        Conversion(float(a), float(b), float(c), float(d), e)
        for a, b, c, d, e in zip(t, value, digit, range_v, flags, strict=True)
    ]

    settle = slow_filter or kind in ("slow node", "slow rail")
    unknown = 3 if kind == "slow rail" else 2 if settle or kind == "drifting supply" else 1
    clean = max(int(np.argmax(t - window_s >= whole_s)), settled_at)
    noise = np.maximum(sigma, 3e-4 * abs(level)) if kind == "ripple" else sigma
    limit = max(0.5 * facts.spec_std_v(level, float(digit[-1]), float(range_v[-1])), float(digit[-1]))
    observer = clean + unknown
    while observer < t.size - 1:
        at = t[clean : observer + 1] - t[observer]
        columns = [np.ones_like(at)]
        if settle:
            columns.append(np.exp(-(at - at[0]) / tau_s))
        if faster_s:
            columns.append(np.exp(-(at - at[0]) / faster_s))
        if kind == "drifting supply":
            columns.append(at)
        x = np.column_stack(columns)
        normal = x.T @ x
        if np.linalg.cond(normal) < 1e12:
            std = noise[-1] * math.sqrt(np.linalg.inv(normal)[0, 0])
            if std <= limit:
                break
        observer += 1
    key_at = None
    if kind == "0 V, key":
        key_at = int(np.argmax(t >= touch_s + rng.uniform(0.3, 1.2)))
        observer = max(observer, key_at)
    if kind == "0 V, hold":
        observer = max(observer, int(np.argmax(t >= whole_s + HOLD_S)))
    truth = np.interp(t - 0.5 * window_s, fine, target)  # a conversion shows the middle of its window
    return Touch(samples, truth, contact, observer, key_at, kind == "0 V, hold", facts, settle_s)


@dataclass
class Row:
    """One line of the table."""

    touches: int = 0
    taken: int = 0
    false: int = 0
    wrong: int = 0
    needs_key: int = 0
    missed: int = 0
    lags: list[int] = None  # type: ignore[assignment]
    pulls: list[float] = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        self.lags, self.pulls = [], []


def play(touch: Touch, row: Row, rules: Rules) -> None:
    """Feed one touch and judge what came out."""
    detector = SteadyDetector(touch.facts, rules)
    detector.arm(settle_s=touch.settle_s)
    row.touches += 1
    for k, sample in enumerate(touch.samples):
        if touch.key_at == k:
            detector.confirm(sample.t_s)
        if touch.hold and detector._hold_s is None and sample.t_s >= 7.5:
            detector.arm(hold_s=HOLD_S)  # announced after the lead was heard
        for event in detector.feed(sample):
            if event.kind is EventKind.TAKEN:
                reading = event.reading
                row.taken += 1
                if not touch.contact[k]:
                    row.false += 1
                error = reading.value_v - touch.truth_v[k]
                if abs(error) > 4.0 * reading.type_a_v + reading.resolution_v:
                    row.wrong += 1
                row.pulls.append(error / reading.type_a_v)
                row.lags.append(k - touch.observer)
                return
    # Within the band only a key counts.
    inside = abs(touch.truth_v[-1]) <= detector.band_v
    row.needs_key += inside
    row.missed += not inside


def run_touches(count: int, seed: int = 20260301, rules: Rules | None = None) -> dict[str, Row]:
    """Simulate ``count`` touches, kinds in turn; troubles of the free lead one in eight each."""
    rng = np.random.default_rng(seed)
    rows = {kind: Row() for kind in KINDS}
    rules = rules or Rules()
    for index in range(count):
        kind = KINDS[index % len(KINDS)]
        trouble = int(rng.choice([0, 1, 2], p=[0.75, 0.125, 0.125]))
        play(make_touch(rng, kind, trouble), rows[kind], rules)
    return rows


@dataclass
class OpenRow:
    """Free-lead minutes."""

    minutes: float = 0.0
    touched: int = 0
    false: int = 0
    mistaken_key: int = 0
    loudest_v: float = 0.0


def run_open(minutes: int, seed: int = 20260302, rules: Rules | None = None) -> dict[str, OpenRow]:
    """Simulate a free lead in sessions of 20 minutes; a third armed with holds, a third with mistaken keys."""
    rng = np.random.default_rng(seed)
    names = ("hum, right mains setting", "hum, wrong mains setting", "very high input")
    rows = {name: OpenRow() for name in names}
    done = 0
    session = 0
    while done < minutes:
        length = min(20, minutes - done)
        trouble = int(rng.choice([0, 1, 2], p=[0.75, 0.125, 0.125]))
        facts = BENCH if rng.random() < 0.5 else HANDHELD
        period_s = 0.1 if facts is BENCH else 0.25
        t = np.arange(int(length * 60 / period_s)) * period_s
        value = free_lead(rng, t, 0.02 if facts is BENCH else 0.2, trouble)
        ranges, counts = ranges_of(facts)
        range_v = ranges[np.minimum(np.searchsorted(ranges, 1.05 * np.abs(value)), ranges.size - 1)]
        digit = range_v / counts
        value = np.round((value + rng.normal(0, 1, t.size) * digit * facts.noise_digits) / digit) * digit
        row = rows[names[trouble]]
        row.minutes += length
        row.loudest_v = max(row.loudest_v, float(np.abs(value).max()))
        detector = SteadyDetector(facts, rules or Rules())
        hold = session % 3 == 0
        for k, one in enumerate(zip(t.tolist(), value.tolist(), digit.tolist(), range_v.tolist(), strict=True)):
            if hold and k % 200 == 60:  # announced again and again, nobody touches
                detector.arm(hold_s=HOLD_S)
            pressed = session % 3 == 1 and 200 <= k % 1500 < 240
            if pressed and k % 1500 == 200:  # somebody presses the key although the tip is on nothing
                detector.confirm(one[0])
            if session % 3 == 1 and k % 1500 == 240:
                detector.arm()
            for event in detector.feed(Conversion(*one)):
                row.touched += event.kind is EventKind.TOUCHED
                row.mistaken_key += pressed and event.kind is EventKind.TAKEN
                row.false += not pressed and event.kind is EventKind.TAKEN
        done += length
        session += 1
    return rows


def table(touches: dict[str, Row], free: dict[str, OpenRow]) -> str:
    """Both tables as text."""
    lines = [
        "| stream | touches | taken | needs the key | missed | false | wrong | lag median | lag p90 "
        "| rms error / type A |",
        "|---|" + "---|" * 9,
    ]
    everything: list[int] = []
    for kind, row in touches.items():
        lags = np.array(row.lags or [0])
        everything += row.lags
        pull = math.sqrt(float(np.mean(np.square(row.pulls or [0.0]))))
        lines.append(
            f"| {kind} | {row.touches} | {row.taken} | {row.needs_key} | {row.missed} | {row.false} | {row.wrong} "
            f"| {np.median(lags):.0f} "
            f"| {np.percentile(lags, 90):.0f} | {pull:.2f} |"
        )
    total = np.array(everything or [0])
    lines.append(
        f"| all | {sum(r.touches for r in touches.values())} | {sum(r.taken for r in touches.values())} "
        f"| {sum(r.needs_key for r in touches.values())} | {sum(r.missed for r in touches.values())} "
        f"| {sum(r.false for r in touches.values())} | {sum(r.wrong for r in touches.values())} "
        f"| {np.median(total):.0f} | {np.percentile(total, 90):.0f} | |"
    )
    lines += [
        "",
        "| free lead | minutes | excursions looked at | loudest V | taken on a mistaken key | false readings |",
        "|---|---|---|---|---|---|",
    ]
    for name, one in free.items():
        lines.append(
            f"| {name} | {one.minutes:.0f} | {one.touched} | {one.loudest_v:.2f} "
            f"| {one.mistaken_key} | {one.false} |"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    defaults = (10_000, 10_000, 20260301)
    given = [int(text) for text in sys.argv[1:4]]
    touches, minutes, seed = (*given, *defaults[len(given) :])
    print(table(run_touches(touches, seed), run_open(minutes, seed + 1)))
