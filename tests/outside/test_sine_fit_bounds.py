"""The sine fit and the gain against published bounds, a published worked example and independent libraries.

Run with ``-s`` to see the tables.
"""

import math

import numpy as np
import pytest

from analysis.gain import ChannelAccuracy, gain_of
from analysis.sinefit import fit_sine
from analysis.uncertainty import InputQuantity, coverage_factor, evaluate

TRIALS = 2000  # a variance is then known to 3.2 % (k = 1), so 10 % is more than three standard deviations


def bound(count, dt_s, freq_hz, amplitude, phase, noise, unknown_frequency):
    """Cramer-Rao bound for amplitude, phase at the centre and frequency: the inverse of Fisher's matrix.

    D. Rife, R. Boorstyn, IEEE Trans. Inf. Theory 20 (1974) 591-598, for a real sine with unknown offset; written in
    amplitude and phase, where the fit works in sine and cosine.
    """
    t = (np.arange(count) - (count - 1) / 2) * dt_s
    turn = 2 * np.pi * freq_hz * t + phase
    slopes = [np.cos(turn), -amplitude * np.sin(turn), np.ones(count)]
    if unknown_frequency:
        slopes.append(-amplitude * 2 * np.pi * t * np.sin(turn))
    fisher = np.array(slopes) @ np.array(slopes).T / noise**2
    return np.diag(np.linalg.inv(fisher))


def scatter(snr_db, count, periods, rng, *, unknown_frequency=False):
    dt_s, amplitude, phase = 1e-5, 1.0, 0.7
    freq_hz = periods / (count * dt_s)
    noise = amplitude / math.sqrt(2) / 10 ** (snr_db / 20)
    t = (np.arange(count) - (count - 1) / 2) * dt_s
    clean = 3.0 + amplitude * np.cos(2 * np.pi * freq_hz * t + phase)
    found = np.empty((TRIALS, 3))
    stated = np.empty((TRIALS, 2))
    for trial in range(TRIALS):
        fit = fit_sine(
            clean + noise * rng.normal(size=count), dt_s, freq_hz, fit_frequency=unknown_frequency, harmonics=1
        )
        found[trial] = fit.amplitude_v, fit.phase_rad, fit.freq_hz
        stated[trial] = fit.amplitude_std_v, fit.phase_std_rad
    limits = bound(count, dt_s, freq_hz, amplitude, phase, noise, unknown_frequency)
    return found.var(axis=0, ddof=1), limits, np.mean(stated**2, axis=0), found.mean(axis=0)


@pytest.mark.parametrize("unknown_frequency", [False, True], ids=["three parameters", "four parameters"])
def test_variance_is_within_ten_percent_of_the_cramer_rao_bound(unknown_frequency):
    rng = np.random.default_rng(20260301)
    kind = "four" if unknown_frequency else "three"
    print(f"\n{kind} parameters: variance over Cramer-Rao bound, {TRIALS} trials")
    print("SNR dB  samples  periods  amplitude  phase  frequency  stated/true amplitude  phase")
    for snr_db, count, periods in (
        (60, 1000, 10.0),
        (40, 200, 5.3),
        (40, 1000, 10.3),
        (20, 1000, 2.5),
        (20, 200, 7.7),
    ):
        variances, limits, stated, _ = scatter(snr_db, count, periods, rng, unknown_frequency=unknown_frequency)
        ratios = [variances[0] / limits[0], variances[1] / limits[1]]
        if unknown_frequency:
            ratios.append(variances[2] / limits[3])
        honest = stated / variances[:2]
        shown = [f"{r:9.3f}" for r in ratios] + ["        -"] * (3 - len(ratios))
        print(f"{snr_db:6d}  {count:7d}  {periods:7.1f}  {'  '.join(shown)}  {honest[0]:15.3f}  {honest[1]:5.3f}")
        assert ratios == pytest.approx([1.0] * len(ratios), abs=0.1)
        assert honest == pytest.approx([1.0, 1.0], abs=0.1)


