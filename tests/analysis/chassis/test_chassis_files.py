"""The loader: everything the file can say, and every mistake with its line, all at once."""

import pytest

from acquisition.configs import config_names
from acquisition.errors import ConfigError
from acquisition.quantities import parse_value
from acquisition.records import Measurand
from analysis.chassis import ChassisModel, load_chassis, parse_chassis

GOOD = """
chassis: two stages on a board
mains: {volts: 120, hertz: 60}
tubes: {V1: 12AX7, V2: EL84}
rails:
  HT1: {volts: 280, source: 200, rectified: full-wave}
parts:
  C9: {capacitor: 47u, nodes: [HT1, gnd], rated_volts: 450, esr: 0.5, note: reservoir}
  C1: 22n  IN    V1.2  20%
  R1: 1M   V1.2  gnd
  R2: 100k HT1   V1.1  5%
  R3: 1k5  V1.3  gnd
  C2: 22u  V1.3  gnd   -20% +50%
  C3: 22n  V1.1  N1
  P1: {potentiometer: 1M, ends: [N1, gnd], wiper: V2.2, at: 0.25}
  R4: 150  V2.3  gnd
  T1: {transformer: [5k, 8], primary: [HT1, V2.7], secondary: [SPK, gnd], primary_ohms: 280}
  RL: 8    SPK   gnd
joined: [[V2.9, HT1]]
signal: {input: IN, output: SPK, source_ohms: 600, stages: {first: [V1.2, V1.1]}}
printed: {V1.1: 190 +-20%, V2.3: 7.5}
"""


def problems_of(text):
    with pytest.raises(ConfigError) as caught:
        parse_chassis(text, "amp.yaml")
    return [str(problem) for problem in caught.value.problems]


def test_everything_is_read():
    chassis = parse_chassis(GOOD)
    assert chassis.title == "two stages on a board"
    assert (chassis.mains_v, chassis.mains_hz) == (120.0, 60.0)
    assert chassis.sockets["V2"].name == "EL84"
    rail = chassis.rails["HT1"]
    assert (rail.volts, rail.source_ohm, rail.rectified) == (280.0, 200.0, "full-wave")
    parts = chassis.parts
    assert parts["R3"].value == 1500.0
    assert parts["R2"].tolerance == (-0.05, 0.05)
    assert parts["C2"].tolerance == (-0.2, 0.5)
    assert parts["R1"].tolerance == (-0.1, 0.1)
    assert parts["C9"].tolerance == (-0.2, 0.5)  # an electrolytic by its size
    assert parts["C3"].tolerance == (-0.1, 0.1)
    assert parts["C9"].facts == {"rated_volts": 450.0, "esr": 0.5}
    assert parts["C9"].note == "reservoir"
    assert parts["P1"].nodes == ("N1", "gnd", "V2.2")
    assert parts["T1"].nodes == ("HT1", "V2.7", "SPK", "gnd")
    assert chassis.node_names["V2.9"] == chassis.node_names["HT1"] == "HT1"
    assert chassis.signal.source_ohm == 600.0
    assert chassis.stages["first"].target == "V1.1"
    assert chassis.printed["V1.1"].volts == 190.0
    assert chassis.printed["V2.3"].tolerance == (-0.2, 0.2)


@pytest.mark.parametrize("minus", ["\N{MINUS SIGN}", "\N{EN DASH}"])
def test_the_minus_and_the_ohm_of_print_are_read_in_every_field(minus):
    text = GOOD.replace("V2.3: 7.5", f"V2.2: {minus}28.1 {minus}20% +50%").replace("8    SPK", "8\N{OHM SIGN} SPK")
    text = text.replace("HT1: {volts: 280,", f"BIAS: {{volts: {minus}30}}\n  HT1: {{volts: 280,")
    chassis = parse_chassis(text.replace("R4: 150", "R5: 1M BIAS gnd\n  R4: 150"))
    assert (chassis.printed["V2.2"].volts, chassis.printed["V2.2"].tolerance) == (-28.1, (-0.2, 0.5))
    assert (chassis.rails["BIAS"].volts, chassis.parts["RL"].value) == (-30.0, 8.0)


