"""The first page in plain words: what was wrong, what was changed, what proves it.

Nothing here calls a chassis safe, and no fault certain: readings are consistent with one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from acquisition.records import REPAIRS, Event, Pass

from ..compare import AGREES, NOT_EXPLAINED, NOTHING_IN_BOTH, UNTRIED, Change, Comparison, judged_of, same
from ..judge import Judged
from ..suspects import Suspect
from .in_circuit import ValueRow, value_proof, value_rows
from .material import Material
from .watched import watches_of
from .words import (
    QUANTITY_WORDS,
    band_text,
    chance_text,
    measurand_text,
    old_part_text,
    place_text,
    to_its_uncertainty,
    with_uncertainty,
)

KEY_CHANGES = 4

ALSO_POSSIBLE = 0.1
"""Suspects beside the first are named on the first page from this probability on. Common practice, no source."""

CAUTIONS = (
    "High voltage kills. Equipment with vacuum tubes keeps lethal voltages inside, also with the mains plug "
    "pulled. Only qualified people should open it; local codes and licensed practice come first.",
    "Every figure here holds for the point, the moment, the mains and the instruments written beside it, and for "
    "nothing else. What was not read is not known.",
    "This report is no inspection of protective earth or insulation; those tests are made as local rules ask.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of the table that proves the repair.

    Parameters
    ----------
    what, before, after, healthy, verdict : str
        As printed.
    """

    what: str
    before: str
    after: str
    healthy: str
    verdict: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What stands on the first page.

    Parameters
    ----------
    wrong, proof : str
        Sentences.
    changed : tuple of str
        One line a replacement.
    unchanged : str
        What did not change; may be empty.
    rows : tuple of Row
        The most telling changes.
    open_question : str
        What is not explained; empty when nothing is open.
    causes : tuple of str
        What beside a fault of the replaced parts would explain it, as `Comparison.causes`.
    headline : str
        One line that a customer reads first.
    values : tuple of ValueRow
        What the replaced parts measure in circuit.
    """

    wrong: str
    changed: tuple[str, ...]
    proof: str
    unchanged: str
    rows: tuple[Row, ...]
    open_question: str
    causes: tuple[str, ...]
    headline: str
    values: tuple[ValueRow, ...]


def findings(material: Material) -> Findings:
    """Put the first page together.

    Parameters
    ----------
    material : Material
        Of the report.
    """
    comparison = material.comparison
    significant = sorted(comparison.significant, key=lambda c: -abs(c.z)) if comparison else []
    return Findings(
        wrong=" ".join(_wrong(material)),
        changed=tuple(_replacements(material.passes)),
        proof=" ".join(
            [*_proof(material, significant), *_over(material, material.ends[1:]), *_watched(material, later=True)]
        ),
        unchanged=_unchanged(comparison) if comparison else "",
        rows=tuple(_row(material, change) for change in _most_telling(significant)),
        open_question=_open_question(comparison, significant) if comparison else "",
        causes=comparison.causes if comparison else (),
        headline=_headline(material),
        values=value_rows(comparison.values) if comparison else (),
    )


def _most_telling(significant: Sequence[Change]) -> list[Change]:
    """The largest changes, no two of them of one point and quantity."""
    found: dict[tuple[str, str], Change] = {}
    for change in significant:
        found.setdefault((change.measurand.point, change.measurand.quantity), change)
    return list(found.values())[:KEY_CHANGES]


def _plural(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def listed(names: Sequence[str], most: int = 12) -> str:
    """Names in a sentence, cut short when there are many.

    Parameters
    ----------
    names : sequence of str
        In order.
    most : int
        How many to write out.

    Examples
    --------
    >>> listed(["HT1", "V1.1", "V1.3"]), listed(list("abcd"), 2)
    ('HT1, V1.1 and V1.3', 'a, b and 2 more')
    """
    shown = list(names[:most])
    if len(names) > most:
        shown.append(f"{len(names) - most} more")
    return " and ".join([", ".join(shown[:-1]), shown[-1]]) if len(shown) > 1 else "".join(shown)


def outside(judged: Sequence[Judged]) -> list[Judged]:
    """Readings that a healthy chassis would not show.

    Parameters
    ----------
    judged : sequence of Judged
        Of one pass.
    """
    return [one for one in judged if one.verdict in ("low", "high")]


def _over(material: Material, passes: Sequence[Pass]) -> list[str]:
    """Tubes that dissipate more than they are rated for."""
    return [
        f"In {one.name} {tube.over_text}."
        for one in passes
        for tube in material.idle.get(one.name, ())
        if tube.over
    ]


def _watched(material: Material, *, later: bool) -> list[str]:
    """What points did that were watched for long: as found, or after."""
    first = next((one.name for one in (*material.ends, *material.passes)), "")
    return [watch.sentence() for watch in watches_of(material.passes) if (watch.pass_name != first) == later]


def _wrong(material: Material) -> list[str]:
    sentences = []
    if material.ends and (first := material.judged.get(material.ends[0].name)):
        off = outside(first)
        if off:
            names = listed(list(dict.fromkeys(one.reading.point.replace(">", " → ") for one in off)), 8)
            sentences.append(
                f"When it came in, {len(off)} of {_plural(len(first), 'reading')} lay outside what a healthy "
                f"chassis would show: at {names}."
            )
        else:
            sentences.append(
                f"When it came in, none of {_plural(len(first), 'reading')} lay outside what a healthy "
                "chassis would show."
            )
    sentences += [*_over(material, material.ends[:1]), *_watched(material, later=False)]
    if material.asked:
        asked = " Also: ".join(text if text.endswith((".", "?")) else f"{text}." for text in material.asked)
        sentences.append(f"What follows stands only once this is answered: {asked}")
    found = material.comparison
    parts = listed([old_part_text(*one) for one in found.faults]) if found and found.faults else ""
    explained = found is not None and found.verdict != NOT_EXPLAINED
    if parts and explained:
        sentences.append(f"How far the readings moved is consistent with this: {parts}.")
    elif material.diagnosis and material.diagnosis.suspects:
        suspects = material.diagnosis.suspects
        sentences += [
            f"{slip.part} may not mean what was written down: {slip.because}."
            for slip in suspects
            if slip.is_slip and slip.probability > 0.5
        ]
        lead = next((suspect for suspect in suspects if not suspect.is_slip), None)
        if lead is not None and lead.probability > material.diagnosis.healthy_probability:
            others = [s for s in suspects if s is not lead and not s.is_slip and s.probability >= ALSO_POSSIBLE]
            also = listed([f"{_suspect(one)} ({chance_text(one.probability)})" for one in others[:2]])
            told = f"{_suspect(lead)} (probability {chance_text(lead.probability)})"
            beside = f"; {also} cannot be ruled out" if also else ""
            sentences.append(f"The readings are most consistent with {told}{beside}.")
    if parts and not explained:
        sentences.append(f"Nearest to how the readings moved comes this, and does not explain all of it: {parts}.")
    if not sentences and not any(one.readings for one in material.passes):
        sentences.append("Nothing was read yet.")
    return sentences


def _suspect(one: Suspect) -> str:
    return f"{place_text(one.part, one.section)} {one.fault}"


def _replacements(passes: Sequence[Pass]) -> list[str]:
    return [event_text(event) for one in passes for event in one.events
            if event.kind in REPAIRS]  # fmt: skip


def event_text(event: Event) -> str:
    """What happened, as a sentence without a full stop.

    Parameters
    ----------
    event : Event
        From a pass.
    """
    from .words import part_value_text

    if event.kind == "watched":
        return f"{event.subject} watched, {event.text}"
    value = part_value_text(event.subject, event.value, event.std) if event.value is not None else ""
    words = {
        "part_replaced": f"{event.subject} replaced" + (f" by a part of {value}" if value else ""),
        "tube_swapped": f"tube {event.subject} changed",
        "part_measured": f"{event.subject} measured with power off" + (f": {value}" if value else ""),
        "confirmation": f"confirmed {event.subject}".rstrip(),
        "state": f"state {event.subject}".rstrip(),
        "note": event.subject,
    }[event.kind]
    return f"{words}: {event.text}" if words and event.text else words or event.text


def _proof(material: Material, significant: Sequence[Change]) -> list[str]:
    comparison = material.comparison
    if comparison is None:
        read = sum(bool(one.readings) for one in material.passes)
        rounds = "only one round of readings" if read else "no round of readings"
        if read > 1:  # the others were taken as the first answer asked for them, with a tube or part out
            rounds = "no second round of readings with the same tubes and parts in"
        return [f"There is {rounds} so far, so nothing here proves a repair yet."]
    total = len(comparison.changes)
    if not total:
        return ["No point was read both before and after, so nothing here proves a repair."]
    sentences = []
    if significant:
        sentences.append(
            f"{len(significant)} of {_plural(total, 'reading')} taken before and after changed by more than the "
            "uncertainty of the measurement."
        )
        agreeing = [c for c in significant if c.verdict == AGREES]
        if agreeing:
            parts = listed(comparison.replaced)
            count, every = len(agreeing), len(agreeing) == len(significant)
            all_of = (
                ("This change is" if every else "1 of them is")
                if count == 1
                else ("All of these changes are" if every else f"{count} of them are")
            )
            sentences.append(f"{all_of} what replacing {parts} should do, in direction and in size.")
    else:
        sentences.append(
            f"None of {_plural(total, 'reading')} taken before and after changed by more than the "
            "uncertainty of the measurement."
        )
    sentences += value_proof(comparison.values)
    toward = sum(c.direction == "toward" for c in significant)
    away = [c.measurand for c in significant if c.direction == "away"]
    if toward or away:
        told = f"{_plural(toward, 'reading')} moved toward the middle of what a healthy chassis shows"
        out = {one.reading.measurand for one in outside(material.judged.get(material.ends[-1].name, ()))}
        lost = sum(any(same(measurand, one) for one in out) for measurand in away)
        if away:
            told += f", {len(away)} away from it" + (
                f" ({lost} of these out of its band)" if lost else ", inside its band"
            )
        sentences.append(told + ".")
    before, after = (material.judged.get(one.name, ()) for one in material.ends)
    if before and after:
        sentences.append(
            f"Outside the healthy band: {_plural(len(outside(before)), 'reading')} before, "
            f"{len(outside(after))} after."
        )
    return sentences


def _unchanged(comparison: Comparison) -> str:
    quiet = [c.measurand for c in comparison.changes if not c.significant]
    if not quiet:
        return ""
    moved = {(c.measurand.point, c.measurand.quantity) for c in comparison.changes if c.significant}
    points: dict[str, dict[str, None]] = {}
    for measurand in quiet:
        if (measurand.point, measurand.quantity) in moved:  # a curve that changed at other frequencies
            continue
        points.setdefault(QUANTITY_WORDS[measurand.quantity], {})[measurand.point.replace(">", " → ")] = None
    groups = [f"{word} at {listed(list(found), 8)}" for word, found in points.items()]
    told = f"{_plural(len(quiet), 'reading')} {'shows' if len(quiet) == 1 else 'show'} no significant change"
    return f"{told}: {'; '.join(groups)}." if groups else f"{told}."


def _open_question(comparison: Comparison, significant: Sequence[Change]) -> str:
    lost = [c for c in significant if c.verdict == NOT_EXPLAINED]
    if lost:
        names = listed([measurand_text(c.measurand, later=c.later) for c in lost], 6)
        told = f"Not explained by {comparison.parts_words}: {names}."
        return f"{told} The cause should be found before the job is closed."
    if any(c.verdict == UNTRIED for c in significant):
        whether = comparison.parts_words if comparison.replaced else "a replaced part"
        record = "" if comparison.replaced else "a record of what was replaced and "
        takes = f"{record}a chassis file with its parts"
        return f"Whether {whether} could explain the changes was not tried: that takes {takes}."
    return ""


def _headline(material: Material) -> str:
    comparison = material.comparison
    if comparison is None:
        return "Readings as found" if any(one.readings for one in material.passes) else "No reading yet"
    count, parts = len(comparison.significant), comparison.parts_words
    lost = sum(change.verdict == NOT_EXPLAINED for change in comparison.significant)
    all_of = "The change is" if count == 1 else "The changes are"
    some = all_of if lost == count else "One change is" if lost == 1 else "Some changes are"
    return {
        AGREES: f"The change{' agrees' if count == 1 else 's agree'} with {parts}",
        NOT_EXPLAINED: f"{some} not explained by {parts}",
        UNTRIED: "One reading changed" if count == 1 else "Readings changed",
        NOTHING_IN_BOTH: "Nothing was read in both passes",
    }.get(comparison.verdict, "No significant change")


def _row(material: Material, change: Change) -> Row:
    quantity = change.measurand.quantity
    healthy = "–" if change.healthy is None else to_its_uncertainty(change.healthy, change.change_std, quantity)
    if material.ends:
        judged = judged_of(material.judged.get(material.ends[-1].name, ()), change.measurand)
        if judged is not None:
            healthy = band_text(judged.low, judged.high, judged.std, quantity)
    return Row(
        what=material.named(change.measurand, later=change.later),
        before=with_uncertainty(change.before, change.before_std, quantity),
        after=with_uncertainty(change.after, change.after_std, quantity),
        healthy=healthy,
        verdict=change.verdict,
    )