def test_closed_form_of_the_bound_over_whole_periods():
    # u(amplitude) / amplitude = u(phase) = sqrt(2 / N) s / amplitude; u(f) = sqrt(6 / N) s / (pi A T)
    # (T. Andersson, P. Haendel, "IEEE standard 1057, Cramer-Rao bound and the parsimony principle", 2003).
    count, noise = 4000, 0.02
    limits = bound(count, 1e-5, 500.0, 1.0, 0.3, noise, True)
    assert limits[0] == pytest.approx(2 / count * noise**2, rel=1e-3)
    assert limits[1] == pytest.approx(2 / count * noise**2, rel=0.02)
    assert limits[3] == pytest.approx(6 / count * (noise / (math.pi * count * 1e-5)) ** 2, rel=0.03)
    rng = np.random.default_rng(1)
    t = (np.arange(count) - (count - 1) / 2) * 1e-5
    fit = fit_sine(
        np.cos(2 * np.pi * 500 * t + 0.3) + noise * rng.normal(size=count), 1e-5, 500.0, fit_frequency=True
    )
    assert [fit.amplitude_std_v**2, fit.phase_std_rad**2, fit.freq_std_hz**2] == pytest.approx(
        [limits[0], limits[1], limits[3]], rel=0.1
    )


@pytest.mark.parametrize("bits", [8, 12])
def test_quantisation_adds_a_twelfth_of_a_step_squared(bits):
    # Uniform quantisation with enough noise to blur the steps: white error of variance q^2 / 12
    # (W. R. Bennett, Bell Syst. Tech. J. 27 (1948) 446; also IEEE Std 1057).
    rng = np.random.default_rng(bits)
    count, q = 1000, 2.5 / 2**bits
    noise = 0.5 * q
    t = np.arange(count) * 1e-5
    found, stated = [], []
    for _ in range(TRIALS):
        volts = (
            np.cos(2 * np.pi * 1030.0 * t + rng.uniform(0, 6.3))
            + 0.1 * rng.normal()
            + noise * rng.normal(size=count)
        )
        fit = fit_sine(np.round(volts / q) * q, 1e-5, 1030.0, quantum_v=q)
        found.append(fit.amplitude_v - 1.0)
        stated.append(fit.amplitude_std_v)
    expected = 2 / count * (noise**2 + q**2 / 12)
    print(f"\n{bits} bit, noise half a step: variance over 2/N (s^2 + q^2/12) = {np.var(found) / expected:.3f}")
    assert np.var(found) / expected == pytest.approx(1.0, abs=0.1)
    assert np.mean(np.square(stated)) / expected == pytest.approx(1.0, abs=0.1)


def test_steps_without_noise_are_covered_by_the_stated_uncertainty():
    """Without noise the steps do not average out; the stated uncertainty grows to hold it.

    Fourier series of the error of a uniform quantiser: the fundamental gains 2 q / (pi n) J_1(2 pi n A / q) a term
    (derived in the code; J_1 here from scipy). Checked first for a single sine, then as coverage over amplitudes.
    """
    from scipy.special import j1

    count = 4000
    t = np.arange(count) * 1e-5
    turn = 2 * np.pi * 1013.7 * t
    for amplitude in (1.3, 5.2, 20.4):
        n = np.arange(1, 400)
        theory = np.sum((-1.0) ** n * 2 / (np.pi * n) * j1(2 * np.pi * n * amplitude))
        fit = fit_sine(np.round(amplitude * np.cos(turn)), 1e-5, 1013.7, quantum_v=1.0)
        assert fit.amplitude_v - amplitude == pytest.approx(theory, abs=0.004)
    rng = np.random.default_rng(9)
    for low, high in ((1, 2), (2, 5), (5, 20), (20, 100)):
        errors = []
        for amplitude in rng.uniform(low, high, 400):
            volts = np.round(amplitude * np.cos(turn + rng.uniform(0, 6.3)) + rng.uniform(-0.5, 0.5))
            fit = fit_sine(volts, 1e-5, 1013.7, quantum_v=1.0)
            errors.append((fit.amplitude_v - amplitude) / fit.amplitude_std_v)
        inside = np.mean(np.abs(errors) < 2)
        print(f"no noise, amplitude {low} to {high} steps: {100 * inside:.1f} % within two standard uncertainties")
        assert inside >= 0.95