def test_tubes_alone_are_enough():
    chassis = parse_chassis("chassis: unknown amp\ntubes: {V1: 12AX7, V2: 5Y3GT}\n")
    assert chassis.parts == {}
    assert chassis.node_names == {}


@pytest.mark.parametrize("name", config_names("chassis"))
def test_shipped_files_load_and_say_they_are_invented(name):
    chassis = load_chassis(name)
    assert chassis.parts
    with open(chassis.path, encoding="utf-8") as file:
        assert "invented" in file.read().lower()


def test_pins_of_one_electrode_are_one_node():
    text = """
chassis: both plate pins
tubes: {V1: 6C4}
rails: {HT: {volts: 200}}
parts:
  R1: 100k HT V1.1
  R2: 1M V1.5 gnd
  R3: 1k V1.7 gnd
  R4: 1M V1.6 gnd
"""
    names = parse_chassis(text).node_names
    assert names["V1.1"] == names["V1.5"]


MISTAKES = [
    ("R1: 1M   V1.2", "X1: 1M   V1.2", "amp.yaml:10: parts.X1: unknown kind of part"),
    ("R1: 1M ", "R1: 1Q ", "amp.yaml:10: parts.R1: expected a value such as"),
    ("R1: 1M ", "R1: -5 ", "amp.yaml:10: parts.R1: expected a value of zero or more"),
    ("R1: 1M ", "R1: 0 ", "amp.yaml:10: parts.R1: expected a value above zero, got '0'; a wire goes into joined"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2", "amp.yaml:10: parts.R1: expected a value and two nodes"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2 gnd 5", "amp.yaml:10: parts.R1.tolerance: expected a tolerance"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2 GND", "the chassis is written gnd"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2 V1.2", "both ends on V1.2"),
    ("R3: 1k5  V1.3", "R3: 1k5  V1.33", "V1.33: a 12AX7 has pins 1 2 3 4 5 6 7 8 9, not 33"),
    ("R3: 1k5  V1.3", "R3: 1k5  V7.3", "V7.3: no tube V7 in the chassis, which has V1 V2"),
    ("R4: 150  V2.3", "R4: 150  V2.6", "V2.6: pin 6 of an EL84 is internally connected"),
    ("V1: 12AX7", "V1: 12AX9", "amp.yaml:4: tubes.V1: 12AX9"),
    ("N1, gnd]", "N2, gnd]", "node N1 is used once"),
    ("at: 0.25", "at: 1.5", "amp.yaml:15: parts.P1.at: expected a place between 0 and 1"),
    ("primary_ohms: 280", "primry_ohms: 280", "parts.T1.primry_ohms: unknown field of a transformer, did you mean"),
    ("transformer: [5k, 8]", "transformer: 5k", "expected impedances [primary, secondary]"),
    ("primary: [HT1, V2.7]", "primary: [HT1]", "parts.T1.primary: expected 2 or 3 or 5 points"),
    ("volts: 280", "volts: high", "amp.yaml:6: rails.HT1.volts: expected a value such as"),
    ("full-wave", "double", "amp.yaml:6: rails.HT1.rectified:"),
    ("[V1.2, V1.1]}", "[V1.2, V1.9]}", "signal.stages.first: no part reaches a point V1.9, did you mean"),
    ("output: SPK", "output: SPEAKER", "signal.output: no part reaches a point SPEAKER"),
    ("input: IN", "input: INPUT", "signal.input: no part reaches a point INPUT"),
    ("V2.3: 7.5", "V2.3: seven", "printed.V2.3: expected volts"),
    (
        "V2.3: 7.5",
        "V2.3: '7,5'",
        "printed.V2.3: expected volts such as 190 or 190 +-20%, got '7,5' (write a point, not",
    ),
    ("volts: 280", "volts: 280, ripple: 5", "rails.HT1.ripple: unknown field, did you mean ripple_pp?"),
    ("mains:", "stages: {first: [V1.2, V1.1]}\nmains:", "stages: unknown field, it goes into signal"),
    ("V2.3: 7.5", "V2.33: 7.5", "printed.V2.33: V2.33: an EL84 has pins 1 2 3 4 5 6 7 8 9, not 33"),
    ("V2.3: 7.5", "PLATE: 7.5", "printed.PLATE: no part reaches a point PLATE"),
    ("  RL: 8 ", "  RL: 8 SPK gnd\n  RL: 8 ", "amp.yaml:19: parts.RL: given twice, first on line 18"),
    ("volts: 280,", "volts: 280,5,", "rails.HT1.5: unknown field: expected a point in a number, and no comma"),
    ("[5k, 8]", "[5,2k, 8]", "got ['5', '2k', '8'] (write a point in a number, not a comma)"),
    ("V2.3: 7.5", "V2.3: 7,5", "amp.yaml:21: printed.5: expected a point in a number, and no comma"),
    ("R2: 100k HT1   V1.1  5%", "R2: 100k HT1   V1.1  2,5%", "got '2,5%' (write a point, not a comma)"),
    (
        "C3: 22n  V1.1",
        "C3: 22n,  V1.1",
        "parts.C3: expected spaces between value and nodes such as 1M V1.2 gnd, got",
    ),
    (
        "gnd   -20% +50%",
        "gnd# bypass",
        "parts.C2: expected a space before the # of a remark, got '22u  V1.3  gnd# by",
    ),
    ("C3: 22n ", "C3: .022mfd ", "parts.C3: expected p, n or u, got '.022mfd': mf and mfd of a drawing are u, mmf"),
    # What a first file holds that was typed from a drawing: each is told with what to write, and none is misread.
    ("C3: 22n ", "C3: 0.02 mF ", "parts.C3: expected p, n or u, got '0.02mF': mf and mfd of a drawing are u"),
    ("C3: 22n ", "C3: 22 mfd ", "parts.C3: expected p, n or u, got '22mfd': mf and mfd of a drawing are u, mmf"),
    ("C3: 22n ", "C3: 22N ", "got '22N': write 22n"),
    ("C3: 22n ", "C3: 25/50V ", "parts.C3: expected a value such as"),
    ("R1: 1M ", "R1: 1Meg ", "got '1Meg': write 1M"),
    ("R4: 150 ", "R4: 10.000 ", "parts.R4: 10.000 is 10 here, a point begins the decimals: write 10k or 10"),
    ("R4: 150 ", "R4: 10,000 ", "got '10,000' (no comma between thousands, and a point before decimals)"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2 -> gnd", "parts.R1: expected a value, two nodes and no more than a toler"),
    ("R1: 1M   V1.2  gnd", "R1: 1M V1.2 gnd (leak)", "(a remark goes behind a #), got '1M V1.2 gnd (leak)'"),
    ("R1: 1M   V1.2  gnd", "R1: 1M 1/2W V1.2 gnd", "parts.R1: 1/2W: a rating needs the mapping form"),
    ("at: 0.25", "at: 0,25", "parts.P1.25: expected a point in a number, and no comma"),
    ("at: 0.25", "taper: log", "parts.P1.taper: unknown field of a potentiometer, expected one of at ends"),
    ("  RL: 8    SPK   gnd\n", "", "node SPK is used once: nothing else connects to it; its load is a part too, s"),
    ("R3: 1k5  V1.3", "R3: 1k5  V2.3", "V1.3: nothing carries the current of this cathode on: expected a resist"),
    ("transformer: [5k, 8]", "transformer: [8, 5k]", "parts.T1.transformer: expected impedances in ohms"),
    ("mains:", "notes: bought in May\nmains:", "notes: unknown field, expected one of chassis mains tubes rails"),
    ("[SPK, gnd]", "(SPK, gnd)", "parts.T1.gnd): expected square brackets around points such as [SPK, gnd]"),
    (
        "R4: 150  V2.3",
        "R4: 150 5W V2.3",
        "5W: a rating needs the mapping form, {resistor: 150, nodes: [V2.3, gnd], ra",
    ),
    (
        "R2: 100k HT1 ",
        "R2: 100k ht1 ",
        "parts.R2: node ht1 is used once: nothing else connects to it; did you mean HT1?",
    ),
    ("R2: 100k HT1   V1.1", "R2: 100k HT1   V1-1", "else connects to it; a pin is written V1.1"),
    ("RL: 8 ", "HT1: 8 ", "HT1"),
    ("mains:", "main:", "unknown field, did you mean mains"),
    ("C9: {capacitor: 47u, nodes: [HT1, gnd]", "C9: {capacitor: 47u, nodes: [HT1, V1.1]", "no reservoir"),
    ("  R4: 150  V2.3  gnd\n", "", "cathode of section pins 2-3-7-9 is on no part"),
    ("P1: {potentiometer: 1M, ends: [N1, gnd], wiper: V2.2, at: 0.25}", "C7: 22n N1 V2.2", "V2.2 floats: expected"),
    ("R1: 1M ", "R1: 1 M ", "amp.yaml:10: parts.R1: expected a value without a space, got '1 M': write 1M"),
    ("RL: 8  ", "RL: 8 ohm ", "parts.RL: expected a value without a space, got '8 ohm': write 8ohm"),
    (
        "RL: 8  ",
        "RL: 8 \N{OHM SIGN} ",
        "expected a value without a space, got '8 \N{OHM SIGN}': write 8\N{OHM SIGN}",
    ),
    ("RL: 8    SPK", "RL: 8    SPKR", "node SPKR is used once: nothing else connects to it; did you mean SPK?"),
    ("joined: [[V2.9, HT1]]\n", "", "is on no part: expected a part on V2.9, or joined: [[V2.9, the point it is"),
    (
        "joined: [[V2.9, HT1]]",
        "joined: [[V2.9, HT1, gnd]]",
        "amp.yaml:6: rails.HT1: HT1 is on gnd: expected a node",
    ),
    ("rails:\n", "rails:\n  gnd: {volts: 5}\n", "amp.yaml:6: rails.gnd: gnd is on gnd: expected a node"),
    ("rails:\n", "rails:\n  V2: {volts: 5}\n", "amp.yaml:6: rails.V2: V2 is already in tubes: give every thing"),
    ("C3: 22n ", "C1.leak: 22n ", "amp.yaml:14: parts.C1.leak: a part is called by letters, digits"),
    (
        "C3: 22n  V1.1  N1",
        "C1.leak: {resistor: 1k, nodes: [V1.1, N1]}",
        "amp.yaml:14: parts.C1.leak: a part is",
    ),
    (
        "RL: 8    SPK   gnd",
        "mains: {resistor: 8, nodes: [SPK, gnd]}",
        "parts.mains: mains is already the name",
    ),
    ("RL: 8    SPK   gnd", "generator: {inductor: 1, nodes: [SPK, gnd]}", "parts.generator: generator is already"),
    (
        "RL: 8    SPK   gnd",
        "V1a: {resistor: 8, nodes: [SPK, gnd]}",
        "parts.V1a: V1a is already a section of",
    ),
    ("V1: 12AX7,", "V1: 12AX7, V1b: EL84,", "amp.yaml:4: tubes.V1b: V1b is already a section of V1: give every"),
    (
        "RL: 8    SPK   gnd",
        "RL: 8    SPK   gnd\n  R8: 100 V1.4 gnd",
        "R8: node V1.4 is used once: nothing else connects to it; heaters are not modelled: leave it out",
    ),
    (
        "C9: {capacitor: 47u, nodes: [HT1, gnd]",
        "C8: 47u MID gnd\n  R8: 1M MID gnd\n  C9: {capacitor: 47u, nodes: [HT1, MID]",
        "before a choke, or where two in series are the reservoir, leave rectified out and give ripple_pp",
    ),
    ("RL: 8    SPK   gnd", "RL: 8    SPK   0", "parts.RL: 0: the chassis is written gnd"),
    (
        "primary: [HT1, V2.7]",
        "primary: [HT1, V2.7], tap: 0.4",
        "parts.T1.tap: a tap needs a primary of five points",
    ),
    (
        "primary: [HT1, V2.7]",
        "primary: [V2.7, U1, HT1, U2, V2.7], tap: 1",
        "parts.T1.tap: expected a tap between supply and plate",
    ),
    ("ends: [N1, gnd]", "ends: [N1, N1]", "amp.yaml:15: parts.P1: both ends on N1"),
    ("secondary: [SPK, gnd]", "secondary: [SPK, SPK]", "amp.yaml:17: parts.T1: both ends on SPK"),
    ("primary: [HT1, V2.7]", "primary: [V2.7, V2.7, HT1]", "amp.yaml:17: parts.T1: both ends on V2.7"),
    ("input: IN", "input: gnd", "amp.yaml:20: signal.input: gnd is gnd: expected a point that carries the signal"),
    ("input: IN", "input: V2.9", "signal.input: V2.9 is on a rail: expected a point that carries the signal"),
    (
        "input: IN, output: SPK",
        "input: [IN, IN], output: [SPK, SPK]",
        "signal.input: IN is given twice: expected one",
    ),
    ("output: SPK", "output: gnd", "signal.output: gnd is gnd: expected a point that carries the signal"),
    ("[V1.2, V1.1]}", "[V1.2, gnd]}", "signal.stages.first: gnd is gnd: expected a point that carries the signal"),
    ("[V1.2, V1.1]}", "[HT1, V2.9]}", "signal.stages.first: HT1 and V2.9 are one node: expected two that a stage"),
    ("[[V2.9, HT1]]", "[V2.9, HT1]", "amp.yaml:19: joined: expected every group of points in brackets of its own"),
    ("[[V2.9, HT1]]", "[[V2.9, HT1], [V1.1]]", "joined.1: expected points, two or more, such as [V2.9, HT2]"),
    ("[V1.2, V1.1]", "[V1.2]", "signal.stages.first: expected two points such as [V1.2, V1.1]"),
    ("{volts: 280, source: 200, rectified: full-wave}", "280", "amp.yaml:6: rails.HT1: expected fields with their"),
    ("{volts: 120, hertz: 60}", "120", "mains: expected fields with their names such as {volts: 230, hertz: 50}"),
    ("{V1: 12AX7, V2: EL84}", "[12AX7, EL84]", "amp.yaml:4: tubes: expected sockets with their types such as {V1:"),
    ("C3: 22n ", "C3: .02 ", "amp.yaml:14: parts.C3: expected p, n or u in a capacitance"),
    ("C3: 22n ", "C3: 22m ", "parts.C3: expected p, n or u in a capacitance (m is milli), got '22m'"),
    ("C9: {capacitor: 47u", "C9: {capacitor: 0.5", "amp.yaml:8: parts.C9.capacitor: expected p, n or u"),
    ("R1: 1M ", "R1: 1m ", "amp.yaml:10: parts.R1: m is milli, M is mega: expected 1M or plain ohms"),
    ("potentiometer: 1M", "potentiometer: 1m", "parts.P1.potentiometer: m is milli, M is mega: expected 1M"),
    ("R1: 1M ", "R1: 1 Meg ", "parts.R1: expected a value without a space, got '1 Meg': write 1M"),
    ("at: 0.25", "at: 25%", "amp.yaml:15: parts.P1.at: expected a place between 0 and 1, got '25%'"),
    ("at: 0.25", "turned: 1", "parts.P1.turned: unknown field of a potentiometer, expected one of at ends note"),
    (
        "R1: 1M   V1.2  gnd",
        "R1: 1M V1.2 gnd 2W",
        "2W: a rating needs the mapping form, {resistor: 1M, nodes: [V1.2,",
    ),
    ("RL: 8 ", "LS1: 8 ", "amp.yaml:18: parts.LS1: a loudspeaker is a resistor such as RL; L means inductor"),
    ("RL: 8 ", "CH1: 8 ", "parts.CH1: a choke is an inductor such as L1; C means capacitor"),
    ("R3: 1k5 ", "RV1: 1k5 ", "parts.RV1: a potentiometer is called by P, such as P1; R means resistor"),
    ("R3: 1k5 ", "VR1: 1k5 ", "parts.VR1: a potentiometer is called by P, such as P1, and a voltage reference"),
    ("R3: 1k5 ", "LP1: 6.3V ", "parts.LP1: a lamp is left out"),
    ("R3: 1k5 ", "R3: 15V ", "parts.R3: expected ohm, got '15V'"),
    ("R3: 1k5 ", "R3: 1.5mF ", "parts.R3: expected ohm, got '1.5mF'"),
    ("C3: 22n ", "C3: 22nH ", "parts.C3: expected F, got '22nH'"),
    ("R3: 1k5 ", "LED1: 1.7 ", "parts.LED1: an LED becomes a rail of its volts; L means inductor"),
    (
        "R3: 1k5 ",
        "S1: on ",
        "a switch closed or a fuse goes into joined, a diode or a voltage reference becomes a rail",
    ),
    ("volts: 280", "volts: 0", "amp.yaml:6: rails.HT1.volts: expected the volts that the rectifier gives, got 0"),
    (
        "primary_ohms: 280",
        "primary_henries: 0",
        "amp.yaml:17: parts.T1.primary_henries: expected a value above zero, got '0'",
    ),
    ("rated_volts: 450", "rated_volts: 0", "parts.C9.rated_volts: expected a value above zero, got '0'"),
    (
        "R3: 1k5  V1.3  gnd",
        "P3: {potentiometer: 2k, ends: [V1.3, FREE], wiper: gnd}",
        "node FREE is used once: nothing else connects to it; an end of P3 that is not in use is written as its",
    ),
    (
        "C9: {capacitor: 47u, nodes: [HT1, gnd]",
        "C8: 47u HT1 MID\n  C9: {capacitor: 47u, nodes: [MID, gnd]",
        "MID floats: expected a path for direct current to gnd or a rail; is a part missing, or a wire in joined?"
        " Between two capacitors that a winding holds, as in a doubler, it is a rail of its own.",
    ),
    ("V2.3: 7.5", "V2.3: 7-8", "printed.V2.3: expected volts such as 190 or 190 +-20%, got '7-8'"),
    (
        "RL: 8    SPK   gnd",
        "RL: 8    SPK   gnd\n  R8: 1M V1.7 gnd",
        "section a (pins 6-7-8) is on no part: expected a part on V1.6, or joined: [[V1.6, the point it is"
        " wired to]]; of a section not in use, join the pins to gnd",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES, ids=[m[1].strip()[:40] for m in MISTAKES])
def test_each_mistake_is_told(old, new, message):
    assert old in GOOD
    found = problems_of(GOOD.replace(old, new, 1))
    assert any(message in line for line in found), found
    assert all(line.startswith("amp.yaml:") for line in found)


def test_two_rails_on_one_node_contradict_each_other():
    text = GOOD.replace("parts:\n", "  HT2: {volts: 240}\nparts:\n").replace("[V2.9, HT1]", "[V2.9, HT1, HT2]")
    assert problems_of(text) == [
        "amp.yaml:7: rails.HT2: HT2 is on one node with HT1: expected one rail a node; leave one out, or put the"
        " part between them into parts instead of joined"
    ]


def test_a_wrong_name_of_a_part_has_no_consequences():
    assert len(problems_of(GOOD.replace("C3: 22n ", "C1.leak: 22n "))) == 1


SCREEN_TAP = (
    GOOD.replace("[HT1, V2.7]", "[HT1, UL, V2.7], tap: 0.43")
    .replace("[[V2.9, HT1]]", "[]")
    .replace("  RL: 8 ", "  R5: 100  UL    V2.9\n  RL: 8 ")
)


def test_a_single_ended_stage_may_have_its_screen_on_a_tap():
    """Gain lies between that of the pentode and that of the triode, and so does it between two taps."""
    gain = [Measurand(point="V2.2>SPK", quantity="gain", freq_hz=1000.0)]

    def shown(text):
        return float(ChassisModel(parse_chassis(text)).predict({}, gain)[0, 0])

    tapped, further = shown(SCREEN_TAP), shown(SCREEN_TAP.replace("tap: 0.43", "tap: 0.7"))
    pentode = shown(GOOD)
    triode = shown(GOOD.replace("[[V2.9, HT1]]", "[[V2.9, V2.7]]"))
    assert triode < further < tapped < pentode
    model = ChassisModel(parse_chassis(SCREEN_TAP))
    assert {key for key in model.parameters if key.endswith("_open_ohms")} == {
        "T1.inner_open_ohms", "T1.outer_open_ohms", "T1.secondary_open_ohms",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            ", tap: 0.43",
            "",
            "V2.7 is a plate and the other end is none: expected one at each end, push-pull; or, with",
        ),
        ("[HT1, UL, V2.7]", "[V2.7, UL, HT1]", "expected supply, tap, plate in this order"),
    ],
)
def test_three_points_of_a_primary_are_not_taken_for_another_circuit(old, new, words):
    (told,) = problems_of(SCREEN_TAP.replace(old, new))
    assert f"parts.T1.primary: {words}" in told


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            "{V1: 12AX7, V2: EL84}",
            "{V1:12AX7, V2: EL84}",
            "4: tubes.V1:12AX7: expected a space behind the colon: V1: 12AX7",
        ),
        ("R4: 150  V2.3", "R4: 150  v2.3", "16: parts.R4: v2.3: did you mean V2.3?"),
        ("V2.3: 7.5", "V2.3: 7,5", "21: printed.5: expected a point in a number, and no comma"),
    ],
)
def test_a_slip_of_the_keyboard_is_told_once(old, new, told):
    assert problems_of(GOOD.replace(old, new)) == [f"amp.yaml:{told}"]


