"""The list of suspects beside the survey: begun with its first points, asked at each reading, kept at the end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from acquisition.records import Measurand
from analysis.app.survey import limits_of

from . import showing
from .thinking import NOTHING_WEIGHED, Thinker

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from acquisition.records import SurveyStep
    from acquisition.store import Job

    from .hub import Hub
    from .in_hand import PassInHand


class Weighing:
    """The panel ``suspects``, and the thread that works it out once there is something to weigh.

    Parameters
    ----------
    hub : Hub
        Shows the panel.
    bench : Bench
        Whose ratings bound what is advised.

    Attributes
    ----------
    advised : str or None
        The point that would tell most.
    """

    def __init__(self, hub: Hub, bench: Bench) -> None:
        self.advised: str | None = None
        self._hub, self._bench = hub, bench
        self._thinker: Thinker | None = None

    def show_nothing(self, points: int | None) -> None:
        """Show that nothing is weighed.

        Parameters
        ----------
        points : int or None
            As `showing.suspects_panel`.
        """
        self.advised = None
        self._hub.publish("suspects", showing.suspects_panel(NOTHING_WEIGHED, points))

    def begin(self, hand: PassInHand, steps: Sequence[SurveyStep]) -> None:
        """Weigh from now on, where there is a model.

        Parameters
        ----------
        hand : PassInHand
            The pass in hand.
        steps : sequence of SurveyStep
            Points of the survey.
        """
        if self._thinker is not None:
            self.ask(hand)
            return
        if hand.model is None or (first := hand.weighable()) is None:
            return
        reached = {name for name, point in hand.model.points.items() if point.node}
        wanted = [Measurand(point=s.point, quantity="dc_v") for s in steps if s.point in reached]
        limit_v = limits_of(self._bench, mains_known=True).rated_v
        self.show_nothing(0)
        self._thinker = Thinker(first, wanted, limit_v, self._tell)
        if any(readings for _, readings in first.rounds):
            self._thinker.ask(first)

    def ask(self, hand: PassInHand) -> None:
        """Weigh what was read by now.

        Parameters
        ----------
        hand : PassInHand
            The pass in hand.
        """
        if self._thinker is not None and (read := hand.weighable()) is not None:
            self._thinker.ask(read)

    def keep(self, job: Job, name: str) -> None:
        """Keep the list in the job as it stands; see `Thinker.keep`.

        Parameters
        ----------
        job : Job
            Open for writing.
        name : str
            The pass.
        """
        if self._thinker is not None:
            self._thinker.keep(job, name)

    def end(self) -> None:
        """Stop weighing."""
        if self._thinker is not None:
            self._thinker.end()

    def _tell(self, found: dict[str, Any], points: int | None, settled: bool) -> None:
        panel = showing.suspects_panel(found, points, settled)
        self.advised = panel["point"]
        self._hub.publish("suspects", panel)