@pytest.mark.parametrize("periods", [1.0, 1.37, 2.5, 5.3, 10.0, 17.77])
@pytest.mark.parametrize("harmonics", [1, 5])
def test_same_answer_as_reference_least_squares(periods, harmonics):
    """numpy.linalg.lstsq (singular values) on the plain, uncentred matrix; the fit uses normal equations."""
    rng = np.random.default_rng(31)
    count, dt_s = 1200, 1e-5
    freq = periods / (count * dt_s)
    t = dt_s * np.arange(count)
    volts = (
        100 + sum(0.5**k * np.cos(2 * np.pi * k * freq * t + k) for k in (1, 2, 3)) + 0.1 * rng.normal(size=count)
    )
    columns = [np.ones(count)]
    for k in range(1, harmonics + 1):
        columns += [np.cos(2 * np.pi * k * freq * t), np.sin(2 * np.pi * k * freq * t)]
    matrix = np.array(columns).T
    reference, rest, _, _ = np.linalg.lstsq(matrix, volts, rcond=None)
    covariance = np.linalg.inv(matrix.T @ matrix) * rest[0] / (count - matrix.shape[1])
    fit = fit_sine(volts, dt_s, freq, harmonics=harmonics)
    assert fit.phasor_at(0.0) == pytest.approx(complex(reference[1], -reference[2]), abs=1e-10)
    assert fit.offset_v == pytest.approx(reference[0], abs=1e-9)
    size = math.hypot(reference[1], reference[2])
    along = np.array([reference[1], reference[2]]) / size
    assert fit.amplitude_std_v**2 == pytest.approx(along @ covariance[1:3, 1:3] @ along, rel=1e-8)


def test_over_whole_periods_the_fit_is_the_discrete_fourier_transform():
    rng = np.random.default_rng(33)
    volts = rng.normal(size=1000)
    fit = fit_sine(volts, 1e-5, 1000.0, harmonics=5)
    spectrum = np.fft.rfft(volts) * 2 / 1000
    for order in range(1, 6):
        turned = fit.phasors_v[order - 1] * np.exp(-2j * np.pi * order * 1000.0 * fit.center_s)
        assert turned == pytest.approx(spectrum[10 * order], abs=1e-12)


def test_four_parameters_against_scipy_curve_fit():
    from scipy.optimize import curve_fit

    rng = np.random.default_rng(35)
    t = (np.arange(3000) - 1499.5) * 1e-5
    for periods in (3.3, 10.7, 25.2):
        freq = periods / 0.03
        volts = 0.4 + 0.8 * np.cos(2 * np.pi * freq * t - 0.6) + 0.05 * rng.normal(size=t.size)
        start = freq * (1 + 0.3 / periods)

        def model(t, a, b, c, f):
            return a * np.cos(2 * np.pi * f * t) + b * np.sin(2 * np.pi * f * t) + c

        values, covariance = curve_fit(model, t, volts, p0=[0.5, 0.5, 0.0, freq * (1 + 0.02 / periods)])
        fit = fit_sine(volts, 1e-5, start, fit_frequency=True)
        assert fit.phasor_v == pytest.approx(complex(values[0], -values[1]), abs=1e-6)
        assert fit.freq_hz == pytest.approx(values[3], abs=1e-5)
        assert fit.freq_std_hz == pytest.approx(math.sqrt(covariance[3, 3]), rel=1e-3)


