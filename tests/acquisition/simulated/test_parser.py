"""The instrument's side of SCPI, against the standards' own rules and examples."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.simulated import parser
from acquisition.simulated.parser import Framer, ScpiError, compile_header, parse_number, split_message


@pytest.mark.parametrize(
    ("pattern", "good", "bad"),
    [
        # SCPI-1999 volume 1, 6.2.1: exactly the long or the short form, any case, nothing between.
        ("MEASure:VOLTage[:DC]", ["MEAS:VOLT", "MEASURE:VOLTAGE:DC", "MEAS:VOLTAGE"], ["MEASU:VOLT", "MEA:VOLT"]),
        ("[SENSe:]VOLTage[:DC]:NPLCycles", ["VOLT:NPLC", "SENS:VOLT:DC:NPLCYCLES"], ["SENS:NPLC", "VOLT:NPLCY"]),
        ("CHANnel#:SCALe", ["CHAN:SCAL", "CHANNEL2:SCALE", "CHAN12:SCAL"], ["CHAN:2:SCAL", "CHANN2:SCAL"]),
    ],
)
def test_headers_match_long_and_short_forms_only(pattern, good, bad):
    header = compile_header(pattern)
    assert [text for text in good if not header.fullmatch(text)] == []
    assert [text for text in bad if header.fullmatch(text)] == []


def test_path_after_semicolon_follows_the_standard():
    # IEEE 488.2 A.1.1 and SCPI-1999 volume 1, 6.2.4: the path stays, a common command does not move it,
    # a leading colon returns to the root.
    units = list(split_message(b"SYST:VERS?;*ESR?;ERR?;:VOLT:RANG 10;NPLC 1"))
    assert [u.header for u in units] == ["SYST:VERS", "*ESR", "SYST:ERR", "VOLT:RANG", "VOLT:NPLC"]
    assert [u.query for u in units] == [True, True, True, False, False]


def test_parameters_keep_strings_and_blocks_whole():
    (unit,) = split_message(b"DATA 'a;b,c', #15x;\n,y ,  12 mV")
    assert unit.parameters == ("'a;b,c'", b"x;\n,y", "12 mV")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # IEEE 488.2 7.7.2 and 7.7.3: forms of numbers; table 7-2: multipliers, M is milli except in MHZ and MOHM.
        ("10", "", 10.0), ("+1.5E-3", "", 1.5e-3), (".5", "", 0.5), ("10 mV", "V", 0.01), ("1MHZ", "HZ", 1e6),
        ("1 mohm", "OHM", 1e6), ("3kHz", "HZ", 3e3), ("#H0A", "", 10.0), ("#B101", "", 5.0), ("#Q17", "", 15.0),
    ],
)  # fmt: skip
def test_numbers(text, unit, value):
    assert parse_number(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "code"),
    [("10 furlong", "V", -131), ("10 V", "", -138), ("abc", "", -104), ("1.2.3", "", -121), ("99", "", -222)],
)
def test_wrong_numbers_have_the_standards_codes(text, unit, code):
    with pytest.raises(ScpiError) as caught:
        parse_number(text, unit, low=0.0, high=50.0)
    assert caught.value.code == code


@given(st.lists(st.binary(max_size=40).map(lambda b: b"D " + parser.format_block(b)), max_size=4), st.data())
def test_framing_does_not_depend_on_the_pieces(messages, data):
    stream = b"".join(message + b"\n" for message in messages)
    framer, found, position = Framer(), [], 0
    while position < len(stream):
        size = data.draw(st.integers(1, len(stream) - position))
        found += framer.feed(stream[position : position + size])
        position += size
    assert found == messages


@given(st.binary(max_size=200))
def test_no_bytes_break_the_parser(noise):
    framer = Framer()
    for message in framer.feed(noise + b"\n"):
        try:
            list(split_message(message))
        except ScpiError as error:
            assert -200 < error.code < -99


def test_endless_message_is_refused():
    framer = Framer()
    with pytest.raises(ScpiError) as caught:
        list(framer.feed(b"x" * (parser.LARGEST_MESSAGE + 1)))
    assert caught.value.code == -363
    assert list(framer.feed(b"*IDN?\n")) == [b"*IDN?"]
