"""The harness of the advice table: when it stops, what it counts, and that its cases answer every proposal."""

import numpy as np
import pytest

from acquisition.records import Measurand
from analysis.inference.variables import canonical
from analysis.suspects import Diagnoser, Diagnosis
from analysis.suspects.candidates import candidates
from analysis.suspects.diagnosis import Suspect
from analysis.suspects.next_reading import Proposal
from tests.outside import advice_table, fresh_cases
from tests.outside.ngspice_peer import NEED_NGSPICE, NGSPICE

RAIL, *POINTS = (Measurand(point=name, quantity="dc_v") for name in ("HT", "A", "B", "C"))


def told(chances, *, alike=(), bits=1.0, point="A"):
    """A diagnosis with these probabilities by part."""
    suspects = [
        Suspect(part=part, section="", fault="open", probability=chance, estimate=None, because="", alike=alike)
        for part, chance in chances.items()
    ]
    return Diagnosis(
        healthy_probability=0.0,
        suspects=tuple(suspects),
        next=(Proposal(point=point, quantity="dc_v", bits=bits, why=""),),
    )


def test_one_part_is_sure_from_nine_tenths():
    assert advice_table.sure_of(told({"R1": 0.91, "R2": 0.09})) == ("R1",)
    assert advice_table.sure_of(told({"R1": 0.89, "R2": 0.11})) == ()


def test_look_alikes_are_an_answer_only_where_nothing_tells_them_apart():
    chances = {"R1": 0.5, "C2": 0.45, "R3": 0.05}
    assert advice_table.sure_of(told(chances, alike=("C2 open",), bits=0.5)) == ()
    assert advice_table.sure_of(told(chances, alike=("C2 open",), bits=0.01)) == ("C2", "R1")
    assert advice_table.sure_of(told(chances, bits=0.01)) == ()


def test_two_faults_of_one_part_are_one_part():
    weak = told({"V1": 0.5}).suspects + told({"V1": 0.45}).suspects
    assert advice_table.sure_of(Diagnosis(healthy_probability=0.0, suspects=weak, next=())) == ("V1",)


def test_readings_are_taken_until_it_is_sure_and_counted_without_the_rails():
    """Sure once B is read; the advice names B at once, the bench comes to it second, a short list never."""

    def diagnose(read):
        return told({"R1": 0.95 if POINTS[1] in read else 0.4, "R2": 0.05}, point="B")

    taken, parts = advice_table.follow(diagnose, [RAIL], advice_table.advised)
    assert (taken, parts) == ([POINTS[1]], ("R1",))
    taken, parts = advice_table.follow(diagnose, [RAIL], advice_table.in_order(POINTS))
    assert (taken, parts) == (POINTS[:2], ("R1",))
    taken, parts = advice_table.follow(diagnose, [RAIL], advice_table.in_order(POINTS[:1]))
    assert (taken, parts) == (POINTS[:1], ())


def test_advice_that_repeats_itself_is_an_error():
    with pytest.raises(AssertionError, match="proposed again"):
        advice_table.follow(lambda _: told({"R1": 0.5}), [RAIL], advice_table.advised)


def row(taken, sure, accept=("R1",)):
    one = {"taken": taken, "effort": float(len(taken)), "sure": sure, "all": 8}
    return {"chassis": "x", "part": "R1", "accept": list(accept)} | dict.fromkeys(advice_table.ORDERS, one)


def test_a_case_that_never_gets_there_counts_with_all_readings(capsys):
    advice_table.table([row(["a", "b"], ["R1"]), row(["a"], ["R2"]), row(["a"], [])])
    first = capsys.readouterr().out.splitlines()[1].split()
    assert first[:3] == ["all", "advice", "mean"]
    assert float(first[3].rstrip(",")) == pytest.approx((2 + 1 + 8) / 3, abs=0.05)
    assert first[6:12] == ["2", "of", "3", "1", "of", "2"]


def test_bench_order_holds_every_proposal_once_dc_first():
    for name in ("quayside-five", "bench-6c4"):
        model = fresh_cases.drawn(fresh_cases.drawings()[advice_table.load_chassis(name).title]).model
        order = advice_table.bench_order(model)
        assert len(order) == len(set(order))
        assert set(order) == {canonical(m) for m in candidates(model)}
        kinds = [m.quantity for m in order]
        assert kinds == sorted(kinds, key=["dc_v", "gain", "ripple_pp_v"].index)


@pytest.mark.skipif(NGSPICE is None, reason=NEED_NGSPICE)
def test_a_case_answers_every_proposal(monkeypatch):
    """An open cathode resistor of the bench stage, all three ways."""
    monkeypatch.setattr(fresh_cases, "HEALTHY_SHARE", 0.0)
    monkeypatch.setattr(fresh_cases, "SCATTER_OF", 3)
    monkeypatch.setattr(fresh_cases, "draw_fault", lambda *_: ("R3", "open", "R3", 1e4))
    text = fresh_cases.drawings()[advice_table.load_chassis("bench-6c4").title]
    answer, answers = advice_table.faulty_case(text, [5])
    model = fresh_cases.drawn(text).model
    assert answer["part"] == "R3"
    assert {canonical(m) for m in candidates(model)} <= set(answers)
    found = advice_table.run_case(Diagnoser(model), answers, np.random.default_rng(1))
    assert set(found) == set(advice_table.ORDERS)
    assert all(way["all"] == len(candidates(model)) - 1 for way in found.values())
    assert "R3" in found["advice"]["sure"]