def test_worked_example_h1_of_the_guide():
    """JCGM 100:2008, H.1: calibration of an end gauge; u(l) = 32 nm, nu_eff = 16, U99 = 93 nm.

    Numbers of H.1.3 to H.1.6 (from memory of the Guide): standard 50 000 623 nm, u 25 nm (18 degrees of freedom);
    difference 215 nm, u 9.7 nm (25.6); thermal terms c = l_s * theta = -5.0e6 nm degC with u(d_alpha) 0.58e-6
    (50 degrees of freedom), c = -l_s * alpha with u(d_theta) 0.029 degC (2); the others act only in second order.
    """
    inputs = [
        InputQuantity(name="length of the standard", value=50_000_623.0, std=25.0, unit="nm", dof=18),
        InputQuantity(name="difference", value=215.0, std=9.7, unit="nm", dof=25.6),
        InputQuantity(name="difference of expansion", value=0.0, std=0.58e-6, unit="1/K", dof=50),
        InputQuantity(name="difference of temperature", value=0.0, std=0.029, unit="K", dof=2),
        InputQuantity(name="expansion", value=11.5e-6, std=1.2e-6, unit="1/K"),
        InputQuantity(name="temperature of the bed", value=-0.1, std=0.41, unit="K"),
    ]
    budget = evaluate(
        "length",
        lambda x: x[0] + x[1] - x[0] * (x[2] * x[5] + x[4] * x[3]),
        inputs,
        unit="nm",
    )
    assert budget.value == pytest.approx(50_000_838, abs=1)
    assert budget.std == pytest.approx(32.0, abs=0.5)
    assert [abs(row.contribution) for row in budget.rows][:4] == pytest.approx([25, 9.7, 2.9, 16.6], rel=0.02)
    assert math.floor(budget.dof) == 16
    assert budget.expanded(0.99) == pytest.approx(93.0, abs=1.5)


def test_worked_example_h2_of_the_guide():
    """JCGM 100:2008, H.2: resistance, reactance and impedance from correlated voltage, current and phase.

    Means, standard uncertainties and correlations of table H.2; results of table H.3 and H.4 (from memory of the
    Guide): R 127.732 u 0.071, X 219.847 u 0.295, Z 254.260 u 0.236.
    """
    inputs = [
        InputQuantity(name="V", value=4.9990, std=0.0032, unit="V"),
        InputQuantity(name="I", value=19.661e-3, std=0.0095e-3, unit="A"),
        InputQuantity(name="phi", value=1.04446, std=0.00075, unit="rad"),
    ]
    together = {("V", "I"): -0.36, ("V", "phi"): 0.86, ("I", "phi"): -0.65}
    models = {
        "R": (lambda x: x[0] / x[1] * math.cos(x[2]), 127.732, 0.071),
        "X": (lambda x: x[0] / x[1] * math.sin(x[2]), 219.847, 0.295),
        "Z": (lambda x: x[0] / x[1], 254.260, 0.236),
    }
    for name, (model, value, std) in models.items():
        budget = evaluate(name, model, inputs, together, unit="ohm")
        assert budget.value == pytest.approx(value, abs=0.02)
        # The correlations are printed with two digits, which alone moves u(R) by some per cent.
        assert budget.std == pytest.approx(std, rel=0.06)


