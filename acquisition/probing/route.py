"""Which point comes next: by the plan or by what would tell most, without what is read, refused or skipped."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..records import SurveyPlan, SurveyStep
from .limits import ProbingLimits
from .options import Options


class Route:
    """The way through the points of a survey.

    Parameters
    ----------
    plan : SurveyPlan
        Points in order.
    limits : ProbingLimits
        Ratings.
    options : Options
        What the person chose.
    advise : callable, optional
        Gives the point that would tell most; it goes before the order of the plan while it is not read yet.

    Attributes
    ----------
    steps : sequence of SurveyStep
        The points that are offered.
    index : int
        Of the one in hand: -1 before the first, their number after the last.
    read : set of str
        Points read in this survey; whoever keeps a reading adds its point.
    refused : dict
        Points that must not be named, each with its cause.
    """

    def __init__(
        self,
        plan: SurveyPlan,
        limits: ProbingLimits,
        options: Options,
        advise: Callable[[], str | None] | None = None,
    ) -> None:
        self._limits, self._done, self._advise = limits, options.done, advise
        self.steps: Sequence[SurveyStep] = tuple(step for step in plan.steps if _is_offered(step, options))
        names = [step.point for step in self.steps]
        self.index = names.index(options.start_from) - 1 if options.start_from in names else -1
        self.read: set[str] = set()
        self.refused: dict[str, str] = {}
        self._skipped: set[str] = set()
        self._way: list[int] = []  # indices named before the one in hand

    @property
    def step(self) -> SurveyStep | None:
        """The point in hand."""
        return self.steps[self.index] if 0 <= self.index < len(self.steps) else None

    def expect(self, plan: SurveyPlan) -> None:
        """Take over what another plan says of the same points; their order stays.

        Parameters
        ----------
        plan : SurveyPlan
            Points that are not offered are left out, and points it does not know stay as they are.
        """
        known = {step.point: step for step in plan.steps}
        self.steps = tuple(known.get(step.point, step) for step in self.steps)

    def skip(self) -> None:
        """Leave the point in hand out from now on."""
        if self.step is not None:
            self._skipped.add(self.step.point)

    # Each way to go on gives the points that were refused on it for the first time.

    def onward(self) -> list[SurveyStep]:
        """Go to the next point."""
        if self.step is not None:
            self._way.append(self.index)
        names = [step.point for step in self.steps]
        behind = {*self.read, *self._done, *self.refused, *self._skipped}  # they need no further visit
        advised = self._advise() if self._advise is not None else None
        if advised in names and advised not in behind:
            self.index = names.index(advised)
        elif self._advise is not None:
            self.index = next((i for i, name in enumerate(names) if name not in behind), len(names))
        else:
            self.index += 1
        return self._arrive(1)

    def back(self) -> list[SurveyStep]:
        """Go to the point that was named before; by the plan, where none was."""
        self.index = self._way.pop() if self._way else max(0, self.index - 1)
        return self._arrive(-1, again=True)

    def again(self) -> list[SurveyStep]:
        """Stay at the point in hand."""
        return self._arrive(1, again=True)

    def _arrive(self, direction: int, *, again: bool = False) -> list[SurveyStep]:
        """Pass over what must not be named, and what was read before unless it is asked for again."""
        refused: list[SurveyStep] = []
        while (step := self.step) is not None:
            cause = self._limits.cause(step)
            if cause:
                if step.point not in self.refused:
                    refused.append(step)
                self.refused[step.point] = cause
            elif again or step.point not in self._done:
                break
            again = again and direction < 0
            if direction < 0 and self.index == 0:
                direction = 1
            self.index += direction
        return refused


def _is_offered(step: SurveyStep, options: Options) -> bool:
    if step.heater and options.tubes_glow:
        return False
    return options.delicate or not step.delicate
