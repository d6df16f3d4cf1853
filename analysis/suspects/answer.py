"""The answer: suspects with probability, estimate and reason, and what to read next."""

from __future__ import annotations

from dataclasses import dataclass, field

from .estimates import Estimate
from .next_reading import PowerOff, Proposal
from .slips import SLIP


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A fault with its probability.

    Parameters
    ----------
    part, section, fault : str
        As `Fault`.
    probability : float
        Given all readings.
    estimate : Estimate, optional
        What the part would measure, where that means something.
    because : str
        Why, with numbers.
    alike : tuple of str
        Other faults these readings hardly tell from this one.
    separates : str
        What does tell them apart.
    """

    part: str
    section: str
    fault: str
    probability: float
    estimate: Estimate | None
    because: str
    alike: tuple[str, ...] = ()
    separates: str = ""

    @property
    def is_slip(self) -> bool:
        """Whether it is no fault of the chassis, but of hand, lead or instrument; ``part`` then names points."""
        return self.fault.startswith(SLIP)


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """The answer for one pass.

    Parameters
    ----------
    healthy_probability : float
        That nothing is wrong with any part the model knows.
    suspects : tuple of Suspect
        Most probable first.
    next : tuple of Proposal
        Most telling reading first.
    notes : tuple of str
        Whether one fault explains the readings, measured parts out of tolerance, readings left out.
    power_off : tuple of PowerOff
        Parts to measure with power off; only where no live reading tells the suspects apart.
    tube_out : tuple of Proposal
        The reading with a suspected tube out of its socket that tells most, where it was asked for and tells more
        than a live one for its effort.
    """

    healthy_probability: float
    suspects: tuple[Suspect, ...]
    next: tuple[Proposal, ...]
    notes: tuple[str, ...] = field(default=())
    power_off: tuple[PowerOff, ...] = field(default=())
    tube_out: tuple[Proposal, ...] = field(default=())
