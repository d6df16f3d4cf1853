"""Which part best explains the readings, how sure, and what to read next."""

from .diagnosis import Diagnoser, Diagnosis, Suspect
from .estimates import Estimate
from .next_reading import Proposal

__all__ = ["Diagnoser", "Diagnosis", "Estimate", "Proposal", "Suspect"]
