"""Gain and phase of a stage, with its uncertainty, from captured records."""

from .combine import averaged, swapped
from .measure import ChannelAccuracy, gain_of, peak_to_peak_v
from .probes import probe_question
from .result import SCALES, Gain, NoisePart, wrapped_deg

__all__ = [
    "SCALES",
    "ChannelAccuracy",
    "Gain",
    "NoisePart",
    "averaged",
    "gain_of",
    "peak_to_peak_v",
    "probe_question",
    "swapped",
    "wrapped_deg",
]
