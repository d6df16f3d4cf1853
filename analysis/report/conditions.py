"""What a pass was read under, said once above its readings, and what is left to say beside one of them."""

from __future__ import annotations

import re
from collections.abc import Mapping

from acquisition.records import Pass, Reading

from .words import standing_text

_MINUTES_ON = re.compile(r"(\d+(?:\.\d+)?) min after switch-on")


def begun_utc(one: Pass) -> str:
    """When a pass was begun: with its first reading, where that was imported and is older than the pass in the job.

    Parameters
    ----------
    one : Pass
        The pass.
    """
    return min(filter(None, [one.started_utc, *(reading.taken_utc for reading in one.readings)]), default="")


def conditions(one: Pass, letters: Mapping[str, str]) -> str:
    """What all readings of a pass have in common, in words.

    Parameters
    ----------
    one : Pass
        The pass.
    letters : mapping of str to str
        What an instrument is called there.
    """
    facts = []
    if begun := begun_utc(one):
        facts.append(f"begun {begun[:16].replace('T', ' ')} UTC")
    if one.mains_v is not None:
        hertz = f", {one.mains_hz:g} Hz" if one.mains_hz is not None else ""
        facts.append(f"mains {one.mains_v:.1f} V{hertz}")
    else:
        facts.append("mains not written down")
    if one.pulled:
        facts.append(standing_text(one.pulled))
    if one.minutes_on is not None:
        facts.append(f"{one.minutes_on:g} minutes after switch-on")
    every = [fact for reading in one.readings for fact in _facts(reading)]
    if minutes := [float(found[1]) for fact in every if (found := _MINUTES_ON.fullmatch(fact))]:
        ends = dict.fromkeys(f"{end:g}" for end in (min(minutes), max(minutes)))
        facts.append(f"read {' to '.join(ends)} min after switch-on")
    for instrument, shared in common_facts(one).items():
        if told := [fact for fact in shared if fact != _mains(one)]:
            facts.append(f"{letters[instrument]}: {', '.join(told)}")
    return "; ".join(facts)


def common_facts(one: Pass) -> dict[str, tuple[str, ...]]:
    """What need not stand beside a reading, by instrument: the mains of the pass, and what all its notes share.

    Parameters
    ----------
    one : Pass
        The pass.
    """
    found: dict[str, list[list[str]]] = {}
    for reading in one.readings:
        found.setdefault(reading.instrument, []).append(_facts(reading))
    shared = {
        instrument: [fact for fact in notes[0] if len(notes) > 1 and all(fact in note for note in notes)]
        for instrument, notes in found.items()
    }
    return {
        instrument: tuple(
            dict.fromkeys([_mains(one), *(fact for fact in facts if not _MINUTES_ON.fullmatch(fact))])
        )
        for instrument, facts in shared.items()
    }


def own_note(reading: Reading, common: Mapping[str, tuple[str, ...]]) -> str:
    """A note without what stands above the readings.

    Parameters
    ----------
    reading : Reading
        With its note.
    common : mapping of str to tuple of str
        From `common_facts`.
    """
    said = common[reading.instrument]
    remarks = []
    for remark in reading.note.split("; "):
        facts = [fact for fact in remark.split(", ") if fact not in said and not _MINUTES_ON.fullmatch(fact)]
        remarks += [", ".join(facts)] if facts else []
    return "; ".join(remarks)


def _mains(one: Pass) -> str:
    """The mains of the pass as a survey notes it beside each reading."""
    return f"mains {one.mains_v:g} V" if one.mains_v is not None else ""


def _facts(reading: Reading) -> list[str]:
    return [fact for fact in re.split("[;,] ", reading.note) if fact]
