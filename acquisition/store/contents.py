"""What is kept in a job, read and checked."""

from __future__ import annotations

import json
import threading
from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select

from ..errors import StoreError
from ..records import WORK, Capture, Event, JobSheet, Pass, Stretch, Told
from . import rows, schema
from .tables import Tables


class JobContents:
    """Reads what a job holds; `Job` adds to it.

    Parameters
    ----------
    tables : Tables
        Of the open job.
    """

    def __init__(self, tables: Tables) -> None:
        self._tables = tables
        self._pass_ids: dict[str, int] = {}
        self._lock = threading.Lock()

    @property
    def sheet(self) -> JobSheet:
        """What was written down at intake."""
        row = self._tables.sound(schema.JOB, select(schema.JOB))[0]
        return rows.sheet_from(row)

    def passes(self) -> tuple[str, ...]:
        """Names of the passes, in the order they were started."""
        found = self._tables.rows(select(schema.PASS.c.id, schema.PASS.c.name).order_by(schema.PASS.c.id))
        with self._lock:
            self._pass_ids = {row["name"]: row["id"] for row in found}
        return tuple(row["name"] for row in found)

    def states(self) -> dict[str, tuple[int | None, ...]]:
        """What is another number whenever a pass has changed, by name: its row, its newest reading and event.

        Readings and events are only ever added, so that the newest tells; captures are not looked at.
        """

        def newest(table: Any) -> Any:
            return select(func.max(table.c.id)).where(table.c.pass_id == schema.PASS.c.id).scalar_subquery()

        of_pass = (schema.PASS.c.check_number, newest(schema.READING), newest(schema.EVENT))
        asked = select(schema.PASS.c.name, *(column.label(f"n{n}") for n, column in enumerate(of_pass)))
        found = self._tables.rows(asked.order_by(schema.PASS.c.id))
        return {row["name"]: (row["n0"], row["n1"], row["n2"]) for row in found}

    def read_pass(self, name: str, *, captures: bool = True) -> Pass:
        """Read a pass with everything in it.

        Parameters
        ----------
        name : str
            A pass of this job.
        captures : bool
            With its waveforms and what was watched; without them it is quick, however many there are.

        Raises
        ------
        StoreError
            There is no such pass, or a row of it is damaged.
        """
        pass_id = self._pass_id(name)
        row = self._tables.sound(schema.PASS, select(schema.PASS).where(schema.PASS.c.id == pass_id))[0]
        readings = self._tables.sound(schema.READING, self._of_pass(schema.READING, pass_id))
        events = self._tables.sound(schema.EVENT, self._of_pass(schema.EVENT, pass_id))
        return Pass(
            name=name,
            started_utc=row["started_utc"],
            mains_v=row["mains_v"],
            mains_hz=row["mains_hz"],
            minutes_on=row["minutes_on"],
            settings=json.loads(row["settings"]),
            readings=tuple(rows.reading_from(found) for found in readings),
            captures=self._captures(pass_id) if captures else (),
            events=tuple(rows.event_from(found) for found in events),
            watched=self._watched(pass_id) if captures else (),
        )

    def work_done(self, pass_name: str) -> tuple[Event, ...]:
        """Parts measured with power off, and parts and tubes changed, up to the end of a pass.

        Parameters
        ----------
        pass_name : str
            The pass.

        Returns
        -------
        tuple of Event
            Of the kinds ``WORK``, in the order they were kept, pass by pass.
        """
        chosen = select(schema.EVENT).where(
            schema.EVENT.c.kind.in_(WORK), schema.EVENT.c.pass_id <= self._pass_id(pass_name)
        )
        found = self._tables.sound(schema.EVENT, chosen.order_by(schema.EVENT.c.pass_id, schema.EVENT.c.id))
        return tuple(rows.event_from(row) for row in found)

    def told(self, pass_name: str, question: str) -> Told | None:
        """The answer that was told last; None where nothing was.

        Parameters
        ----------
        pass_name : str
            The pass it was worked out from.
        question : str
            What was asked.
        """
        chosen = self._of_pass(schema.ANSWER, self._pass_id(pass_name)).where(schema.ANSWER.c.question == question)
        found = self._tables.sound(schema.ANSWER, chosen)
        return rows.told_from(found[-1]) if found else None

    # -- inside ----------------------------------------------------------------------------------------------

    def _captures(self, pass_id: int) -> tuple[Capture, ...]:
        captures = self._tables.sound(schema.CAPTURE, self._of_pass(schema.CAPTURE, pass_id))
        codes = {
            found["capture_id"]: found["codes"]
            for found in self._tables.rows(
                select(schema.WAVEFORM)
                .join(schema.CAPTURE, schema.CAPTURE.c.id == schema.WAVEFORM.c.capture_id)
                .where(schema.CAPTURE.c.pass_id == pass_id)
            )
        }
        return tuple(self._capture(found, codes.get(found["id"], b"")) for found in captures)

    def _watched(self, pass_id: int) -> tuple[Stretch, ...]:
        found = self._tables.sound(schema.WATCHED, self._of_pass(schema.WATCHED, pass_id))
        return tuple(rows.stretch_from(row) for row in found)

    def _capture(self, row: Mapping[str, Any], codes: bytes) -> Capture:
        capture = rows.capture_from(row, codes)
        if capture is None:
            raise self._tables.damaged(f"the waveform of capture {row['id']}")
        return capture

    @staticmethod
    def _of_pass(table: Any, pass_id: int) -> Any:
        return select(table).where(table.c.pass_id == pass_id).order_by(table.c.id)

    def _pass_id(self, name: str) -> int:
        with self._lock:
            known = self._pass_ids.get(name)
        if known is None:
            names = self.passes()
            if name not in names:
                listed = ", ".join(names) or "none yet"
                raise StoreError(f"{self._tables.name}: no pass called {name!r}", hint=f"its passes: {listed}")
            with self._lock:
                known = self._pass_ids[name]
        return known