def test_a_file_beside_that_was_meant_is_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "amp.yaml").write_text(GOOD)
    with pytest.raises(ConfigError) as caught:
        load_chassis("amp")
    assert caught.value.hint == "did you mean amp.yaml?"


def test_a_wrong_point_in_joined_has_no_consequences():
    assert problems_of(GOOD.replace("[V2.9, HT1]", "[0, V2.9, HT1]")) == [
        "amp.yaml:19: joined.0: 0: the chassis is written gnd"
    ]


def test_the_letter_of_iec_60062_may_stand_first():
    text = GOOD.replace("R4: 150 ", "R4: R47 ").replace("C3: 22n ", "C3: p47 ")
    parts = parse_chassis(text).parts
    assert (parts["R4"].value, parts["C3"].value) == (0.47, 0.47e-12)
    assert "m is milli" in problems_of(GOOD.replace("R1: 1M ", "R1: m47 "))[0]


def test_all_mistakes_are_told_at_once():
    text = GOOD
    for old, new in (("R1: 1M ", "R1: 1Q "), ("V2.7]", "V2.77]"), ("at: 0.25", "at: 7"), ("hertz: 60", "hertz: x")):
        text = text.replace(old, new)
    lines = sorted({line.split(" ")[0] for line in problems_of(text)})
    assert {"amp.yaml:3:", "amp.yaml:10:", "amp.yaml:15:", "amp.yaml:17:"} <= set(lines)


