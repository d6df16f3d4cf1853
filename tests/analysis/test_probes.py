"""A probe on the calibrator: trimmer, factor, and what is no square wave."""

import json

import numpy as np
import pytest

from acquisition.errors import FitFailed, MeasurementError
from acquisition.instruments import calibrator
from acquisition.records import Capture
from acquisition.simulated.bench import SCOPES, SimulatedBench
from acquisition.simulated.plant import CALIBRATOR, Probe
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table
from analysis.probes import check_probe, unlike

SERIES_OHM, INPUT_OHM, SERIES_F = 9e6, 1e6, 12e-12


def through(trim):
    """Gain at high frequencies over that at low ones, and the time constant between, of a divider by Ohm's law."""
    series_f, input_f = trim * SERIES_F, 9 * SERIES_F
    error = series_f / (series_f + input_f) / (INPUT_OHM / (SERIES_OHM + INPUT_OHM)) - 1
    return error, SERIES_OHM * INPUT_OHM / (SERIES_OHM + INPUT_OHM) * (series_f + input_f)


def record(shape, *, size_v=3.0, full_scale_v=5.0, noise=0.5, channel=1):
    """Four milliseconds of a wave of one volt through an eight-bit converter."""
    t = 3.1e-4 + 1e-6 * np.arange(4000)
    scale_v = full_scale_v / 256
    exact = size_v * shape(t) / scale_v + noise * np.random.default_rng(5).standard_normal(t.size)
    codes = np.clip(np.round(exact), -128, 127).astype(np.int16)
    return Capture(
        point="calibrator", codes=codes, scale_v=scale_v, offset_v=0.5 * size_v, t0_s=float(t[0]), dt_s=1e-6,
        full_scale_v=full_scale_v, channel=channel, clipped=bool(np.abs(exact).max() > 127),
    )  # fmt: skip


def square(trim=1.0, freq_hz=1000.0):
    """A square wave of 1 V behind a probe: each half period begins where the one before ended, and jumps."""
    error, tau_s = through(trim)
    half_s = 0.5 / freq_hz
    bump = error / (1 + np.exp(-half_s / tau_s))  # so that it repeats

    def shape(t):
        sign = np.where(t * freq_hz % 1.0 < 0.5, 1.0, -1.0)
        return sign * (0.5 + bump * np.exp(-(t % half_s) / tau_s))

    return shape


@pytest.mark.parametrize("trim", [0.8, 0.95, 1.0, 1.02, 1.1, 1.3])
@pytest.mark.parametrize("freq_hz", [1000.0, 940.0])
def test_the_corner_is_the_error_at_high_frequencies(trim, freq_hz):
    found = check_probe(record(square(trim, freq_hz)))
    error, tau_s = through(trim)
    assert found.corner == pytest.approx(error, abs=0.004)
    assert found.size_v == pytest.approx(3.0, rel=0.005)
    assert found.freq_hz == pytest.approx(freq_hz, rel=0.005)
    assert found.is_square == (trim in (1.0, 1.02))
    if abs(error) > 0.05:
        assert found.tau_s == pytest.approx(tau_s, rel=0.15)


def test_a_trimmer_a_tenth_off_by_the_numbers_of_the_trade():
    # 9 and 1 Mohm, the capacitor of the input nine times that of the probe: 8.9 % and 2.4 degrees (Ohm's law).
    found = check_probe(record(square(1.1)))
    assert found.text().startswith("3 V p-p at 1 kHz, corners +8.9 %: overcompensated, reads +8.9 % at high")
    assert "by up to +2.4 deg; turn its trimmer" in found.text()
    assert abs(found.error_at(50e3)) == pytest.approx(1.089, abs=0.002)
    assert abs(found.error_at(50.0)) == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize(
    "shape",
    [
        lambda t: 0.5 * np.sin(2 * np.pi * 1000 * t),
        lambda t: 2 * np.abs(t * 1000 % 1.0 - 0.5) - 0.5,  # a triangle
        lambda t: 0.5 * np.sin(2 * np.pi * 50 * t),
        lambda t: 0.0 * t,
        lambda t: np.where(t * 1000 % 1.0 < 0.1, 0.5, -0.5),  # pulses
        lambda t: 5.0 * square()(t),  # beyond the range
    ],
)  # fmt: skip
def test_what_is_no_square_wave_is_said_to_be_none(shape):
    with pytest.raises(FitFailed, match="channel 1 shows no square wave") as caught:
        check_probe(record(shape))
    assert "calibrator's terminal" in caught.value.hint


def test_two_probes_of_unlike_factor():
    first, tenfold, near = (
        check_probe(record(square(), size_v=size_v, full_scale_v=1.6 * size_v, channel=channel))
        for channel, size_v in ((1, 3.0), (2, 29.0), (2, 3.1))
    )
    assert unlike(first, near) == ""
    assert "channel 2 shows 9.67 times what channel 1 shows" in unlike(first, tenfold)
    assert "stands at x1" in unlike(tenfold, first)


def test_a_scope_that_is_lost_meanwhile_is_told_as_that(tmp_path, capsys, monkeypatch):
    with SimulatedBench(TablePlant(load_table(), "leaky")) as bench:
        file = str(bench.write(tmp_path / "bench.yaml"))

        def lost(scope, *_):
            bench.links["scope"].refuse()
            bench.links["scope"].drop()
            raise MeasurementError("channel 1 gives no record", hint="look at the scope's screen")

        monkeypatch.setattr(calibrator, "record_calibrator", lost)
        assert main(["bench", file, "--probes", "--ready"]) == 3
        assert "channel 1 gives no record" in capsys.readouterr().err


@pytest.mark.parametrize("scope", SCOPES)
def test_probes_are_checked_on_each_scope_and_it_is_left_as_it_was(scope, tmp_path, capsys):
    with SimulatedBench(TablePlant(load_table(), "leaky"), scope=scope) as bench:
        file = str(bench.write(tmp_path / "bench.yaml"))
        bench.wiring.probes.update({1: Probe(point=CALIBRATOR), 2: Probe(point=CALIBRATOR, trim=1.1)})
        assert main(["bench", file, "--probes", "--ready"]) == 3
        told = " ".join(capsys.readouterr().out.split())
        assert ": square channel 2 " in told
        assert "overcompensated, reads +8." in told
        bench.wiring.probes.update({1: Probe(point=CALIBRATOR), 2: Probe(point=CALIBRATOR, factor=1.0)})
        assert main(["bench", file, "--probes", "--ready", "--json"]) == 3
        facts = json.loads(capsys.readouterr().out)
        assert [one["is_square"] for one in facts["probes"]] == [True, True]
        assert "a probe's switch stands at x1" in facts["doubt"]
        assert facts["changed"] == []
        bench.wiring.probes.update({2: Probe()})
        assert main(["bench", file, "--probes", "--ready"]) == 0
        assert "TROUBLE channel 2 shows no square wave" in " ".join(capsys.readouterr().out.split())
