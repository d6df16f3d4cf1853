"""How far a stage can be driven: records at rising drives, and where clipping sets in."""

from .onset import Criterion, Headroom, headroom_of, raise_drive
from .step import KEPT_AS, Step, dwell_of, side_of, side_text, step_of, steps_kept

__all__ = [
    "KEPT_AS",
    "Criterion",
    "Headroom",
    "Step",
    "dwell_of",
    "headroom_of",
    "raise_drive",
    "side_of",
    "side_text",
    "step_of",
    "steps_kept",
]
