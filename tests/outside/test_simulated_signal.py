"""A small run of the trials of ``simulated_signal.py``, which is run by hand for its thousand."""

import importlib.util
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def trials():
    spec = importlib.util.spec_from_file_location("signal_trials", Path(__file__).with_name("simulated_signal.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_gain_and_phase_lie_in_their_intervals(trials, tmp_path):
    # Of 60 runs at 95 % fewer than 52 happen once in 2,000 (binomial distribution).
    inside = trials.gains(60, tmp_path)
    assert min(inside.values()) >= 52


def test_gain_and_phase_of_ac_coupled_channels_lie_in_their_intervals(trials, tmp_path):
    # The tolerance of the corners is a rectangle, so that even more lie inside; fewer than 52 of 60 as above.
    inside = trials.coupled(60, tmp_path)
    assert min(inside.values()) >= 52


def test_corners_lie_in_their_intervals(trials, tmp_path):
    # Of 28 sweeps at 95 % fewer than 22 happen once in 2,500 (binomial distribution).
    inside = trials.corners(28, tmp_path)
    assert min(inside.values()) >= 22


def test_distortion_of_a_known_wave_within_a_tenth_of_a_percent(trials, tmp_path):
    for _, worst, floor in trials.distortions(5, tmp_path):
        assert worst < 0.001
        assert floor < 0.0015