def test_mistakes_of_form_and_of_wiring_are_told_together_and_no_consequences():
    text = GOOD
    for old, new in (
        ("R1: 1M ", "R1: 1Q "),  # the grid V1.2 and the input would hang loose
        ("R3: 1k5  V1.3", "R3: 1k5  V1.33"),  # the cathode V1.3 would float
        ("joined: [[V2.9, HT1]]", "joined: V2.9"),  # the screen would be on no part
        ("RL: 8    SPK", "RL: 8    SPX"),
    ):
        assert old in text
        text = text.replace(old, new)
    assert [line.split(": ")[1] for line in problems_of(text)] == [
        "parts.R1", "parts.R3", "parts.T1", "parts.RL", "joined",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("written", "meant"), [("22nf", "22n"), ("0.022uf", "22n"), ("220KOHM", "220k"), ("470OHMS", "470")]
)
def test_a_unit_may_be_written_in_any_case(written, meant):
    assert parse_value(written) == parse_value(meant)


def test_tolerances_may_be_written_with_a_stroke():
    text = GOOD.replace("R1: 1M   V1.2  gnd", "R1: 1M V1.2 gnd +/-5%").replace("V2.3: 7.5", "V2.3: 7.5 +/- 10%")
    chassis = parse_chassis(text)
    assert (chassis.parts["R1"].tolerance, chassis.printed["V2.3"].tolerance) == ((-0.05, 0.05), (-0.1, 0.1))


