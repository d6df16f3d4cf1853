"""Notes of the page: intake, parts changed, remarks, conclusion, by the same events and code as the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import click

from acquisition.errors import StoreError
from acquisition.quantities import format_value
from acquisition.records import Event
from acquisition.store import Job
from analysis.app.jobs import pass_so_far
from analysis.app.replaced import far_from_drawn, keep_replaced, measurements, replacements
from analysis.app.standing import keep_standing, stands_by_name
from analysis.chassis import Chassis
from analysis.chassis.parts import UNITS
from analysis.report.words import with_signs

from .hub import Hub

NOTES = ("note", "intake", "conclude", "changed", "pulled")
"""Requests that need no instrument."""

SHOWN = ("note", "part_replaced", "part_measured", "tube_swapped")
INTAKE = ("customer", "serial", "technician", "complaint")
CONCLUSION = ("found", "advice")


def changed_before(chassis: Chassis, words: object) -> tuple[Event, ...]:
    """Parts and sockets as a person names them in one line: ``C2=22n V1``.

    Parameters
    ----------
    chassis : Chassis
        For the names.
    words : object
        From the page.

    Raises
    ------
    BadParameter
        No such part, or no such value.
    """
    return replacements(chassis, str(words or "").replace(",", " ").split())


class Noting:
    """Writes into the job what a tab sends, and shows what is written.

    Parameters
    ----------
    job : Job
        Open for writing.
    chassis : Chassis
        For its parts and sockets.
    pass_name : str
        The pass that parts and remarks belong to.
    hub : Hub
        Where it is shown.
    """

    def __init__(self, job: Job, chassis: Chassis, pass_name: str, hub: Hub) -> None:
        self._job, self._chassis, self._pass_name, self._hub = job, chassis, pass_name, hub
        self._panel: dict[str, Any] = {}
        self.show()

    def take(self, action: str, body: Mapping[str, Any], point: str = "") -> None:
        """Write down one request and answer it.

        Parameters
        ----------
        action : str
            One of ``NOTES``.
        body : mapping
            ``text`` of a note; words of intake and conclusion by their names; ``parts`` changed, in one line, or
            ``measured`` with the power off; sockets and parts that are out (``pulled``), in one line, or ``none``.
        point : str
            Where the survey stands.
        """
        try:
            if action == "intake":
                self._job.describe(**_given(body, INTAKE))
                words = "Written down."
            elif action == "conclude":
                self._job.conclude(**_given(body, CONCLUSION))
                words = "Written down; the report says it at its top."
            elif action == "changed":
                words = self._changed(body)
            elif action == "pulled":
                words = self._pulled(body)
            elif text := str(body.get("text", "")).strip():
                words = self._remark(text, point)
            else:
                return
        except click.BadParameter as error:
            self.show(f"Not written down: {error.message}")
        except StoreError as error:
            self._refuse(error, action, body)
        else:
            self.show(words, done=action)

    def _changed(self, body: Mapping[str, Any]) -> str:
        measured = str(body.get("measured") or "").split()
        events = measurements(self._chassis, measured) or changed_before(self._chassis, body.get("parts"))
        if not events:
            raise click.BadParameter("name a part or a tube.")
        if not self._begun:
            raise click.BadParameter(
                f"{self._pass_name} has not begun: name the parts where the survey is started."
            )
        keep_replaced(self._job, self._pass_name, events)
        where = "in" if measured else "before"
        asked = [f" {words[0].upper()}{words[1:]}" for words in far_from_drawn(self._chassis, events)]
        named = ", ".join(event.subject for event in events)
        return with_signs(f"Written down {where} {self._pass_name}: {named}.{''.join(asked)}")

    def _pulled(self, body: Mapping[str, Any]) -> str:
        out = stands_by_name(self._chassis, str(body.get("pulled") or ""))
        if not self._begun:
            raise click.BadParameter(f"{self._pass_name} has not begun: name it where the survey is started.")
        return f"Written down of {self._pass_name}: {keep_standing(self._job, self._pass_name, out)}."

    def _remark(self, text: str, point: str) -> str:
        if not self._begun:
            raise click.BadParameter(f"{self._pass_name} has not begun: a remark belongs to its readings.")
        self._job.add_event(self._pass_name, Event(kind="note", subject=point, text=text))
        self._hub.cue("prompt", text="noted")
        return "Written down."

    def _refuse(self, error: StoreError, action: str, body: Mapping[str, Any]) -> None:
        """Tell why the job did not take it; the job may not be read either, and what was typed stays in sight."""
        typed = next((f" ({body[name]})" for name in ("text", "parts", "measured", "pulled") if body.get(name)), "")
        words = f"Not written down{typed}: {error}" + (f": {error.hint}" if error.hint else "")
        given = _given(body, {"intake": INTAKE, "conclude": CONCLUSION}.get(action, ()))
        self._panel = {**self._panel, "words": words, "done": "", "sheet": {**self._panel["sheet"], **given}}
        self._hub.publish("notes", self._panel)

    @property
    def _begun(self) -> bool:
        return self._pass_name in self._job.passes()

    def show(self, words: str = "", *, done: str = "") -> None:
        """Tell the tabs what stands in the job.

        Parameters
        ----------
        words : str
            Answer to the last request.
        done : str
            What it asked for, where it was done: the form may be emptied.
        """
        one = pass_so_far(self._job, self._pass_name)
        sheet, drawn = self._job.sheet, self._chassis.without(())
        self._panel = {
            "words": words,
            "done": done,
            "sheet": {name: getattr(sheet, name) for name in (*INTAKE, *CONCLUSION)},
            "names": [*drawn.parts, *drawn.sockets],
            "sockets": [
                {"name": name, "tube": tube.name, "out": name in one.pulled} for name, tube in drawn.sockets.items()
            ],
            "lifted": " ".join(name for name in one.pulled if name not in drawn.sockets),
            "noted": [self._line(event) for event in one.events if event.kind in SHOWN],
        }
        self._hub.publish("notes", self._panel)

    def _line(self, event: Event) -> str:
        part = self._chassis.without(()).parts.get(event.subject)
        value = with_signs(f", {format_value(event.value, UNITS[part.kind])}") if event.value and part else ""
        kind = "" if event.kind == "note" else event.kind.replace("_", " ")
        words = " ".join(filter(None, [event.taken_utc[:16].replace("T", " "), event.subject, kind])) + value
        return f"{words}: {event.text}" if event.text else words


def _given(body: Mapping[str, Any], names: Sequence[str]) -> dict[str, str]:
    return {name: str(body[name]).strip() for name in names if name in body}
