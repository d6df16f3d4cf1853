"""Which part best explains the readings, how sure, and what to read next."""

from .answer import Diagnosis, Suspect
from .diagnosis import Diagnoser
from .estimates import Estimate
from .next_reading import Proposal

__all__ = ["Diagnoser", "Diagnosis", "Estimate", "Proposal", "Suspect"]
