"""Gains computed again from the captures that a job keeps: the same numbers, whenever they are asked for."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import groupby

from acquisition.errors import FitFailed
from acquisition.records import Capture

from .combine import averaged, swapped
from .measure import ChannelAccuracy, gain_of
from .result import Gain

PAIR, STRAIGHT, EXCHANGED, SOURCE, OUTPUT = "pair", "straight", "exchanged", "source", "output"
"""First word of a capture's note: how its record belongs to the others of its run; the rest names the run."""


def note_of(way: str, run: str) -> str:
    """Note that ties the captures of one run together.

    Parameters
    ----------
    way : str
        One of the words above.
    run : str
        Name of the run, without spaces.
    """
    return f"{way} {run}"


def gains_kept(
    captures: Sequence[Capture], source: str, output: str, accuracy: ChannelAccuracy | None = None
) -> list[Gain]:
    """Gains between two points from captures, in the order they were taken.

    Parameters
    ----------
    captures : sequence of Capture
        As the pass holds them.
    source, output : str
        Input and output point.
    accuracy : ChannelAccuracy, optional
        As `gain_of`.

    Returns
    -------
    list of Gain
        One a run, frequency and drive. Left out is what gave no gain when it was taken: runs that were broken off
        before their second half, records without a signal.
    """
    wanted = [c for c in captures if c.point in {source, output} and c.freq_hz is not None]
    runs: dict[tuple[str, float | None, float | None], dict[str, list[Capture]]] = {}
    for capture in wanted:
        way, _, run = capture.note.partition(" ")
        runs.setdefault((run, capture.freq_hz, capture.drive_pp_v), {}).setdefault(way, []).append(capture)
    gains: list[Gain] = []
    for ways in runs.values():
        with suppress(FitFailed):
            gains += _of_run(ways, source, output, accuracy)
    return gains


def _of_run(
    ways: dict[str, list[Capture]], source: str, output: str, accuracy: ChannelAccuracy | None
) -> Iterator[Gain]:
    if PAIR in ways:
        gains = _pairs(ways[PAIR], source, output, accuracy)
        if gains:
            yield averaged(gains)
    straight = _pairs(ways.get(STRAIGHT, []), source, output, accuracy)
    exchanged = _pairs(ways.get(EXCHANGED, []), source, output, accuracy)
    if straight and exchanged:
        yield swapped(averaged(straight), averaged(exchanged))
    alone = list(zip(ways.get(SOURCE, []), ways.get(OUTPUT, []), strict=False))
    if alone:
        yield averaged([gain_of(first, last, accuracy) for first, last in alone])


def _pairs(captures: Sequence[Capture], source: str, output: str, accuracy: ChannelAccuracy | None) -> list[Gain]:
    gains = []
    for _, shot in groupby(captures, key=lambda c: c.shot):
        records = {c.point: c for c in shot}
        if source in records and output in records:
            gains.append(gain_of(records[source], records[output], accuracy))
    return gains