def test_a_tube_under_another_carries_the_current_of_its_cathode_on():
    """A cascode: no part leads from the upper cathode anywhere."""
    text = """
chassis: cascode
tubes: {V1: 12AT7}
rails: {HT1: {volts: 250}}
parts:
  R1: 1M V1.2 gnd
  R2: 220 V1.3 gnd
  R3: 22k HT1 V1.6
  R4: 220k HT1 V1.7
  R5: 100k V1.7 gnd
joined: [[V1.1, V1.8]]
"""
    assert parse_chassis(text).node_names["V1.1"] == parse_chassis(text).node_names["V1.8"]


def test_a_forgotten_wire_is_told_once():
    text = GOOD.replace("R1: 1M   V1.2  gnd", "R1: 1M   V1.2  N2\n  R7: 1k N2 N3\n  C7: 1u N3 gnd\n  C8: 1u N2 gnd")
    floating = [line for line in problems_of(text) if "float" in line]
    assert len(floating) == 1
    assert "V1.2, N2, N3 float: expected a path for direct current to gnd or a rail" in floating[0]


@pytest.mark.parametrize("tied", ["V1.7, V1.8, gnd", "V1.7, gnd"])
def test_a_section_not_in_use_with_its_plate_open_is_left_out(tied):
    model = ChassisModel(parse_chassis(GOOD.replace("joined: [", f"joined: [[{tied}], ")))
    assert list(model.sections) == ["V1b", "V2"]
    assert model.node("V1.7") == -1


