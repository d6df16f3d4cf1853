"""Corners found from captured records of a modelled stage, against the formulas of the handbooks.

The whole way is walked: model, 8-bit records with noise at thirty frequencies, fits, gains, interpolation. The
formulas: F. Langford-Smith (ed.), Radiotron Designer's Handbook, 4th edition, 1953, chapter 12 (coupling corner;
cathode bypass, its p. 484 as cited by a secondary source; both from memory), with mu and rp of the modelled tube.
"""

import math

import numpy as np
import pytest

from acquisition.records import Capture
from analysis.chassis import ChassisModel, ProbeLoad, parse_chassis
from analysis.gain import ChannelAccuracy, gain_of
from analysis.response import Response, log_frequencies
from tests.outside.topologies import TOPOLOGIES

TEXT = TOPOLOGIES["common cathode, bypassed"]
NO_LOAD = ProbeLoad(resistance_ohm=math.inf, capacitance_farad=0.0)
FREQUENCIES = log_frequencies(2.0, 50e3, 30)


def model_of(probe=NO_LOAD):
    return ChassisModel(parse_chassis(TEXT, "test"), probe=probe)


def triode(model, values):
    table = model.supplied(values).rest.slopes[0]
    gp, gm = float(table[0][0][0]), float(table[0][1][0])
    return gm / gp, 1.0 / gp


def measured(model, values, source, output, rng):
    """Response as two channels of an 8-bit scope would give it."""
    gains = []
    for freq, gain in zip(FREQUENCIES, model.response(values, source, output, FREQUENCIES)[0], strict=True):
        shots = []
        for point, channel, phasor in ((source, 1, 0.02), (output, 2, 0.02 * gain)):
            dt_s = 8.0 / freq / 4000
            t = dt_s * (np.arange(4000) - 2000)
            step = 2.6 * abs(phasor) / 256
            volts = (phasor * np.exp(2j * np.pi * freq * t)).real
            codes = np.round(volts / step + 0.4 * rng.normal(size=t.size)).astype(np.int8)
            shots.append(
                Capture(
                    point=point,
                    codes=codes,
                    scale_v=step,
                    offset_v=0.0,
                    t0_s=float(t[0]),
                    dt_s=dt_s,
                    full_scale_v=8.0,
                    channel=channel,
                    shot=1,
                    freq_hz=float(freq),
                )
            )
        gains.append(gain_of(*shots, ChannelAccuracy()))
    return Response(gains=tuple(gains))


def parallel(*ohms):
    return 1.0 / sum(1.0 / ohm for ohm in ohms)


def test_coupling_22_nf_into_470_k():
    """f = 1 / (2 pi C (Zo + Rg)), Zo = Rp || rp: about 14.2 Hz."""
    model = model_of()
    large = {"C1": np.ones(1), "C2": np.ones(1)}
    _, rp = triode(model, large)
    expected = 1 / (2 * math.pi * 22e-9 * (parallel(100e3, rp) + 470e3))
    corner = measured(model, large, "V1.2", "OUT", np.random.default_rng(1)).corner("low")
    print(f"\ncoupling: {corner.freq_hz:.3f} +- {1.96 * corner.std_hz:.3f} Hz, formula {expected:.3f} Hz")
    assert expected == pytest.approx(14.2, abs=0.3)
    assert corner.freq_hz == pytest.approx(expected, abs=3 * corner.std_hz + 0.002 * expected)
    assert corner.std_hz < 0.01 * expected


def test_bypass_25_uf_on_1_5_k():
    """Zero 1 / (2 pi Rk Ck), pole (1 + (mu + 1) Rk / (rp + RL)) times it; -3 dB at sqrt(fp^2 - 2 fz^2).

    The last follows from |1 + j f / fz| / |1 + j f / fp| = fp / fz / sqrt(2).
    """
    model = model_of()
    large = {"C1": np.ones(1), "C3": np.ones(1)}
    mu, rp = triode(model, large)
    load = parallel(100e3, 470e3)
    zero = 1 / (2 * math.pi * 1500 * 25e-6)
    pole = zero * (1 + (mu + 1) * 1500 / (rp + load))
    expected = math.sqrt(pole**2 - 2 * zero**2)
    corner = measured(model, large, "V1.2", "V1.1", np.random.default_rng(2)).corner("low")
    print(f"\nbypass: {corner.freq_hz:.3f} +- {1.96 * corner.std_hz:.3f} Hz, formula {expected:.3f} Hz")
    assert zero == pytest.approx(4.24, abs=0.01)
    assert corner.freq_hz == pytest.approx(expected, abs=3 * corner.std_hz + 0.003 * expected)


def test_all_three_together():
    """The reference stage with input coupling, output coupling and bypass as drawn: about 19 Hz (from memory)."""
    model = model_of()
    corner = measured(model, {}, "IN", "OUT", np.random.default_rng(3)).corner("low")
    assert 17.5 < corner.freq_hz < 20.5


def test_taking_the_probe_out_again_by_the_model():
    """A x1 lead at the plate, 1 Mohm and 110 pF: -5 % in the middle, and a corner near 26 kHz; both taken out."""
    lead = ProbeLoad(resistance_ohm=1e6, capacitance_farad=110e-12)
    loaded, free = model_of(lead), model_of()
    rng = np.random.default_rng(4)
    response = measured(loaded, {}, "V1.2", "V1.1", rng)
    corrected = (
        response.gain
        * free.response({}, "V1.2", "V1.1", FREQUENCIES)[0]
        / loaded.response({}, "V1.2", "V1.1", FREQUENCIES)[0]
    )
    true = free.response({}, "V1.2", "V1.1", FREQUENCIES)[0]
    assert np.abs(response.gain / true).min() < 0.7
    assert np.abs(corrected / true - 1).max() < 0.002
