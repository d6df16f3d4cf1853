"""What a report is made of: records and findings, gathered by whoever asks for the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from acquisition.records import JobSheet, Measurand, Pass, Reading, Told

from ..chassis import Chassis
from ..compare import Comparison, Standings, same
from ..idle import Idle
from ..judge import Judged
from ..suspects import Diagnosis
from .words import measurand_text


@dataclass(frozen=True, kw_only=True)
class Material:
    """Everything a report shows. All but the first two may be missing, and the report says so.

    Parameters
    ----------
    sheet : JobSheet
        What was written down at intake and at the end.
    passes : tuple of Pass
        In the order they were taken.
    judged : mapping of str to tuple of Judged
        Verdicts by name of the pass.
    functions : mapping of str to str
        What a point is, in the trade's words.
    idle : mapping of str to tuple of Idle
        What power tubes draw and dissipate at idle, by name of the pass.
    comparison : Comparison, optional
        First pass against last.
    diagnosis : Diagnosis, optional
        Suspects as the first pass left them.
    told : Told, optional
        When and by what they were told.
    counted : tuple of str
        The passes they rest on, each with what was out of circuit.
    chassis : Chassis, optional
        For the drawing.
    asked : tuple of str
        What to ask about the first pass before its readings are taken for the chassis.
    apart : tuple of Standings
        Passes that stand differently from the first, each beside one before it.
    limits : tuple of str
        What this report lacks and why: no model, a damaged file.
    program : str
        Name and version of what wrote it.
    """

    sheet: JobSheet
    passes: tuple[Pass, ...]
    judged: Mapping[str, tuple[Judged, ...]] = field(default_factory=dict)
    functions: Mapping[str, str] = field(default_factory=dict)
    idle: Mapping[str, tuple[Idle, ...]] = field(default_factory=dict)
    comparison: Comparison | None = None
    diagnosis: Diagnosis | None = None
    told: Told | None = None
    counted: tuple[str, ...] = ()
    chassis: Chassis | None = None
    asked: tuple[str, ...] = ()
    apart: tuple[Standings, ...] = ()
    limits: tuple[str, ...] = ()
    program: str = ""

    @cached_property
    def verdicts(self) -> Mapping[tuple[str, Reading], Judged]:
        """Verdict by pass and reading."""
        return {(name, one.reading): one for name, found in self.judged.items() for one in found}

    @cached_property
    def sweeps(self) -> tuple[str, ...]:
        """Stages, ``FROM>TO``, whose gain was read at three frequencies or more in some pass."""
        found: dict[str, None] = {}
        for one in self.passes:
            counted: dict[str, set[float]] = {}
            for reading in one.readings:
                if reading.quantity == "gain" and reading.freq_hz:
                    counted.setdefault(reading.point, set()).add(nominal_hz(reading.freq_hz))
            found.update({point: None for point, freqs in counted.items() if len(freqs) >= 3})
        return tuple(found)

    def in_sweep(self, measurand: Measurand) -> bool:
        """Whether a response curve shows it.

        Parameters
        ----------
        measurand : Measurand
            What was read.
        """
        return measurand.point in self.sweeps

    def named(self, measurand: Measurand, *, frequency: bool = True, later: Measurand | None = None) -> str:
        """What was read, with what the point is.

        Parameters
        ----------
        measurand : Measurand
            What was read.
        frequency : bool
            Say at which frequency.
        later : Measurand, optional
            The same in a later pass, where that names another frequency.
        """
        function = self.functions.get(measurand.point, "")
        return measurand_text(measurand, "" if function == "node" else function, frequency=frequency, later=later)

    @property
    def ends(self) -> tuple[Pass, ...]:
        """The two passes that are set side by side; one, or none. See `ends_of`."""
        return ends_of(self.passes)

    @property
    def dates(self) -> tuple[str, str]:
        """Day of the first and of the last reading, ISO 8601; the days of the passes where no reading is dated.

        A day when a job was made or dated readings were imported, but nothing was read, is none of them.
        """
        read = [one for one in self.passes if one.readings or one.captures]
        moments = [reading.taken_utc for one in read for reading in one.readings]
        moments += [capture.taken_utc for one in read for capture in one.captures]
        if not any(moments):
            moments = [one.started_utc for one in read]
        days = sorted(moment[:10] for moment in moments if moment)
        return (days[0], days[-1]) if days else ("", "")


def nominal_hz(freq_hz: float | None) -> float:
    """The frequency that was asked for: one that was fitted differs from record to record in its last digits.

    Parameters
    ----------
    freq_hz : float or None
        Of a reading, hertz; 0 for none.
    """
    return float(f"{freq_hz or 0.0:.4g}")


def ends_of(passes: Sequence[Pass]) -> tuple[Pass, ...]:
    """Choose which passes are set side by side: the first, and the last that read some of the same.

    An empty pass, left by a mistyped name, is neither, nor is one with other tubes out of their sockets than the
    first. Where nothing was read twice it is the last of all.

    Parameters
    ----------
    passes : sequence of Pass
        In the order they were started.

    Returns
    -------
    tuple of Pass
        Two; one, or none, where no more hold a reading.
    """
    read = [one for one in passes if one.readings]
    if len(read) < 2:
        return tuple(read or passes[:1])
    first = list(dict.fromkeys(reading.measurand for reading in read[0].readings))
    later = [one for one in read[1:] if one.pulled == read[0].pulled]
    shared = [one for one in later if any(same(r.measurand, other) for r in one.readings for other in first)]
    return read[0], *(shared or later)[-1:]
