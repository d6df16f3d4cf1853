"""The pass that the page reads for, and the chassis as it stands in it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from acquisition.errors import AnalysisError, StoreError
from acquisition.store import KeptPasses
from analysis.app.jobs import direct_readings, pass_so_far
from analysis.app.modelled import Models, modelled
from analysis.app.together import Stood, counted, stood

if TYPE_CHECKING:
    from acquisition.records import Pass, Reading
    from acquisition.store import Job
    from analysis.chassis import Chassis, ChassisModel


class PassInHand:
    """One pass of a job at a time; another may be taken up.

    Parameters
    ----------
    job : Job
        Open.
    chassis : Chassis
        Of the job, as it stands.
    model : ChassisModel or None
        Its model, where there is one.
    name : str
        The pass; it need not have begun.
    """

    def __init__(self, job: Job, chassis: Chassis, model: ChassisModel | None, name: str) -> None:
        self.job, self.name = job, name
        self.chassis, self.model = chassis, model
        self._models = Models(model) if model is not None else None
        self._kept: KeptPasses | None = None
        self._drawn = job.sheet.chassis_text

    @classmethod
    def of(cls, job: Job, name: str) -> tuple[PassInHand | None, str]:
        """The pass of that name; None, and why, where the job keeps no chassis that can be walked.

        Parameters
        ----------
        job : Job
            Open.
        name : str
            The pass.
        """
        chassis, model, reason = modelled(job.sheet, pass_so_far(job, name).pulled)
        return (None, reason) if chassis is None else (cls(job, chassis, model, name), "")

    @property
    def so_far(self) -> Pass:
        """The pass as it is kept."""
        return pass_so_far(self.job, self.name)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Its DC readings that need no further visit."""
        return direct_readings(self.job, self.name)

    def stand(self, out: Sequence[str]) -> bool:
        """Go by this being out of circuit; tells whether that is another chassis than before.

        Parameters
        ----------
        out : sequence of str
            Sockets and parts.
        """
        if tuple(out) == self.chassis.pulled:
            return False
        self.chassis, self.model = self.chassis.without(out), None
        if self._models is not None:
            try:
                self.model = self._models.of(out)
            except AnalysisError:  # it stands on what is out; the survey goes on without expected volts
                pass
        return True

    def weighable(self) -> Stood | None:
        """What the suspects are worked out from, other passes that count with this one included.

        Returns
        -------
        Stood or None
            None where there is no model.

        Raises
        ------
        StoreError
            The job keeps another chassis file since: what is told would be of the one before.
        """
        if self.model is None or self._models is None:
            return None
        if self._kept is None:
            self._kept = KeptPasses(self.job)
        else:
            self._kept.renew()
        if self._kept.sheet.chassis_text != self._drawn:
            raise StoreError(
                "the chassis file of this job was put right, and this page still goes by the one before",
                hint="end the page with Ctrl-C in its terminal and start it again",
            )
        one = self._kept.read_pass(self.name) if self.name in self._kept.passes() else self.so_far
        try:
            return stood(counted(self._kept, one), self._models)
        except AnalysisError:  # with all in that was in during another pass it has no operating point
            return stood(counted(self._kept, one, alone=True), self._models)
