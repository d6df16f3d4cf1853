"""Which part best explains the readings, how sure, and what to read next."""

from .diagnosis import Diagnoser, Diagnosis, Estimate, Suspect, measured_parts
from .next_reading import Proposal

__all__ = ["Diagnoser", "Diagnosis", "Estimate", "Proposal", "Suspect", "measured_parts"]
