"""The chassis file that a job keeps, and its model: as far as there is one."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING

from acquisition.errors import AnalysisError, ConfigError
from acquisition.records import JobSheet

if TYPE_CHECKING:
    from acquisition.instruments import Bench
    from analysis.chassis import Chassis, ChassisModel, MeterLoad, ProbeLoad

PUT_RIGHT = (
    "stagewalk export JOB --chassis FILE writes it out, stagewalk note JOB --chassis FILE takes it back put right"
)
"""What to do about a chassis file that an earlier version took and this one refuses."""


def modelled(sheet: JobSheet, pulled: Iterable[str] = ()) -> tuple[Chassis | None, ChassisModel | None, str]:
    """Chassis and model of a job, with the meter and probe of the bench file that the job keeps.

    Parameters
    ----------
    sheet : JobSheet
        Of the job.
    pulled : iterable of str
        Sockets whose tubes are out, see `Pass.pulled`.

    Returns
    -------
    chassis : Chassis or None
        None when the job keeps no chassis file, or one that this version does not read.
    model : ChassisModel or None
        None when the file has no parts.
    reason : str
        Why there is no model; empty when there is one.
    """
    from analysis.chassis import ChassisModel, parse_chassis

    if not sheet.chassis_text.strip():
        return None, None, "the job keeps no chassis file"
    try:
        chassis = parse_chassis(sheet.chassis_text, sheet.chassis_name).without(pulled)
    except ConfigError as error:
        first, more = error.problems[0], len(error.problems) - 1
        told = f"{first}; and {more} more" if more else str(first)
        return None, None, f"the chassis file kept in the job cannot be read: {told}; {PUT_RIGHT}"
    if not chassis.parts:
        return chassis, None, "the chassis file lists no parts, so there is no model"
    try:
        return chassis, ChassisModel(chassis, *loads_of(kept_bench(sheet.bench_text))), ""
    except AnalysisError as error:
        return chassis, None, f"the model of the chassis has no answer: {error}"


class Models:
    """Models of one chassis by what is out of circuit, each made once.

    Parameters
    ----------
    model : ChassisModel
        Whatever is out of it: the others take its supplies, meter and probe.
    """

    def __init__(self, model: ChassisModel) -> None:
        self._first, self._made = model, {model.chassis.pulled: model}

    def of(self, pulled: Collection[str]) -> ChassisModel:
        """The chassis with this out of circuit, and all else in.

        Parameters
        ----------
        pulled : collection of str
            Sockets and parts.

        Raises
        ------
        AnalysisError
            It has no operating point.
        """
        from analysis.chassis import ChassisModel

        first, chassis = self._first, self._first.chassis.without(pulled)
        if chassis.pulled not in self._made:
            self._made[chassis.pulled] = ChassisModel(chassis, first.meter, first.probe, beside=first)
        return self._made[chassis.pulled]


def kept_bench(bench_text: str) -> Bench | None:
    """The bench a job keeps; None where it keeps none, or one of an instrument that this version does not know.

    Parameters
    ----------
    bench_text : str
        The bench file.
    """
    if not bench_text.strip():
        return None
    from acquisition.instruments.bench import parse_bench  # not loaded for nothing

    try:
        return parse_bench(bench_text, "bench file of the job")
    except ConfigError:
        return None


def loads_of(bench: Bench | None) -> tuple[MeterLoad, ProbeLoad]:
    """What the instruments of a bench put on a point; the usual 10 Mohm where it does not say.

    Parameters
    ----------
    bench : Bench or None
        The bench.
    """
    from analysis.chassis import MeterLoad, ProbeLoad

    if bench is None:
        return MeterLoad(), ProbeLoad()
    meter = MeterLoad() if bench.meter is None else MeterLoad(resistance_ohm=bench.meter.input_ohm)
    return meter, ProbeLoad(resistance_ohm=bench.probe.ohm, capacitance_farad=bench.probe.farad)


def limits_known(bench: Bench | None) -> tuple[float | None, float | None]:
    """Ratings of meter with lead, and of probe with scope, in volts: 60 V where the bench file does not say.

    Parameters
    ----------
    bench : Bench or None
        The bench; without one nothing is known, and both are None.
    """
    return (None, None) if bench is None else (bench.meter_limit_v, bench.probe_limit_v)
