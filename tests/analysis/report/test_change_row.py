"""Each cell of a change and of a part's value in its own column: before is before, after is after."""

import pytest

from acquisition.records import Measurand
from analysis.compare import AGREES, NOT_EXPLAINED, UNCHANGED, UNTRIED, Change, InCircuit, PartValue
from analysis.report.change_row import change_row
from analysis.report.in_circuit import value_proof, value_rows, value_sentences


def fallen(**facts):
    """A plate that fell from 196 to 86 V when the coupling capacitor before it was replaced."""
    given = dict(
        measurand=Measurand(point="V1.6", quantity="dc_v"), before=196.0, after=86.0, before_std=1.0, after_std=0.4,
        corrected=86.0, change=-110.0, change_std=1.1, z=-100.0, probability=1e-9, trend=False, verdict=AGREES,
        predicted=-108.0, predicted_std=2.0, healthy=88.0, direction="toward",
    )  # fmt: skip
    return Change(**{**given, **facts})


def test_each_cell_of_a_change():
    assert change_row("V1.6 plate", fallen()) == {
        "what": "V1.6 plate",
        "before": "196.0 V",
        "after": "86.00 V",
        "change": "−110.0 ± 2.2 V",
        "predicted": "−108.0 V",
        "healthy": "88.0 V",
        "sign": "✓",
        "verdict": "agrees",
        "direction": "closer",
    }


def test_a_change_for_a_terminal():
    row = change_row("V1.6 plate", fallen(), ascii_only=True)
    cells = [row[name] for name in ("before", "after", "change", "predicted")]
    assert cells == ["196.0 V", "86.00 V", "-110.0 +- 2.2 V", "-108.0 V"]


@pytest.mark.parametrize(
    ("facts", "sign", "verdict"),
    [
        ({"verdict": NOT_EXPLAINED}, "!", "not explained"),
        ({"verdict": UNTRIED}, "•", "changed"),
        ({"verdict": UNCHANGED}, "=", "no change"),
        ({"verdict": UNCHANGED, "trend": True}, "≈", "a trend only"),
    ],
)
def test_the_sign_and_the_word_of_a_change(facts, sign, verdict):
    row = change_row("V1.6 plate", fallen(**facts))
    assert (row["sign"], row["verdict"]) == (sign, verdict)


def test_what_nothing_predicts_stays_empty():
    row = change_row("V1.6 plate", fallen(predicted=None, healthy=None, direction=""))
    assert (row["predicted"], row["healthy"], row["direction"]) == ("", "", "")


# -- what a part measures in circuit -----------------------------------------------------------------------------

LEAK = PartValue(
    part="C4",
    what="leak",
    before=InCircuit(value=3e6, low=2.5e6, high=3.6e6, unit="ohm"),
    after=InCircuit(low=100e6, unit="ohm"),
)
SIZE = PartValue(
    part="C4",
    what="value",
    before=InCircuit(high=5e-9, unit="F"),
    after=InCircuit(value=21e-9, low=19e-9, high=23e-9, unit="F"),
    drawn=22e-9,
    tester=21.5e-9,
)


def test_each_cell_of_a_value_in_circuit():
    leak, size = value_rows([LEAK, SIZE])
    assert (leak.what, leak.before) == ("C4 leak resistance", "3 MΩ (2.5 MΩ to 3.6 MΩ)")
    assert (leak.after, leak.beside) == ("more than 100 MΩ", "")
    assert (size.what, size.before) == ("C4 capacitance", "less than 5 nF")
    assert (size.after, size.beside) == ("21 nF (19 nF to 23 nF)", "22 nF drawn, 21.5 nF new by tester")


def test_a_proof_says_what_was_before_what_is():
    assert value_proof([LEAK, SIZE]) == [
        "In circuit, by each round alone, the leak resistance of C4 was 3 MΩ (2.5 MΩ to 3.6 MΩ) before and is more "
        "than 100 MΩ after; the capacitance of C4 was less than 5 nF before and is 21 nF (19 nF to 23 nF) after."
    ]
    assert value_sentences([LEAK], ascii_only=True)[0] == (
        "The leak resistance of C4 was 3 Mohm (2.5 Mohm to 3.6 Mohm) before and is more than 100 Mohm after."
    )


def test_what_one_round_cannot_tell_is_said_of_that_round():
    unknown = InCircuit(unit="ohm")
    (row,) = value_rows([PartValue(part="C4", what="leak", before=LEAK.before, after=unknown)])
    assert (row.before, row.after) == ("3 MΩ (2.5 MΩ to 3.6 MΩ)", "cannot tell")
    (row,) = value_rows([PartValue(part="C4", what="leak", before=unknown, after=LEAK.after)])
    assert (row.before, row.after) == ("cannot tell", "more than 100 MΩ")
