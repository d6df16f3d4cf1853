"""The chassis file that a job keeps, and its model: as far as there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from acquisition.errors import AnalysisError, ConfigError
from acquisition.records import JobSheet

if TYPE_CHECKING:
    from analysis.chassis import Chassis, ChassisModel, MeterLoad, ProbeLoad


def modelled(sheet: JobSheet) -> tuple[Chassis | None, ChassisModel | None, str]:
    """Chassis and model of a job, with the meter and probe of the bench file that the job keeps.

    Parameters
    ----------
    sheet : JobSheet
        Of the job.

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
        chassis = parse_chassis(sheet.chassis_text, sheet.chassis_name)
    except ConfigError as error:
        return None, None, f"the chassis file kept in the job cannot be read: {error.problems[0]}"
    if not chassis.parts:
        return chassis, None, "the chassis file lists no parts, so there is no model"
    try:
        return chassis, ChassisModel(chassis, *_loads(sheet.bench_text)), ""
    except AnalysisError as error:
        return chassis, None, f"the model of the chassis has no answer: {error}"


def _loads(bench_text: str) -> tuple[MeterLoad, ProbeLoad]:
    """What the instruments of a bench file put on a point; the usual 10 Mohm where it does not say."""
    from analysis.chassis import MeterLoad, ProbeLoad

    if not bench_text.strip():
        return MeterLoad(), ProbeLoad()
    from acquisition.instruments.bench import parse_bench

    try:
        bench = parse_bench(bench_text, "bench file of the job")
    except ConfigError:  # of an instrument that this version no longer knows
        return MeterLoad(), ProbeLoad()
    meter = MeterLoad() if bench.meter is None else MeterLoad(resistance_ohm=bench.meter.input_ohm)
    return meter, ProbeLoad(resistance_ohm=bench.probe.ohm, capacitance_farad=bench.probe.farad)