def test_an_led_in_a_cathode_can_be_written_as_the_message_says():
    text = GOOD.replace("parts:\n", "  LED: {volts: 1.7, source: 10}\nparts:\n").replace(
        "  R3: 1k5  V1.3  gnd\n", ""
    )
    model = ChassisModel(parse_chassis(text.replace("joined: [", "joined: [[V1.3, LED], ")))
    shown = model.predict(
        {}, [Measurand(point="V1.3", quantity="dc_v"), Measurand(point="V1.2>V1.1", quantity="gain")]
    )[0]
    assert shown[0] == pytest.approx(1.7, abs=1e-3)
    assert shown[1] > 45.0  # as with a bypassed cathode: the diode holds it still


def test_a_choke_input_supply_can_be_written_as_the_message_says():
    text = GOOD.replace(", rectified: full-wave", ", ripple_pp: 90")
    text = text.replace(
        "C9: {capacitor: 47u, nodes: [HT1, gnd]", "L1: 10 HT1 HT2\n  C9: {capacitor: 47u, nodes: [HT2, gnd]"
    )
    text = (
        text.replace("R2: 100k HT1 ", "R2: 100k HT2 ")
        .replace("[[V2.9, HT1]]", "[[V2.9, HT2]]")
        .replace("[HT1, V2.7]", "[HT2, V2.7]")
    )
    raw, smooth = ChassisModel(parse_chassis(text)).predict(
        {}, [Measurand(point=point, quantity="ripple_pp_v") for point in ("HT1", "HT2")]
    )[0]
    assert raw == pytest.approx(90.0, rel=0.01)
    # the choke against the capacitor at 120 Hz: 7540 ohm over 28 ohm
    assert smooth == pytest.approx(raw * 28.2 / (7540 - 28.2), rel=0.1)


