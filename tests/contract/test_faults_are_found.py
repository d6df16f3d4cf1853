"""Faults of every kind of part are found on every shipped chassis, from readings without noise.

A seeded sample of `configs/faults.yaml` at a plain severity; DC at every modelled point, gain of every stage at
1 kHz, ripple at the rails. Found: the true part comes first, or is named among the look-alikes of the first.
Faults that move none of these readings are not counted (DC and one frequency are blind to them). The whole table,
every visible fault of every chassis or of those named:

    python tests/contract/test_faults_are_found.py [CHASSIS ...]
"""

import sys
import time
from itertools import islice

import numpy as np
import pytest

from acquisition.configs import config_names
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis
from analysis.faults import faults_of
from analysis.suspects import Diagnoser

SAMPLE, SEED = 2, 11

VISIBLE = 0.25
"""Least change of a DC, gain or ripple reading that makes a fault visible: a quarter, beyond healthy scatter."""


def measurands_of(model):
    """DC everywhere, gain of the stages, ripple at the rails."""
    rails = [name for name in model.chassis.rails if name in model.points]
    return [
        *(Measurand(point=name, quantity="dc_v") for name, point in model.points.items() if point.node),
        *(
            Measurand(point=f"{start}>{end}", quantity="gain", freq_hz=1000.0)
            for start, end in dict.fromkeys((s.source, s.target) for s in model.stages.values())
        ),
        *(Measurand(point=name, quantity="ripple_pp_v") for name in rails),
    ]


def plain(fault):
    """The severity in the middle of the file's range."""
    return fault.values[len(fault.values) // 2]


class Bench:
    """One chassis, its diagnosis, and what it reads with each fault."""

    def __init__(self, name):
        self.name = name
        self.model = ChassisModel(load_chassis(name))
        self.faults = faults_of(self.model.chassis, self.model.parameters)
        wanted = measurands_of(self.model)
        healthy = self.model.predict({}, wanted)[0]
        kept = np.isfinite(healthy)
        self.measurands = [m for m, good in zip(wanted, kept, strict=True) if good]
        self.healthy = healthy[kept]
        self.floor = np.array([{"dc_v": 0.2, "gain": 0.02}.get(m.quantity, 0.01) for m in self.measurands])

    def read(self, fault):
        """Readings of the chassis with one fault, shape (M,); NaN where the model has no answer."""
        return self.model.predict({fault.key: np.array([plain(fault)])}, self.measurands)[0]

    def visible(self, order):
        """Faults that move a reading by a quarter, with the readings, in the order given."""
        for fault in (self.faults[i] for i in order):
            values = self.read(fault)
            if np.isfinite(values).all():
                moved = np.abs(values - self.healthy) / np.maximum(np.abs(self.healthy), self.floor * 4)
                if moved.max() > VISIBLE:
                    yield fault, values

    def find(self, fault, values):
        """Place of the true part among the parts named, 0 for a look-alike of the first, 99 when not named."""
        readings = [
            Reading(
                point=m.point,
                quantity=m.quantity,
                value=float(value),
                std=float(np.hypot(0.003 * value, 0.002 if m.quantity == "dc_v" else 1e-4)),
                freq_hz=m.freq_hz,
            )
            for m, value in zip(self.measurands, values, strict=True)
        ]
        found = self.diagnoser().diagnose(readings).suspects
        parts = list(dict.fromkeys(s.part for s in found))
        place = parts.index(fault.part) + 1 if fault.part in parts else 99
        if place > 1 and any(label.split()[0] == fault.part for label in found[0].alike):
            place = 0
        first = found[0]
        return place, f"{first.part} {first.fault} {first.probability:.2f}"

    def diagnoser(self):
        """Made once."""
        if not hasattr(self, "_diagnoser"):
            self._diagnoser = Diagnoser(self.model, self.measurands)
        return self._diagnoser


def shipped():
    """Names of chassis files with parts."""
    return [name for name in config_names("chassis") if load_chassis(name).parts]


def misses_of(name, sample=None):
    """Faults tried, and those not found, as lines of text."""
    bench = Bench(name)
    count = len(bench.faults)
    order = range(count) if sample is None else np.random.default_rng(SEED).permutation(count)
    seen = list(islice(bench.visible(order), sample))
    misses, firsts = [], 0
    for fault, values in seen:
        place, first = bench.find(fault, values)
        firsts += place == 1
        if place > 1:
            misses.append(
                f"{name}: {fault.label} ({fault.key} = {plain(fault):.3g}) in place {place}, first {first}"
            )
    return len(seen), firsts, misses


@pytest.mark.parametrize("name", shipped())
def test_a_sample_of_faults_is_found(name):
    tried, _, missed = misses_of(name, SAMPLE)
    assert tried == SAMPLE
    assert not missed


if __name__ == "__main__":
    total = np.zeros(3, dtype=int)
    for chassis_name in sys.argv[1:] or shipped():
        started = time.perf_counter()
        tried, first_count, missed = misses_of(chassis_name)
        total += (tried, first_count, len(missed))
        print(
            f"{chassis_name}: {tried} visible faults, part first {first_count}, "
            f"look-alike of the first {tried - first_count - len(missed)}, neither {len(missed)}"
            f" ({time.perf_counter() - started:.0f} s)"
        )
        print("".join(f"  {line}\n" for line in missed), end="", flush=True)
    print(f"all: {total[0]} visible faults, part first {total[1]}, neither first nor look-alike {total[2]}")
