"""A chassis small enough for textbook formulas: a coupling capacitor C2 from a plate at 200 V into a grid leak R3
of 470 k and the triode after it. Stands in for the circuit model, with which it shares only `predict`, `draw` and
the keys.

Low corner 1 / (2 pi R C) and the divider of a leaking capacitor are in every textbook of the trade; the plate of
the next tube falls by 30 V for each volt on its grid (an invented figure).
"""

from types import SimpleNamespace

import numpy as np

from acquisition.records import Measurand, Pass, Reading

PLATE_V, LEAK_OHM, GAIN = 200.0, 470e3, 50.0


def _parameter(key, nominal, sigma):
    return SimpleNamespace(key=key, part=key.partition(".")[0], section="", nominal=nominal, sigma=sigma)


class CoupledStage:
    chassis = SimpleNamespace(mains_v=230.0, parts={})
    parameters = {  # noqa: RUF012
        p.key: p
        for p in (_parameter("C2", 22e-9, 0.1), _parameter("C2.leak", 0.0, 0.0), _parameter("R5", 1e3, 0.05))
    }

    def predict(self, values, measurands):
        size = max((np.size(v) for v in values.values()), default=1)
        farad, siemens, ohm, mains = (
            np.broadcast_to(np.asarray(values.get(key, default), dtype=float), (size,))
            for key, default in (("C2", 22e-9), ("C2.leak", 0.0), ("R5", 1e3), ("mains", 1.0))
        )
        grid = PLATE_V * mains * LEAK_OHM * siemens / (1.0 + LEAK_OHM * siemens)
        columns = []
        for m in measurands:
            response = 1.0 / (1.0 - 1j / (2 * np.pi * (m.freq_hz or 1e3) * LEAK_OHM * farad))
            columns.append(
                {
                    "V1.1": PLATE_V * mains,
                    "V2.2": grid,
                    "V2.1": (180.0 - 30.0 * grid) * mains,
                    "V2.3": 1.5e-3 * ohm * mains,
                    "V1.2>V2.2": GAIN * np.abs(response)
                    if m.quantity == "gain"
                    else 180 + np.degrees(np.angle(response)),
                }[m.point]
                * np.ones(size)
            )
        return np.stack(columns, axis=1)

    def draw(self, count, rng, measured=None):
        drawn = {
            key: p.nominal * np.exp(p.sigma * rng.standard_normal(count))
            for key, p in self.parameters.items()
            if p.sigma
        }
        for key, (value, std) in (measured or {}).items():
            drawn[key] = value + std * rng.standard_normal(count)
        return drawn


def _fault(name, key, values):
    return SimpleNamespace(part="C2", section="", fault=name, key=key, values=tuple(values), shown="", words="")


FAULTS = (
    _fault("leaky", "C2.leak", np.geomspace(1e-10, 1e-4, 24)),
    _fault("low", "C2", 22e-9 * np.geomspace(0.6, 0.02, 7)),
)

DC = tuple(Measurand(point=point, quantity="dc_v") for point in ("V1.1", "V2.2", "V2.1", "V2.3"))
SWEEP = tuple(
    Measurand(point="V1.2>V2.2", quantity=quantity, freq_hz=float(freq), drive_pp_v=0.05)
    for freq in (20, 100, 1000, 10000)
    for quantity in ("gain", "phase_deg")
)


def bench(seed):
    """A meter of 0.5 % and 2 digits of 10 mV, one gain error for the whole life of the bench, and a scope
    of 1 %."""
    rng = np.random.default_rng(seed)
    errors = {
        "meter": 0.005 * rng.uniform(-1, 1),
        "scope": 0.01 * rng.standard_normal(),
        "skew": rng.standard_normal(),
    }

    def read(name, values, mains_v=230.0, events=(), measurands=DC + SWEEP):
        truth = CoupledStage().predict({**values, "mains": mains_v / 230.0}, measurands)[0]
        readings = []
        for m, true in zip(measurands, truth, strict=True):
            if m.quantity == "dc_v":
                contact = 0.002 * abs(true) * rng.standard_normal()
                value = true * (1 + errors["meter"]) + contact + 0.01 * rng.standard_normal()
                std, instrument, range_v = np.hypot(0.005 * value / 3**0.5, 0.02 / 3**0.5), "meter", 1000.0
            elif m.quantity == "gain":
                value = true * (1 + errors["scope"] + 0.004 * rng.standard_normal())
                std, instrument, range_v = 0.011 * value, "scope", 10.0
            else:
                value = true + errors["skew"] + 0.3 * rng.standard_normal()
                std, instrument, range_v = 1.1, "scope", 10.0
            readings.append(
                Reading(
                    point=m.point,
                    quantity=m.quantity,
                    value=float(value),
                    std=float(std),
                    freq_hz=m.freq_hz,
                    drive_pp_v=m.drive_pp_v,
                    instrument=instrument,
                    range_v=range_v,
                )
            )
        return Pass(name=name, started_utc="", mains_v=mains_v, readings=tuple(readings), events=tuple(events))

    return read