def test_a_rectifier_tube_among_the_parts_is_refused():
    text = GOOD.replace("V2: EL84}", "V2: EL84, V3: 5Y3GT}").replace("joined:", "  R9: 1k V3.4 HT1\njoined:")
    assert any(
        "no model for a rectifier (5Y3GT): leave it out of parts and use a rail" in p for p in problems_of(text)
    )


def test_a_name_that_is_cut_off_at_a_number_sign_is_told(tmp_path):
    """YAML 1.2.2, 6.6: a # behind a space begins a comment, and the third amplifier was called as the second."""
    file = tmp_path / "mine.yaml"

    def loaded(title):
        file.write_text(
            f"{title}\ntubes: {{V1: 12AX7}}\nrails: {{HT1: {{volts: 250}}}} #as printed\n", encoding="utf-8"
        )
        return load_chassis(str(file)).title

    for title in ("chassis: Amp #3", "chassis: Ämp\t#3, the left one  ", "chassis: Amp #3\r"):
        with pytest.raises(ConfigError) as caught:
            loaded(title)
        (problem,) = caught.value.problems
        assert (problem.line, problem.field) == (1, "chassis")
        assert "'#3" in problem.text
        assert "quotes round all of it" in problem.text
    assert loaded('chassis: "Amp #3"') == "Amp #3"
    assert loaded("chassis: Amp #3".replace(" #", "#")) == "Amp#3"
    assert loaded("chassis: Amp   # the third") == "Amp"
    assert loaded("chassis: Amp ## old") == "Amp"
    assert parse_chassis("chassis: Amp #3\ntubes: {V1: 12AX7}").title == "Amp", "a job was made of it and stays"
