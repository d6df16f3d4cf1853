"""The ordinary drivers against simulated instruments that misbehave at random: no wrong number may come through.

Run by hand: ``python -m tests.outside.fuzz_drivers [EXCHANGES] [SEED]``. Prints one line a dialect. An exchange is
one answer of the instrument; the circuit is so simple that every right number is known. Ends with 1 when a wrong
number was accepted.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

from acquisition.clock import FakeClock
from acquisition.errors import AcquisitionError
from acquisition.instruments import Channel, Timebase, Trigger, load_bench, open_generator, open_meter, open_scope
from acquisition.simulated.bench import SCOPES, SimulatedBench
from acquisition.simulated.faults import LINK_FAULTS
from acquisition.simulated.stream_meter import STREAM_FAULTS

TRUE_V = {"A": 150.0, "B": -3.25, "C": 0.0125}
# A digit turned into another one passes the driver by nature: what it does to accepted readings is counted in
# tests/acquisition/instruments/test_stream_misbehaviour.py.
STREAM = tuple(name for name in STREAM_FAULTS if name != "digit")
QUICK = tuple(name for name in LINK_FAULTS if name not in {"late", "silence"})
RATE = 0.01


class Sources:
    """Three points of known volts without any resistance; the generator on ``IN``, ten times it on ``OUT``."""

    def dc_v(self, point: str, load_ohm: float = np.inf) -> float:
        return TRUE_V.get(point, 0.0)

    def settle_s(self, point: str) -> float:
        return 1e-6

    def ripple(self, point: str) -> list:
        return []

    def response(self, points, freq_hz, loads_s):
        return np.array([{"IN": 1.0, "OUT": -10.0}.get(point, 0.0) for point in points], complex)

    def swing_v(self, point: str) -> tuple[float, float]:
        return (-1e4, 1e4)


def meter(dialect: str, exchanges: int, seed: int) -> tuple[int, int, int, int]:
    """Exchanges, faults, readings taken, wrong readings."""
    clock = FakeClock(1e4) if dialect == "scpi-meter" else None
    rng = np.random.default_rng(seed)
    done = faults = right = wrong = 0
    with (
        SimulatedBench(Sources(), meter=dialect, clock=clock, seed=seed) as bench,
        tempfile.TemporaryDirectory() as at,
    ):
        bench.wiring.lead.filter_s = 1e-6
        described = load_bench(str(bench.write(Path(at) / "bench.yaml")))
        if bench.stream:
            bench.meter.conversion_s = 0.002
        with open_meter(described) as opened:
            if not bench.stream:
                opened.configure_dc(nplc=0.02)
            while done < exchanges:
                point = str(rng.choice(list(TRUE_V)))
                bench.wiring.lead.move([(bench.wiring.clock.monotonic_s() - 1.0, point)])
                if bench.stream:
                    # What was sent before the tip moved, and the ranging after it, pass by: a frame tells no time,
                    # so the stream pauses until its buffer is empty.
                    bench.stream.asleep = True
                    time.sleep(0.01)
                    opened.session.link.clear()
                    bench.stream.asleep = False
                    for _ in range(6):
                        _quietly(opened)
                    if rng.random() < 20 * RATE:
                        bench.stream.cue(str(rng.choice(STREAM)))
                        faults += 1
                else:
                    bench.links["meter"].mischief.names, bench.links["meter"].mischief.rate = QUICK, RATE
                for _ in range(20):
                    done += 1 if bench.stream else 4
                    try:
                        sample = opened.read()
                    except AcquisitionError:
                        continue
                    # Limits of the specimen, plus noise; far below the distance between any two points.
                    limit_v = 0.006 * abs(TRUE_V[point]) + 8 * sample.resolution_v + 1e-4
                    if abs(sample.value_v - TRUE_V[point]) > limit_v:
                        wrong += 1
                        print(f"  WRONG {dialect}: {sample} at {point}")
                    else:
                        right += 1
            faults += 0 if bench.stream else len(bench.links["meter"].mischief.played)
    return done, faults, right, wrong


def _quietly(opened) -> None:
    try:
        opened.read()
    except AcquisitionError:
        return


def scope(dialect: str, exchanges: int, seed: int) -> tuple[int, int, int, int]:
    """The same for records: shape and size of a sine whose amplitude changes from shot to shot."""
    rng = np.random.default_rng(seed)
    done = right = wrong = 0
    with SimulatedBench(Sources(), scope=dialect, seed=seed) as bench, tempfile.TemporaryDirectory() as at:
        bench.wiring.clip(1, "IN")
        bench.wiring.clip(2, "OUT")
        described = load_bench(str(bench.write(Path(at) / "bench.yaml")))
        mischief = [bench.links[role].mischief for role in ("scope", "generator")]
        with open_generator(described) as generator, open_scope(described) as opened:
            opened.set_timebase(Timebase(span_s=0.001, points=500))
            while done < exchanges:
                for each in mischief:
                    each.names, each.rate = QUICK, RATE
                pp_v = float(rng.choice([0.3, 0.7, 1.5]))
                channel = int(rng.integers(1, 3))
                true_v = pp_v * (1.0 if channel == 1 else 10.0)
                done += 45
                try:
                    generator.set_sine(10_000.0, pp_v)
                    for number, size_v in ((1, pp_v), (2, 10 * pp_v)):
                        opened.set_channel(Channel(channel=number, full_scale_v=1.4 * size_v))
                    opened.set_trigger(Trigger(source="ch1"))
                    with generator.measuring():
                        opened.single(1.0)
                        record = opened.fetch(channel, "IN" if channel == 1 else "OUT")
                except AcquisitionError:
                    continue
                turn = np.exp(-2j * np.pi * 10_000.0 * record.times_s)
                found_v = 4 * abs(np.mean(record.volts * turn))
                if abs(found_v / true_v - 1) > 0.04 or record.codes.size != 500:
                    wrong += 1
                    print(f"  WRONG {dialect}: {found_v:g} V for {true_v:g} V, {record.codes.size} samples")
                else:
                    right += 1
        faults = sum(len(each.played) for each in mischief)
    return done, faults, right, wrong


def main() -> int:
    exchanges = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    total: Counter[str] = Counter()
    for dialect in ("scpi-meter", "stream-meter", *SCOPES):
        begin_s = time.monotonic()
        done, faults, right, wrong = (scope if dialect in SCOPES else meter)(dialect, exchanges, seed)
        total["wrong"] += wrong
        print(f"{dialect:22s} {done:7d} exchanges, {faults:5d} faults, {right:6d} taken, {wrong} wrong, "
              f"{time.monotonic() - begin_s:.0f} s", flush=True)  # fmt: skip
    return 1 if total["wrong"] else 0


if __name__ == "__main__":
    sys.exit(main())
