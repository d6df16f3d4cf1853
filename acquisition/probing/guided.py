"""What a front end needs of anything that guides somebody with samples of a meter and a key."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from ..records import SurveyStep
from ..steady import Sample
from .actions import Action, Key
from .options import Phase


class Guided(Protocol):
    """A survey, or a watch.

    Attributes
    ----------
    phase : Phase
        Where it is.
    step : SurveyStep or None
        The point in hand.
    steps : sequence of SurveyStep
        All that are offered.
    index : int
        Of the point in hand among them.
    doing : str
        What tip or value do, in a few words for the live line.
    """

    @property
    def phase(self) -> Phase: ...

    @property
    def step(self) -> SurveyStep | None: ...

    @property
    def steps(self) -> Sequence[SurveyStep]: ...

    @property
    def index(self) -> int: ...

    @property
    def doing(self) -> str: ...

    def start(self) -> list[Action]:
        """Begin."""

    def sample(self, sample: Sample) -> list[Action]:
        """Take one sample of the meter."""

    def key(self, key: Key) -> list[Action]:
        """Take one key."""
