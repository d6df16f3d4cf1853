"""The first page, sentence by sentence, from readings, bands and changes made by hand."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.records import JobSheet, Measurand, Pass, Reading
from acquisition.store import create_job, open_job
from analysis.app.verbs.report import gather
from analysis.compare import (
    AGREES,
    NOT_EXPLAINED,
    UNCHANGED,
    UNTRIED,
    Change,
    Comparison,
    InCircuit,
    PartValue,
)
from analysis.judge import Judged
from analysis.report.findings import findings
from analysis.report.in_circuit import value_rows, value_sentences
from analysis.report.material import Material
from analysis.report.render import render

# Point: before, its verdict, after, its verdict, the middle of the band.
REPAIRED = {
    "V1.1": (90.0, "low", 140.0, "agrees", 142.0),
    "V1.6": (95.0, "low", 95.5, "low", 140.0),
    "V2.3": (16.1, "high", 7.1, "agrees", 7.0),
    "V1.3": (1.20, "agrees", 1.31, "agrees", 1.19),
}


def reading(point, value):
    return Reading(point=point, quantity="dc_v", value=value, std=0.002 * value)


def judged(point, value, verdict, middle):
    given = reading(point, value)
    return Judged(
        reading=given, std=given.std, expected=middle, low=0.9 * middle, high=1.1 * middle, verdict=verdict
    )


def change(point, before, after, middle, verdict=AGREES):
    std = 0.003 * before
    counts = verdict != UNCHANGED
    nearer = abs(after - middle) < abs(before - middle)
    return Change(
        measurand=Measurand(point=point, quantity="dc_v"),
        before=before, after=after, before_std=0.002 * before, after_std=0.002 * after, corrected=after,
        change=after - before, change_std=std, z=(after - before) / std, probability=1e-9 if counts else 1.0,
        trend=False, verdict=verdict, healthy=middle,
        direction="" if not counts else "toward" if nearer else "away",
    )  # fmt: skip


def material(points, verdicts=None):
    """Two rounds of readings at some points, and what changed between them."""
    names = ("as-found", "after-C4")
    passes, found = [], {}
    for name, place in zip(names, (0, 2), strict=True):
        rows = [(point, given[place], given[place + 1], given[4]) for point, given in points.items()]
        passes.append(
            Pass(name=name, started_utc="", readings=tuple(reading(point, value) for point, value, _, _ in rows))
        )
        found[name] = tuple(judged(*row) for row in rows)
    given_verdicts = verdicts or {}
    changes = tuple(
        change(point, before, after, middle, given_verdicts.get(point, AGREES))
        for point, (before, _, after, _, middle) in points.items()
    )
    comparison = Comparison(
        before=names[0], after=names[1], mains_before_v=230.0, mains_after_v=230.0, replaced=("C4",),
        changes=changes, covariance=np.diag([c.change_std**2 for c in changes]),
    )  # fmt: skip
    return Material(sheet=JobSheet(chassis_name="Amp"), passes=tuple(passes), judged=found, comparison=comparison)


def test_what_was_wrong_is_what_the_first_round_shows_low_or_high():
    told = findings(material(REPAIRED, {"V1.6": UNCHANGED}))
    assert told.wrong == (
        "When it came in, 3 of 4 readings lay outside what a healthy chassis would show: at V1.1, V1.6 and V2.3."
    )


def test_what_is_asked_ends_with_one_stop():
    asked = ("are the leads exchanged, or a minus lost?", "nothing read proves nothing dead", "Read HT1 again.")
    told = findings(replace(material(REPAIRED), asked=asked)).wrong
    assert "minus lost? Also: nothing read proves nothing dead. Also: Read HT1 again." in told
    assert "?." not in told
    assert ".." not in told


def test_a_fault_that_came_with_the_repair_was_not_there_when_it_came_in():
    broken = {"V1.1": (140.0, "agrees", 90.0, "low", 142.0), "V1.3": (1.2, "agrees", 1.2, "agrees", 1.19)}
    told = findings(material(broken, {"V1.1": UNTRIED, "V1.3": UNCHANGED}))
    assert told.wrong == ("When it came in, none of 2 readings lay outside what a healthy chassis would show.")
    assert "Outside the healthy band: 0 readings before, 1 after." in told.proof


def test_the_proof_counts_what_lay_outside_before_and_after():
    told = findings(material(REPAIRED, {"V1.6": UNCHANGED}))
    assert told.proof.endswith("Outside the healthy band: 3 readings before, 1 after.")
    assert told.proof.startswith(
        "3 of 4 readings taken before and after changed by more than the uncertainty of the measurement. "
        "All of these changes are what replacing C4 should do, in direction and in size."
    )


def test_one_change_and_one_reading_are_told_as_one():
    """Of two changes one is explained; of two readings one moved."""
    two = {point: REPAIRED[point] for point in ("V1.1", "V2.3")}
    assert " 1 of them is what replacing C4 should do" in findings(material(two, {"V1.1": NOT_EXPLAINED})).proof
    told = findings(material(two, {"V1.1": UNCHANGED}))
    assert " This change is what replacing C4 should do" in told.proof
    assert told.unchanged.startswith("1 reading shows no significant change")


@pytest.mark.parametrize(
    ("at_v1_3", "words"),
    [
        (
            (1.20, "agrees", 1.25, "agrees", 1.19),
            "2 readings moved toward the middle of what a healthy chassis shows, 1 away from it, inside its band.",
        ),
        (
            (1.20, "agrees", 2.40, "high", 1.19),
            "2 readings moved toward the middle of what a healthy chassis shows, 1 away from it "
            "(1 of these out of its band).",
        ),
        (
            (1.30, "agrees", 1.20, "agrees", 1.19),
            "3 readings moved toward the middle of what a healthy chassis shows.",
        ),
    ],
)
def test_readings_that_moved_away_are_told(at_v1_3, words):
    told = findings(material({**REPAIRED, "V1.3": at_v1_3}, {"V1.6": UNCHANGED}))
    assert words in told.proof


def test_a_row_of_the_first_page_has_each_value_in_its_column():
    told = findings(material({"V2.3": REPAIRED["V2.3"]}))
    (row,) = told.rows
    assert (row.what, row.before, row.after) == ("V2.3 DC", "16.100 ± 0.064 V", "7.100 ± 0.028 V")
    assert row.healthy == "6.30 to 7.70 V"


@pytest.mark.parametrize(
    ("count", "words"), [(0, "There is no round of readings so far"), (1, "There is only one round")]
)
def test_what_is_too_little_for_a_proof_is_told(count, words):
    passes = tuple(Pass(name="as-found", started_utc="", readings=(reading("V1.1", 90.0),)) for _ in range(count))
    assert words in findings(Material(sheet=JobSheet(chassis_name="Amp"), passes=passes)).proof


@pytest.mark.parametrize(
    ("replaced", "verdicts", "words", "fits", "headline", "question"),
    [
        ((), "", "nothing was read in both passes", "", "Nothing was read in both passes", ""),
        (("C4",), "===", "no significant change", "", "No significant change", ""),
        ((), "*==", "changed; no part is recorded as replaced that could explain it", "", "One reading changed",
         "Whether a replaced part could explain the changes was not tried: that takes a record of what was "
         "replaced and a chassis file with its parts."),
        (("C4",), "**=", "changed; no model tells whether the replaced part explains it", "", "Readings changed",
         "Whether the replaced part could explain the changes was not tried: that takes a chassis file with its "
         "parts."),
        (("C4", "R5"), "**=", "changed; no model tells whether the replaced parts explain it", "",
         "Readings changed", "Whether the replaced parts could explain"),
        (("C4",), "+==", "agrees with the replaced part", "the change fits",
         "The change agrees with the replaced part", ""),
        (("C4", "R5", "V1"), "++=", "agrees with the replaced parts", "the changes fit",
         "The changes agree with the replaced parts", ""),
        (("C4",), "-==", "changed, not explained by it", "nearest to the change, but no fit",
         "The change is not explained by the replaced part", "Not explained by the replaced part: P0 DC."),
        (("C4", "R5"), "+-=", "changed, not explained by them", "nearest to the changes, but no fit",
         "One change is not explained by the replaced parts", "Not explained by the replaced parts: P1 DC."),
        (("C4", "R5"), "+--", "changed, not explained by them", "nearest to the changes, but no fit",
         "Some changes are not explained by the replaced parts", "Not explained by the replaced parts: P1 DC and"),
        (("C4",), "---", "changed, not explained by it", "nearest to the changes, but no fit",
         "The changes are not explained by the replaced part", "Not explained by the replaced part: P0 DC, P1"),
    ],
)  # fmt: skip
def test_every_sentence_says_as_many_parts_and_changes_as_there_are(
    replaced, verdicts, words, fits, headline, question
):
    signs = {"=": UNCHANGED, "*": UNTRIED, "+": AGREES, "-": NOT_EXPLAINED}
    given = material({f"P{i}": (10.0, "agrees", 20.0, "agrees", 20.0) for i in range(len(verdicts))},
                     {f"P{i}": signs[sign] for i, sign in enumerate(verdicts)})  # fmt: skip
    comparison = replace(given.comparison, replaced=replaced)
    assert comparison.verdict_words == words
    if fits:
        assert comparison.fit_words == fits
    told = findings(replace(given, comparison=comparison))
    assert told.headline == headline
    assert told.open_question.startswith(question)
    assert bool(told.open_question) == bool(question)


def test_what_else_would_explain_the_changes_stands_on_the_first_page_in_the_words_of_compare():
    given = material(REPAIRED, {"V1.6": UNCHANGED})
    causes = ("P1 turned between the passes would explain it", "R4 measured 1.5 kohm before: was another fitted")
    given = replace(given, comparison=replace(given.comparison, causes=causes, notes=("a limit",)))
    assert findings(given).causes == causes
    assert given.comparison.remarks == (*causes, "a limit")
    page = render(given)
    summary = page[: page.index("</section>")]
    assert "P1 turned between the passes would explain it." in summary
    assert "R4 measured 1.5 kΩ before: was another fitted." in summary


def ohms(low, high):
    return InCircuit(value=(low * high) ** 0.5, low=low, high=high, unit="ohm")


def compared_values(verdict, before):
    """Two 100 k resistors changed of which the first was nearest to one of 200 k."""
    given = material(REPAIRED, dict.fromkeys(REPAIRED, verdict))
    high = SimpleNamespace(
        part="R5", section="", fault="high", key="R5", shown="ohm", words="has drifted high", values=(1.2e5, 9e5)
    )
    values = tuple(
        PartValue(part=part, what="value", before=before, after=ohms(9e4, 1.1e5), drawn=100e3)
        for part in ("R5", "R6")
    )
    return given, replace(given.comparison, faults=((high, 2e5),)).measured(values)


@pytest.mark.parametrize("verdict", [AGREES, NOT_EXPLAINED])
def test_a_part_measured_in_circuit_lends_its_value_to_a_fault_of_the_same_side_alone(verdict):
    ((_, size),) = compared_values(verdict, ohms(1.4e5, 1.8e5))[1].faults
    assert size == pytest.approx(158.7e3, rel=1e-3)
    # 47 k was "drifted high" of 100 k.
    assert [value for _, value in compared_values(verdict, ohms(4e4, 5e4))[1].faults] == [None]
    # 100 nF and "cannot tell" stood side by side of one open capacitor.
    assert [value for _, value in compared_values(verdict, InCircuit(low=1.2e5, unit="ohm"))[1].faults] == [None]


def test_a_fault_is_called_by_the_size_that_was_measured():
    """1.9 uF of 22 uF was "open or nearly so (about 1.9 uF)"."""
    given = material(REPAIRED, dict.fromkeys(REPAIRED, NOT_EXPLAINED))
    opened, low, other = (
        SimpleNamespace(part=part, section="", fault=word, key=part, values=values)
        for part, word, values in (
            ("C3", "open", (2.2e-10, 5e-7)), ("C3", "low", (8e-7, 1e-5)), ("C1", "low", (8e-7, 1e-5)),
        )
    )  # fmt: skip
    before = InCircuit(value=1.9e-6, low=1.6e-6, high=2.4e-6, unit="F")
    value = PartValue(part="C3", what="value", before=before, after=InCircuit(unit="F"), drawn=22e-6)
    comparison = replace(given.comparison, faults=((opened, 6e-7),))
    assert comparison.measured((value,), (other, opened, low)).faults == ((low, 1.9e-6),)
    # By ripple alone series resistance is taken as sound: it was the fault, beside too little capacitance.
    lossy = SimpleNamespace(part="C3", section="", fault="lossy", key="C3.esr", values=(3.0, 1e3))
    none = InCircuit(unit="ohm", assumed=True)
    series = PartValue(part="C3", what="esr", before=none, after=none)
    comparison = replace(given.comparison, faults=((lossy, 60.0),))
    for was, size in ((before, 1.9e-6), (InCircuit(high=6e-6, unit="F"), None)):
        measured = comparison.measured((replace(value, before=was), series), (other, opened, low, lossy))
        assert measured.faults == ((low, size),)
    assert any(one.startswith("C3: ripple alone does not tell") for one in measured.notes)


def test_a_part_that_measured_sound_is_not_called_nearest_to_changes_it_does_not_explain():
    sound = ohms(9e4, 1.1e5)
    assert compared_values(NOT_EXPLAINED, sound)[1].faults == ()
    # The same part changed for one of another value, though: that is asked about.
    given = material(REPAIRED, dict.fromkeys(REPAIRED, NOT_EXPLAINED))
    low = SimpleNamespace(part="R4", section="", fault="low", key="R4", values=(10.0, 500.0))
    value = PartValue(part="R4", what="value", before=ohms(1.4e3, 1.8e3), after=ohms(7e3, 13e3), drawn=1.5e3)
    comparison = replace(given.comparison, faults=((low, 300.0),)).measured((value,))
    assert comparison.faults == ()
    assert "was another value fitted?" in comparison.causes[0]
    assert len(compared_values(AGREES, sound)[1].faults) == 1


def test_a_new_part_that_is_worse_than_the_old_is_told():
    given = material(REPAIRED, dict.fromkeys(REPAIRED, NOT_EXPLAINED))
    sound, leaks = InCircuit(low=2e9, unit="ohm"), ohms(1e6, 2e6)
    for before, after, told in ((sound, leaks, True), (leaks, sound, False), (sound, sound, False)):
        value = PartValue(part="C4", what="leak", before=before, after=after)
        causes = given.comparison.measured((value,)).causes
        assert any(one.startswith("the new C4 is worse than the old one: leak res") for one in causes) == told


def test_where_readings_fit_no_value_none_is_a_proof_and_the_comparison_says_why():
    given, comparison = compared_values(NOT_EXPLAINED, InCircuit(unit="ohm", unfit=True))
    assert "In circuit" not in findings(replace(given, comparison=comparison)).proof
    (note,) = [one for one in comparison.remarks if "gives its readings" in one]
    assert note.startswith(f"{comparison.before}: no value of R5 and R6 gives its readings while all else is sound")
    assert value_rows(comparison.values)[0].before == "fit no value"
    assert value_sentences(comparison.values)[0].startswith(
        "The resistance of R5 before: these readings fit no value; it is 99.5 "
    )


def test_a_job_without_a_reading_is_not_told_to_lack_a_model():
    for passes in ((), (Pass(name="as-found", started_utc=""),)):
        told = findings(Material(sheet=JobSheet(chassis_name="Amp"), passes=passes))
        assert (told.wrong, told.headline) == ("Nothing was read yet.", "No reading yet")
        assert told.proof == "There is no round of readings so far, so nothing here proves a repair yet."


def test_a_pass_without_a_reading_gets_no_list_of_suspects(tmp_path):
    text = find_config("chassis", "quayside-five").read_text("utf-8")
    with create_job(tmp_path / "a.stagewalk", "Five", text) as job:
        job.start_pass("as-found", mains_v=230.0)
    with open_job(tmp_path / "a.stagewalk", read_only=True) as job:
        given = gather(job)
    assert given.diagnosis is None
    assert "Suspects as they stood" not in render(given)
