"""What is proposed next, and what is not."""

import pytest

from acquisition.configs import find_config
from acquisition.records import Measurand, Reading
from analysis.chassis import ChassisModel, parse_chassis
from analysis.suspects.data import collect
from analysis.suspects.next_reading import candidates, propose
from analysis.suspects.panel import Panel
from analysis.suspects.weighing import weigh


@pytest.mark.parametrize("plate", ["V1.1", "V1.5"])
def test_a_node_is_not_proposed_again_by_another_name(plate):
    """The plate of a 6C4 is on two pins; one of them has been read, low."""
    text = find_config("chassis", "bench-6c4").read_text("utf-8")
    model = ChassisModel(parse_chassis(text + "joined: [[V1.1, V1.5]]\n"))
    read = Measurand(point=plate, quantity="dc_v")
    panel = Panel(model, [read, *candidates(model)])
    volts = 0.8 * float(model.predict({}, [read])[0, 0])
    data = collect(panel, [Reading(point=plate, quantity="dc_v", value=volts, std=0.5)])
    proposed = {p.point for p in propose(panel, data, weigh(panel, data), count=99) if p.quantity == "dc_v"}
    assert "V1.7" in proposed
    assert not {"V1.1", "V1.5"} & proposed
