"""Work done on a chassis, and what it tells: values found with power off, parts and tubes changed."""

from __future__ import annotations

from collections.abc import Container, Iterable

from acquisition.records import REPAIRS, Event

USUAL_ERROR = 0.01
"""Relative standard uncertainty of a value written down without one: common practice, no source."""


def last_values(work: Iterable[Event]) -> dict[str, Event]:
    """Parts whose value is known from work done on them.

    Parameters
    ----------
    work : iterable of Event
        In the order it was done.

    Returns
    -------
    dict of str to Event
        Part to its last ``part_measured``, or ``part_replaced`` that carries a value. A part replaced without a
        value is as drawn again, and absent.
    """
    known: dict[str, Event] = {}
    for event in work:
        if event.kind == "part_replaced" and event.value is None:
            known.pop(event.subject, None)
        elif event.kind in ("part_measured", "part_replaced") and event.value is not None:
            known[event.subject] = event
    return known


def values_found(keys: Container[str], work: Iterable[Event]) -> dict[str, tuple[float, float]]:
    """Values found with power off and their standard uncertainties, `USUAL_ERROR` where none was written down.

    Parameters
    ----------
    keys : container of str
        Parameters of the model; other subjects are left out.
    work : iterable of Event
        As `last_values`.
    """
    return {
        part: (event.value, event.std or USUAL_ERROR * event.value)
        for part, event in last_values(work).items()
        if event.value and event.value > 0 and part in keys
    }


def repaired(work: Iterable[Event]) -> bool:
    """Whether a part or a tube was changed.

    Parameters
    ----------
    work : iterable of Event
        As `last_values`.
    """
    return any(event.kind in REPAIRS for event in work)
