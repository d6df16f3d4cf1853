"""Gain and phase of a stage, with its uncertainty, from captured records."""

from .combine import averaged, swapped
from .kept import EXCHANGED, OUTPUT, PAIR, SOURCE, STRAIGHT, gains_kept, note_of
from .measure import ChannelAccuracy, droop_of, gain_of, peak_to_peak_v
from .probes import probe_question
from .result import COUPLINGS, SCALES, Gain, NoisePart, wrapped_deg

__all__ = [
    "COUPLINGS",
    "EXCHANGED",
    "OUTPUT",
    "PAIR",
    "SCALES",
    "SOURCE",
    "STRAIGHT",
    "ChannelAccuracy",
    "Gain",
    "NoisePart",
    "averaged",
    "droop_of",
    "gain_of",
    "gains_kept",
    "note_of",
    "peak_to_peak_v",
    "probe_question",
    "swapped",
    "wrapped_deg",
]
