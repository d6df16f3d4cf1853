"""Feedback in dB and output impedance from two passes, against ngspice on the same chassis.

Sources: the open loop that keeps the load of its network, and the output impedance from two loads, F.
Langford-Smith, Radiotron Designer's Handbook, 4th edition, chapter 7 (from memory); the impedance itself is what
ngspice has for a current sent into the output.
"""

import numpy as np
import pytest

from acquisition.records import PULLED, Pass, Reading
from analysis.chassis import ChassisModel, ProbeLoad, load_chassis
from analysis.compare import compare_standings
from tests.outside import ngspice_peer as peer

pytestmark = pytest.mark.skipif(peer.NGSPICE is None, reason=peer.NEED_NGSPICE)

UNPROBED = ProbeLoad(resistance_ohm=np.inf, capacitance_farad=0.0)
AT_HZ = (1000.0, 1e4, 1)


def model_of(*out):
    return ChassisModel(load_chassis("harbour-twenty").without(out), probe=UNPROBED)


def gain(model, more=()):
    """From V1.2 to the loudspeaker at 1 kHz, as ngspice has it, with more lines in the netlist."""
    _, theirs = peer.response(model, AT_HZ, more=more)
    names = model.chassis.node_names
    return abs(theirs[names["SPK"]][0] / theirs[names["V1.2"]][0])


def as_pass(name, value, *out):
    reading = Reading(point="V1.2>SPK", quantity="gain", value=value, std=0.005 * value, freq_hz=1000.0)
    settings = {PULLED: " ".join(out)} if out else {}
    return Pass(name=name, started_utc="", mains_v=230.0, readings=(reading,), settings=settings)


@pytest.fixture(scope="module")
def closed():
    return model_of(), as_pass("as-found", gain(model_of()))


def test_feedback_is_that_of_a_loop_opened_with_its_load_left_in(closed):
    model, before = closed
    lifted = model_of("R13")
    after = as_pass("loop-open", gain(lifted), "R13")
    (found,) = compare_standings(before, after, (model, lifted)).feedback
    loaded = gain(lifted, ["Rfba spk 0 100k", "Rfbb fb 0 100k"])
    assert found.value == pytest.approx(20.0 * np.log10(loaded / before.readings[0].value), abs=0.02)
    assert found.load_db == pytest.approx(20.0 * np.log10(after.readings[0].value / loaded), abs=0.02)
    assert abs(found.load_db) > 0.05, "or nothing was looked at"
    assert (found.parts, found.verdict) == (("R13",), "agrees")
    (turned,) = compare_standings(after, before, (lifted, model)).feedback
    assert turned.value == pytest.approx(found.value)


@pytest.mark.parametrize("load", ["RL=16", "RL=4"])
def test_output_impedance_is_what_a_current_into_the_output_meets(closed, load):
    model, before = closed
    other = model_of(load)
    (found,) = compare_standings(before, as_pass("other", gain(other), load), (model, other)).impedance
    _, theirs = peer.response(model, AT_HZ, more=["Iinto 0 spk DC 0 AC 1"], drive="DC 0")
    met_ohm = theirs["SPK"][0]  # with the load of 8 ohm beside it
    assert found.value == pytest.approx(abs(1.0 / (1.0 / met_ohm - 1.0 / 8.0)), rel=0.03)
    assert found.least < found.value < found.most
    assert (found.parts, found.rated_ohm, found.verdict) == (("RL",), 8.0, "agrees")
