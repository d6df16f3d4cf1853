"""One open job: passes, readings, captures and events, each committed before the call returns."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from types import TracebackType

from sqlalchemy import Engine

from ..clock import Clock
from ..errors import StoreError
from ..records import LONGEST_NAME, PULLED, Capture, Event, Reading, Stretch, Told
from . import rows, schema
from .contents import JobContents
from .tables import Tables


class Job(JobContents):
    """An open job; use it in a ``with`` block. Made by `create_job` and `open_job`.

    Parameters
    ----------
    path : str
        The file or database URL.
    engine : Engine
        Connections to it.
    clock : Clock
        Gives the time of passes and of events that carry none.
    read_only : bool
        Refuse to write.
    damage : tuple of str
        What could not be rescued, one line each; empty for a sound file.
    """

    def __init__(
        self, path: str, engine: Engine, *, clock: Clock, read_only: bool = False, damage: tuple[str, ...] = ()
    ) -> None:
        self.path = path
        self.read_only = read_only
        self.damage = damage
        super().__init__(Tables(path, engine, read_only))
        self._clock = clock

    def __enter__(self) -> Job:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; then it is one file again, with no log beside it."""
        self._tables.close()

    # -- writing ---------------------------------------------------------------------------------------------

    def start_pass(
        self,
        name: str,
        *,
        mains_v: float | None = None,
        mains_hz: float | None = None,
        minutes_on: float | None = None,
        settings: Mapping[str, str] | None = None,
    ) -> None:
        """Begin a round of readings.

        Parameters
        ----------
        name : str
            ``as-found``, ``after-C7``; new in this job.
        mains_v, mains_hz : float, optional
            Mains now, volts rms and hertz.
        minutes_on : float, optional
            Minutes since switch-on.
        settings : mapping of str to str, optional
            How chassis and instruments stand, as in `Pass`.

        Raises
        ------
        StoreError
            The name is taken, empty or too long, mains or minutes are no number, or the file cannot be written.
        """
        if not name or name != name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
            raise StoreError(  # a table of readings keeps no blanks at the ends: it would come back as another pass
                f"pass name {name!r}: expected 1 to {LONGEST_NAME} printable characters, no blanks at the ends",
                hint="such as after-C7",
            )
        if name in self.passes():
            raise StoreError(
                f"{self._tables.name}: pass {name!r} exists already", hint="choose another name, or add to it"
            )
        _require_numbers(mains_v, mains_hz, minutes_on)
        row = rows.pass_row(name, self._clock.utc(), mains_v, mains_hz, minutes_on, settings or {})
        self._tables.insert(f"pass {name} not started", schema.PASS, [row])

    def write_conditions(
        self, pass_name: str, *, mains_v: float | None = None, pulled: Sequence[str] | None = None
    ) -> None:
        """Write down how the chassis stood during a pass, in place of what was written; readings stay as they are.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        mains_v : float, optional
            Volts rms; as before when left out.
        pulled : sequence of str, optional
            What was out of circuit, empty where all was in; as before when left out.

        Raises
        ------
        StoreError
            There is no such pass, mains are no number, or the file cannot be written.
        """
        pass_id = self._pass_id(pass_name)
        _require_numbers(mains_v)
        row: dict[str, str | float] = {} if mains_v is None else {"mains_v": float(mains_v)}
        if pulled is not None:
            kept = self.read_pass(pass_name, captures=False).settings
            row["settings"] = rows.settings_text({**kept, PULLED: " ".join(pulled)})
        if row:
            what = "mains" if mains_v is not None else "what is out of circuit"
            self._tables.change(f"{what} not written down", schema.PASS, pass_id, row)

    def add_reading(self, pass_name: str, reading: Reading) -> None:
        """Keep a reading; it is on disk when this returns.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        reading : Reading
            The reading.

        Raises
        ------
        StoreError
            It was not kept, and why.
        """
        self.add_readings(pass_name, [reading])

    def add_readings(self, pass_name: str, readings: Sequence[Reading]) -> None:
        """Keep several readings, all or none.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        readings : sequence of Reading
            The readings.
        """
        pass_id = self._pass_id(pass_name)
        what = f"reading of {readings[0].point} not kept" if len(readings) == 1 else "readings not kept"
        if readings:
            self._tables.insert(what, schema.READING, [rows.reading_row(pass_id, reading) for reading in readings])

    def add_capture(self, pass_name: str, capture: Capture) -> None:
        """Keep a capture; it is on disk when this returns.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        capture : Capture
            The capture; its raw codes are kept as they are.
        """
        row, codes = rows.capture_row(self._pass_id(pass_name), capture)
        doing = f"capture of {capture.point} not kept"
        with self._tables.writing(doing) as connection:
            key = connection.execute(schema.CAPTURE.insert().values(row)).inserted_primary_key
            assert key is not None  # noqa: S101
            connection.execute(schema.WAVEFORM.insert().values(capture_id=key[0], codes=codes))

    def add_event(self, pass_name: str, event: Event, *, can_wait: bool = False) -> None:
        """Keep an event; an event without a time gets the time of now.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        event : Event
            The event.
        can_wait : bool
            Where it cannot be kept now it is kept with what is kept next, or when the job is closed, and nothing is
            raised: for what has happened already and changes no reading.

        Raises
        ------
        StoreError
            It was not kept, and why.
        """
        row = rows.event_row(self._pass_id(pass_name), event, self._clock.utc())
        self._tables.insert(f"event {event.kind} not kept", schema.EVENT, [row], can_wait=can_wait)

    def add_watched(self, pass_name: str, stretches: Sequence[Stretch]) -> None:
        """Keep what a watched point did, all or none; it is on disk when this returns.

        Parameters
        ----------
        pass_name : str
            A pass that was started.
        stretches : sequence of Stretch
            In order of time.

        Raises
        ------
        StoreError
            They were not kept, and why.
        """
        pass_id = self._pass_id(pass_name)
        if stretches:
            what = f"what {stretches[0].point} did is not kept"
            self._tables.insert(what, schema.WATCHED, [rows.stretch_row(pass_id, one) for one in stretches])

    def keep_waiting(self) -> None:
        """Keep the events that could not be kept when they happened, where they can be by now."""
        self._tables.keep_waiting()

    def keep_told(self, pass_name: str, told: Told) -> Told:
        """Keep an answer as it was told; one without a time gets the time of now.

        Parameters
        ----------
        pass_name : str
            The pass it was worked out from.
        told : Told
            The answer.

        Returns
        -------
        Told
            As it is kept.
        """
        row = rows.told_row(self._pass_id(pass_name), told, self._clock.utc())
        self._tables.insert(f"answer about {told.question} not kept", schema.ANSWER, [row])
        return rows.told_from(row)

    def conclude(self, *, found: str | None = None, advice: str | None = None) -> None:
        """Write down the end of the job; the readings stay as they are.

        Parameters
        ----------
        found : str, optional
            What was wrong, in the technician's words; left as it is when not given.
        advice : str, optional
            What was left undone, and what is advised.
        """
        self._write_sheet({"found": found, "advice": advice})

    def describe(
        self, *, customer: str | None = None, complaint: str | None = None, technician: str | None = None,
        serial: str | None = None,
    ) -> None:  # fmt: skip
        """Write down what is asked at intake; what is not given stays as it is.

        Parameters
        ----------
        customer, complaint, technician, serial : str, optional
            As in `JobSheet`.
        """
        self._write_sheet(
            {"customer": customer, "complaint": complaint, "technician": technician, "serial": serial}
        )

    def redraw(self, chassis_text: str) -> None:
        """Keep another text of the chassis file; what it was before is for the caller to write down.

        Parameters
        ----------
        chassis_text : str
            The whole file.
        """
        self._write_sheet({"chassis_text": chassis_text})

    def _write_sheet(self, given: Mapping[str, str | None]) -> None:
        words = {name: text for name, text in given.items() if text is not None}
        if words:
            self._tables.change("not written down", schema.JOB, 1, words)


def _require_numbers(*given: float | None) -> None:
    # A database keeps nan as nothing, and the check number of its row then never fits again.
    for number in given:
        if number is not None and not math.isfinite(number):
            raise StoreError(f"mains or minutes {number}: expected a finite number", hint="such as 231")
