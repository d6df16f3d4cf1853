"""What is proposed next, and what is not."""

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, load_chassis, parse_chassis
from analysis.inference.changes import Change
from analysis.inference.data import collect
from analysis.inference.panel import Panel
from analysis.inference.variables import to_variable
from analysis.suspects import Diagnoser
from analysis.suspects.candidates import candidates, open_columns
from analysis.suspects.next_reading import (
    ENOUGH_BITS,
    Outlook,
    look_ahead,
    propose,
    with_power_off,
)
from analysis.suspects.prior import log_priors, usual_round
from analysis.suspects.weighing import weigh
from analysis.suspects.words import place_of, show


@pytest.mark.parametrize("plate", ["V1.1", "V1.5"])
def test_a_node_is_not_proposed_again_by_another_name(plate):
    """The plate of a 6C4 is on two pins; one of them has been read, low."""
    text = find_config("chassis", "bench-6c4").read_text("utf-8")
    model = ChassisModel(parse_chassis(text + "joined: [[V1.1, V1.5]]\n"))
    read = Measurand(point=plate, quantity="dc_v")
    usual = usual_round(model)
    panel = Panel(model, [read, *usual])
    volts = 0.8 * float(model.predict({}, [read])[0, 0])
    data = collect(panel, [Reading(point=plate, quantity="dc_v", value=volts, std=0.5)])
    outlook = look_ahead(panel, data, weigh(panel, data, log_priors(panel, usual)), open_columns(panel, data))
    proposed = {p.point for p in propose(panel, outlook, count=99) if p.quantity == "dc_v"}
    assert "V1.7" in proposed
    assert not {"V1.1", "V1.5"} & proposed


def test_a_part_is_measured_with_power_off_only_where_no_live_reading_tells():
    model = ChassisModel(parse_chassis(find_config("chassis", "bench-6c4").read_text("utf-8")))
    wanted = candidates(model)
    healthy = model.predict({}, wanted)[0]
    broken = model.predict({"R1": np.array([1e10])}, wanted)[0]

    def asked(volts, count):
        readings = [
            Reading(
                point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, value=float(v), std=0.003 * abs(float(v))
            )
            for m, v in zip(wanted[:count], volts, strict=False)
        ]
        return Diagnoser(model, wanted).diagnose(readings)

    first = asked(broken, 1)
    assert first.next[0].bits >= ENOUGH_BITS
    assert not first.power_off
    last = asked(broken, len(wanted))
    assert not last.next
    assert last.power_off[0].part in {s.part for s in last.suspects[:2]}
    assert last.power_off[0].part in last.power_off[0].what or "tube" in last.power_off[0].what
    assert not asked(healthy, 0).power_off


def test_what_a_measurement_with_power_off_is_worth():
    """A yes or no of even odds is worth one bit, of 9 to 1 0.469 bits (C. Shannon 1948, fig. 7)."""
    found = with_power_off({"R1": 0.5, "R2": 0.1, "R3": 0.01}, {"R1": "ohms of R1", "R2": "ohms of R2"})
    assert [(one.part, one.bits) for one in found] == [("R1", 1.0), ("R2", 0.469)]


def test_what_a_rating_shuts_out_is_said():
    model = ChassisModel(load_chassis("gangway-two"))
    shut = Diagnoser(model, [], (), 60.0, 600.0, dc_only=True).diagnose([]).notes
    assert len(shut) == 1
    assert shut[0].startswith("not proposed, may exceed what meter and lead are rated for (60 V): V1.1, ")
    assert Diagnoser(model, [], (), 600.0, 600.0).diagnose([]).notes == ()
    assert Diagnoser(model, []).diagnose([]).notes == ()


def test_what_a_reading_would_show_is_told_of_the_suspects_that_it_tells_apart():
    """Three suspects are more probable than the one this reading is for, and read as a healthy chassis does."""
    model = ChassisModel(load_chassis("bench-6c4"))
    read = Measurand(point="V1.7", quantity="dc_v")
    panel = Panel(model, [read])
    first = {fault.label: number for number, fault in reversed(list(enumerate(panel.faults)))}
    labels = list(first)[:4]
    outlook = Outlook(
        changes=(Change(), *(Change(faults=(first[label],), values=(0.0,)) for label in labels)),
        weight=np.array([0.8, 0.08, 0.06, 0.05, 0.01]),
        columns=np.array([0]),
        mean=to_variable("dc_v", np.array([[2.0], [2.0], [2.0], [2.0], [9.0]])),
        spread=np.full((5, 1), 0.01),
    )
    (proposal,) = propose(panel, outlook)
    assert proposal.text == "DC volts at V1.7"
    assert proposal.why == f"nothing wrong: 2 V; {labels[3]}: 9 V"


def test_a_gain_a_phase_and_a_distortion_are_written_without_prefixes():
    gain = Measurand(point="V1.6>V1.7", quantity="gain", freq_hz=1e3)
    assert (show(gain, 0.0071), show(gain, 1234.0)) == ("0.0071", "1230")
    assert show(Measurand(point="V1.6>V1.7", quantity="phase_deg"), 0.4) == "0.4 deg"
    assert show(Measurand(point="V1.7", quantity="thd_pct"), 0.35) == "0.35 %"
    assert (place_of(gain), show(Measurand(point="V1.7", quantity="dc_v"), 0.0071)) == (
        "gain V1.6>V1.7 at 1 kHz",
        "7.1 mV",
    )


def test_what_leads_in_many_severities_is_told_from_a_heavier_single_hypothesis():
    """A fault of four severities is more probable than nothing wrong, each of them less."""
    model = ChassisModel(load_chassis("bench-6c4"))
    panel = Panel(model, [Measurand(point="V1.7", quantity="dc_v")])
    fault = panel.faults[0]
    outlook = Outlook(
        changes=(Change(), *(Change(faults=(0,), values=(value,)) for value in fault.values[:4])),
        weight=np.array([0.3, 0.175, 0.175, 0.175, 0.175]),
        columns=np.array([0]),
        mean=to_variable("dc_v", np.array([[2.0], [9.0], [9.0], [9.0], [9.0]])),
        spread=np.full((5, 1), 0.01),
    )
    (proposal,) = propose(panel, outlook)
    assert proposal.why == f"{fault.label}: 9 V; nothing wrong: 2 V"
