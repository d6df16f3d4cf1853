"""What replaced parts measure in circuit, before and after, in words for whoever pays for the repair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquisition.quantities import format_value

from ..compare import InCircuit, PartValue
from .words import with_signs

READINGS = "these readings "
"""What a table leaves out of an answer that tells nothing."""

CLOSING = "95 % intervals, from the readings of each round through the circuit model, not from a tester."


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueRow:
    """One value of a part in a table.

    Parameters
    ----------
    what, before, after, beside : str
        Its name; as each pass tells it; as drawn, and as a tester showed the new part.
    """

    what: str
    before: str
    after: str
    beside: str


def value_rows(values: Sequence[PartValue]) -> tuple[ValueRow, ...]:
    """What the replaced parts measure in circuit, one row a value.

    Parameters
    ----------
    values : sequence of PartValue
        Of a comparison.
    """
    return tuple(
        ValueRow(
            what=f"{value.part} {value.name}",
            before=with_signs(value.before.text.removeprefix(READINGS)),
            after=with_signs(value.after.text.removeprefix(READINGS)),
            beside=with_signs(", ".join(_beside(value, "new by tester"))),
        )
        for value in values
    )


def value_proof(values: Sequence[PartValue]) -> list[str]:
    """A sentence about the values that certainly changed, for their intervals do not meet; none where none did.

    Parameters
    ----------
    values : sequence of PartValue
        Of a comparison.
    """
    told = [
        f"the {v.name} of {v.part} was {_told(v.before)} before and is {_told(v.after)} after"
        for v in values
        if v.before.lies_below(v.after) or v.after.lies_below(v.before)
    ]
    return [with_signs(f"In circuit, by each round alone, {'; '.join(told)}.")] if told else []


def _beside(value: PartValue, tester: str) -> list[str]:
    sizes = ((value.drawn, "drawn"), (value.tester, tester))
    return [f"{format_value(size, value.after.unit)} {what}" for size, what in sizes if size is not None]


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
        sentences.append(f"({CLOSING})")
    if ascii_only:
        return sentences
    return [with_signs(text) for text in sentences]


def _sentence(value: PartValue) -> str:
    name = f"The {value.name} of {value.part}"
    before, after = _told(value.before), _told(value.after)
    if not (before or after) and value.before == value.after:
        return f"{name}: {_none(value.before)}."
    text = f"{name} was {before} before" if before else f"{name} before: {_none(value.before)}"
    text += f" and is {after} after" if before and after else f"; it is {after} after" if after else ""
    if not after:
        text += f"; after, {_none(value.after)}"
    beside = _beside(value, "by the tester before it was fitted")
    return f"{text}; {', '.join(beside)}." if beside else f"{text}."


def _none(found: InCircuit) -> str:
    return found.text if found.unfit or found.assumed else f"{found.text} it"


def _told(found: InCircuit) -> str:
    return "" if found.holds_all else found.text
