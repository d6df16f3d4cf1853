"""A job as a shop would have it: a coupling capacitor leaked 3 Mohm into the output tube's grid and was replaced.

The numbers come from the chassis model with scatter on top; this is material for the report's looks, not a check of
the model.
"""

import numpy as np

from acquisition.clock import FakeClock
from acquisition.configs import find_config
from acquisition.records import Capture, Event, Measurand, Reading
from acquisition.store import create_job
from analysis.chassis import ChassisModel, load_chassis

POINTS = tuple("HT1 HT2 HT3 V1.1 V1.3 V1.6 V1.8 V2.2 V2.3 V2.7 IN SPK V1.2 V1.7 N1".split())
STAGES = ("V1.2>V1.1", "V1.7>V1.6")
SCATTER = {"dc_v": (0.001, 0.001), "phase_deg": (0.0, 0.6)}
LEAK_SIEMENS = 1 / 3e6


def measurands(frequencies):
    """DC everywhere, ripple at the rails, signal at five points, two stages over frequency."""
    found = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    found += [Measurand(point=p, quantity="ripple_pp_v", freq_hz=100.0) for p in ("HT1", "HT2", "HT3", "SPK")]
    signal = ("V1.1", "V1.6", "V2.2", "SPK", "V2.7")
    found += [Measurand(point=p, quantity="pp_v", freq_hz=1000.0, drive_pp_v=0.001) for p in signal]
    for stage in STAGES:
        for freq in frequencies:
            found += [
                Measurand(point=stage, quantity=q, freq_hz=freq, drive_pp_v=0.02) for q in ("gain", "phase_deg")
            ]
    return found


def waveform(number, freq_hz, rng, samples):
    t = np.arange(samples) * 20e-3 / samples
    top = 90 if number % 7 == 0 else 127
    wave = np.clip(110 * np.sin(2 * np.pi * freq_hz * t) + rng.standard_normal(samples), -127, top)
    return np.round(wave).astype(np.int8), 20e-3 / samples


def build(path, *, frequencies=19, captures=50, samples=20_000, passes=("as-found", "after-C4"), **sheet):
    """Write the job; ``captures`` and frequencies are for each pass."""
    clock = FakeClock()
    rng = np.random.default_rng(1)
    model = ChassisModel(load_chassis("quayside-five"))
    freqs = tuple(float(f) for f in np.round(np.geomspace(20, 20e3, frequencies), 1))
    wanted = measurands(freqs)
    told = {
        "customer": "M. Okafor",
        "serial": "Q5-0012",
        "technician": "bench 2",
        "complaint": "Hums, gets very hot, and the sound breaks up after a few minutes.",
        **sheet,
    }
    chassis_text = find_config("chassis", "quayside-five").read_text("utf-8")
    with create_job(
        path, "Quayside Five, single-ended practice amplifier", chassis_text, clock=clock, **told
    ) as job:
        for name in passes:
            repaired = name != "as-found"
            mains_v = 228.5 if repaired else 231.0
            clock.sleep_s(3600)
            settings = {"meter": "10 Mohm, auto range", "scope": "DC coupled, 20 MHz limit, probe x10"}
            job.start_pass(name, mains_v=mains_v, mains_hz=50.0, minutes_on=20, settings=settings)
            if repaired:
                new = Event(
                    kind="part_replaced", subject="C4", value=22.3e-9, std=0.1e-9, text="polypropylene, 630 V"
                )
                job.add_event(name, new)
            specimen = {"R3": 104e3, "V1a.strength": 1.08, "V2.strength": 0.95, "mains": mains_v / 230.0}
            specimen["C4.leak"] = 0.0 if repaired else LEAK_SIEMENS
            truth = model.predict({key: np.full(1, value) for key, value in specimen.items()}, wanted)[0]
            readings = []
            for m, true in zip(wanted, truth, strict=True):
                clock.sleep_s(6)
                relative, floor = SCATTER.get(m.quantity, (0.008, 2e-4))
                value = true + relative * abs(true) * rng.standard_normal() + floor * rng.standard_normal()
                dc = m.quantity == "dc_v"
                reading = Reading(
                    point=m.point, quantity=m.quantity, value=float(value), freq_hz=m.freq_hz,
                    std=float(np.hypot(3 * relative * abs(true), 2 * floor)), drive_pp_v=m.drive_pp_v,
                    taken_utc=clock.utc(), range_v=300.0 if dc else 10.0,
                    instrument="bench meter, 0.3 %" if dc else "bench scope, 8 bit",
                )  # fmt: skip
                readings.append(reading)
            job.add_readings(name, readings)
            for number in range(captures):
                freq = freqs[number % len(freqs)] if number % 3 else 1000.0
                codes, dt_s = waveform(number, freq, rng, samples)
                capture = Capture(
                    point=POINTS[number % len(POINTS)], codes=codes, scale_v=0.1, offset_v=0.0, t0_s=0.0, dt_s=dt_s,
                    full_scale_v=25.6, freq_hz=freq, drive_pp_v=0.02, probe_factor=10.0, clipped=number % 7 == 0,
                    taken_utc=clock.utc(), instrument="bench scope, 8 bit",
                )  # fmt: skip
                job.add_capture(name, capture)
        job.conclude(
            found="The coupling capacitor C4 let direct current through to the output tube, which ran far too hot.",
            advice="The reservoir capacitors are of the same age; they still read well. Ask again in a year.",
        )
    return path