def test_student_factors_of_the_guide():
    # JCGM 100:2008, table G.2.
    for dof, t95 in ((1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (50, 2.01), (math.inf, 1.960)):
        assert coverage_factor(0.95, dof) == pytest.approx(t95, abs=0.006)


def test_budget_against_the_uncertainties_library():
    """`uncertainties` keeps correlations through the arithmetic by itself: an independent second way."""
    from uncertainties import correlated_values
    from uncertainties.umath import atan2, log10, sqrt

    rng = np.random.default_rng(41)
    values = np.array([0.05, 0.01, -2.7, 0.3, 0.001, -0.002])
    root = rng.normal(size=(6, 6)) * 1e-3
    covariance = root @ root.T
    std = np.sqrt(np.diag(covariance))
    names = "abcdef"
    inputs = [InputQuantity(name=n, value=v, std=s) for n, v, s in zip(names, values, std, strict=True)]
    correlations = {
        (names[i], names[j]): covariance[i, j] / std[i] / std[j] for i in range(6) for j in range(i + 1, 6)
    }
    x = correlated_values(values, covariance)
    oracle = 20 * log10(sqrt((x[2] ** 2 + x[3] ** 2) / (x[0] ** 2 + x[1] ** 2)) * (1 + x[4]) / (1 + x[5]))
    ours = evaluate(
        "gain",
        lambda v: 20 * math.log10(math.hypot(v[2], v[3]) / math.hypot(v[0], v[1]) * (1 + v[4]) / (1 + v[5])),
        inputs,
        correlations,
        unit="dB",
    )
    assert ours.value == pytest.approx(oracle.nominal_value, rel=1e-12)
    assert ours.std == pytest.approx(oracle.std_dev, rel=1e-6)
    angle = atan2(x[3], x[2]) - atan2(x[1], x[0])
    ours = evaluate(
        "phase", lambda v: math.atan2(v[3], v[2]) - math.atan2(v[1], v[0]), inputs, correlations, unit="rad"
    )
    assert ours.std == pytest.approx(angle.std_dev, rel=1e-6)


def records(gain, rng, errors=(0.0, 0.0), *, full_scale=(0.13, 7.5), count=2000, jitter_s=0.0):
    """Two simultaneous 8-bit records of a stage, each channel with its own scale error."""
    from acquisition.records import Capture

    dt_s, freq = 5e-6, 1000.0
    t = -4e-3 + dt_s * np.arange(count)
    shift = rng.normal() * jitter_s
    phase = rng.uniform(0, 2 * np.pi)
    out = []
    for channel, (phasor, scale, error) in enumerate(
        zip((0.05, 0.05 * gain), full_scale, errors, strict=True), start=1
    ):
        q = scale / 256
        wave = (phasor * np.exp(1j * (2 * np.pi * freq * (t + shift) + phase))).real * (1 + error)
        codes = np.clip(np.round(wave / q + 0.5 * rng.normal(size=count)), -128, 127).astype(np.int8)
        out.append(
            Capture(
                point=("IN", "OUT")[channel - 1],
                codes=codes,
                scale_v=q,
                offset_v=0.0,
                t0_s=-4e-3,
                dt_s=dt_s,
                full_scale_v=scale,
                channel=channel,
                shot=7,
                freq_hz=freq,
            )
        )
    return out


def test_gain_lies_in_its_interval_as_often_as_stated():
    """1,000 measurements, 8 bits, noise, trigger jitter, scale errors drawn from the specification: 93 to 97 %."""
    rng = np.random.default_rng(51)
    gain = -56.0 * np.exp(0.02j)
    limits = ChannelAccuracy(vertical=0.03, probe=0.01, skew_s=0.0)
    inside = {"gain": 0, "phase": 0, "noise": 0}
    for _ in range(1000):
        errors = rng.uniform(-0.03, 0.03, 2) + rng.uniform(-0.01, 0.01, 2)
        result = gain_of(*records(gain, rng, errors, jitter_s=1e-6), limits)
        inside["gain"] += abs(result.magnitude - 56.0) < result.magnitude_budget().expanded(0.95)
        inside["phase"] += abs(result.phase_deg + 180 - math.degrees(0.02)) < result.phase_budget().expanded(0.95)
        bare = gain_of(*records(gain, rng), ChannelAccuracy(vertical=0.0, probe=0.0, skew_s=0.0))
        inside["noise"] += abs(bare.magnitude - 56.0) < bare.magnitude_budget().expanded(0.95)
    print(f"\nwithin the stated 95 % interval, of 1,000: {inside}")
    # Two rectangular errors of one size make a nearly triangular sum, whose tails are shorter than the normal's.
    assert 930 <= inside["gain"] <= 975
    assert 930 <= inside["phase"] <= 970
    assert 930 <= inside["noise"] <= 970


def test_ratio_of_correlated_channels_keeps_only_what_differs():
    """Scale error common to both channels: simulated scatter of the ratio is the noise's, and stated so."""
    rng = np.random.default_rng(53)
    shared = ChannelAccuracy(vertical=0.03, probe=0.0, shared=1.0, skew_s=0.0)
    found, stated = [], []
    for _ in range(600):
        common = rng.uniform(-0.03, 0.03)
        result = gain_of(*records(2.0, rng, (common, common), full_scale=(0.13, 0.26)), shared)
        found.append(result.magnitude)
        stated.append(result.magnitude_std)
    assert np.std(found) == pytest.approx(np.mean(stated), rel=0.12)
    assert np.mean(stated) < 2.0 * 0.001
    apart = gain_of(*records(2.0, rng, full_scale=(0.13, 0.26)), ChannelAccuracy(vertical=0.03, probe=0.0))
    assert apart.magnitude_std == pytest.approx(2.0 * 0.0245, rel=0.01)
