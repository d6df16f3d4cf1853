"""Sines and their harmonics fitted to records of samples."""

from .captured import clipped_samples, converter_step_v, fit_capture, most_harmonics
from .distortion import Distortion, Harmonic, distortion
from .fit import SineFit, estimate_frequency, fit_sine, unblurred

__all__ = [
    "Distortion",
    "Harmonic",
    "SineFit",
    "clipped_samples",
    "converter_step_v",
    "distortion",
    "estimate_frequency",
    "fit_capture",
    "fit_sine",
    "most_harmonics",
    "unblurred",
]
