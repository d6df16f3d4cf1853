"""What replaced parts measure in circuit, before and after, in sentences for whoever pays for the repair."""

from __future__ import annotations

import re
from collections.abc import Sequence

from acquisition.quantities import format_value

from ..compare import InCircuit, PartValue

CLOSING = "(95 % intervals, from the readings of each round through the circuit model, not from a tester.)"


def value_sentences(values: Sequence[PartValue], *, ascii_only: bool = False) -> list[str]:
    """What the replaced parts measure in circuit.

    Parameters
    ----------
    values : sequence of PartValue
        Of a comparison.
    ascii_only : bool
        For a terminal.

    Returns
    -------
    list of str
        One a value, and what the intervals are; empty without values.
    """
    sentences = [_sentence(value) for value in values]
    if sentences:
        sentences.append(CLOSING)
    if ascii_only:
        return sentences
    return [re.sub(r"(?<=\d )u(?=[A-Z])", "µ", text).replace("ohm", "Ω") for text in sentences]


def _sentence(value: PartValue) -> str:
    name = f"The {value.name} of {value.part}"
    before, after = _told(value.before), _told(value.after)
    if not (before or after):
        return f"{name}: these readings cannot tell it."
    text = f"{name} was {before} before" if before else f"{name} before: these readings cannot tell it"
    text += f" and is {after} after" if before and after else f"; it is {after} after" if after else ""
    if before and not after:
        text += "; after, these readings cannot tell it"
    beside = [
        f"{format_value(size, value.after.unit)} {what}"
        for size, what in ((value.drawn, "drawn"), (value.tester, "by the tester before it was fitted"))
        if size is not None
    ]
    return f"{text}; {', '.join(beside)}." if beside else f"{text}."


def _told(found: InCircuit) -> str:
    return "" if found.low is None and found.high is None else found.text
