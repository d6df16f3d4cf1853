"""Replies: what is a number, what is a message in the shape of a number, and what is refused."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.errors import OverRange, ReplyMalformed
from acquisition.scpi import (
    EventStatus,
    decode_reply,
    parse_error_entry,
    parse_identity,
    parse_integer,
    parse_number,
    parse_string,
    parse_switch,
    split_list,
    strip_header,
)


# IEEE Std 488.2-1992, 8.7.2 (NR1), 8.7.3 (NR2), 8.7.4 (NR3); examples in the forms of those clauses.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("123", 123.0),
        ("+123", 123.0),
        ("-12345", -12345.0),
        ("12.3", 12.3),
        ("+1.2345", 1.2345),
        ("-0.123", -0.123),
        ("1.23E+4", 12300.0),
        ("-12.34E-05", -12.34e-5),
        ("+1.23456789E+00", 1.23456789),
        (" 5 ", 5.0),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e3", 1000.0),
    ],
)
def test_decimal_numbers_of_the_standard(text, value):
    assert parse_number(text) == value


@pytest.mark.parametrize(
    "text", ["9.9E37", "+9.9E+37", "9.90000000E+37", "-9.9E+37", "9.9e37", "9E37", "1E38", "-1E300"]
)
def test_infinity_of_scpi_is_never_a_voltage(text):
    with pytest.raises(OverRange) as caught:
        parse_number(text)
    assert "not zero" in caught.value.hint


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000000E+37", "9.91e+37"])
def test_not_a_number_of_scpi_is_nan(text):
    assert math.isnan(parse_number(text))


@given(st.floats(min_value=9e37, max_value=1e300).map(lambda x: f"{x:.6E}"), st.sampled_from(["", "-", "+"]))
def test_no_number_from_9e37_on_gets_through(text, sign):
    try:
        assert math.isnan(parse_number(sign + text))
    except OverRange:
        pass


@pytest.mark.parametrize(
    "text",
    ["", " ", "OL", "nan", "inf", "-inf", "Infinity", "1_000", "0x10", "#H1F", "1,5", "1 2", "1.2.3", "--1", "1E",
     "E5", "1V", "12 mV", "1E+", "१२", "1\n2", "1;2", '"1"', "+", ".", "1E9999"],
)  # fmt: skip
def test_what_is_no_number_is_an_error_and_never_zero(text):
    with pytest.raises(ReplyMalformed) as caught:
        parse_number(text)
    assert caught.value.expected == "a number"


@given(st.text(max_size=12))
def test_any_text_is_a_number_or_an_error(text):
    try:
        value = parse_number(text)
    except (ReplyMalformed, OverRange):
        return
    assert math.isnan(value) or value == float(text)


def test_bytes_above_127_and_nul_and_line_ends_do_no_harm():
    assert decode_reply(b"\x0012.5 \xb5V\r\n\0") == "12.5 \xb5V"


@pytest.mark.parametrize(("text", "value"), [("600", 600), ("+600", 600), ("6.00E+02", 600), ("600.0", 600)])
def test_whole_numbers(text, value):
    assert parse_integer(text) == value


@pytest.mark.parametrize("text", ["1.5", "9.91E37", "x"])
def test_not_a_whole_number(text):
    with pytest.raises(ReplyMalformed):
        parse_integer(text)


@pytest.mark.parametrize(("text", "value"), [("1", True), ("0", False), ("ON", True), ("off", False), ("+1", True)])
def test_switches(text, value):
    assert parse_switch(text) is value


def test_a_switch_that_is_neither():
    with pytest.raises(ReplyMalformed):
        parse_switch("2")


# IEEE Std 488.2-1992, 8.7.8: string response data, inner quotes doubled.
@pytest.mark.parametrize(
    ("text", "value"), [('"VOLT:DC"', "VOLT:DC"), ('"a ""b"" c"', 'a "b" c'), ("VOLT", "VOLT"), ('""', "")]
)
def test_strings(text, value):
    assert parse_string(text) == value


@pytest.mark.parametrize("text", ['"open', '"', '"a"b"', "\"a'"])
def test_broken_strings(text):
    with pytest.raises(ReplyMalformed):
        parse_string(text)


def test_lists_are_cut_outside_quotes_only():
    assert split_list('1, "a,b" ,,3') == ["1", '"a,b"', "", "3"]
    with pytest.raises(ReplyMalformed):
        split_list('1,"a')


@pytest.mark.parametrize(
    ("text", "bare"),
    [(":CH1:SCA 5.0E-1", "5.0E-1"), ("VDIV 0.5", "0.5"), ("5.0E-1", "5.0E-1"), ("-113,\"x y\"", "-113,\"x y\"")],
)  # fmt: skip
def test_headers(text, bare):
    assert strip_header(text) == bare


# IEEE Std 488.2-1992, 10.14: four fields; the last of a message, because the text is free.
def test_identity_fields():
    identity = parse_identity("MAKER,MODEL 12,0,FW,1,2")
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == (
        "MAKER",
        "MODEL 12",
        "0",
        "FW,1,2",
    )
    assert str(identity) == "MAKER MODEL 12"
    assert str(parse_identity("A,B,77,1")) == "A B, serial 77"


@pytest.mark.parametrize("text", ["+1.05E+02", "1,2,3,4", "", "ALONE", "a,b\x01,c,d", "0,1"])
def test_a_stale_number_is_no_identity(text):
    with pytest.raises(ReplyMalformed):
        parse_identity(text)


# SCPI-1999 volume 2, 21.8.8 and the forms seen in the field.
@pytest.mark.parametrize(
    "text", ['0,"No error"', '+0,"No error"', "0,No error", "0", '-0,"No error"', ' 0 , "No error"']
)
def test_an_empty_queue_in_all_its_forms(text):
    assert parse_error_entry(text).code == 0


@pytest.mark.parametrize(
    ("text", "code", "kind"),
    [
        ('-113,"Undefined header;MEASU:VOLT?"', -113, "command"),
        ('-222,"Data out of range"', -222, "execution"),
        ('-350,"Queue overflow"', -350, "device"),
        ('-410,"Query INTERRUPTED"', -410, "query"),
        ('+201,"Own"', 201, "the instrument's own"),
    ],
)
def test_error_classes(text, code, kind):
    entry = parse_error_entry(text)
    assert (entry.code, entry.kind) == (code, kind)
    assert entry.text == text.partition(",")[2].strip('"')


@pytest.mark.parametrize("text", ["No error", "+1.05E+02", "", "0.5", "-113;x", '-113,"open'])
def test_what_is_no_error_entry(text):
    with pytest.raises(ReplyMalformed):
        parse_error_entry(text)


def test_status_bits_of_the_standard():
    """IEEE Std 488.2-1992, 11.5.1."""
    assert [bit.value for bit in EventStatus] == [1, 2, 4, 8, 16, 32, 64, 128]
    assert EventStatus.POWER_ON == 128
    assert EventStatus.COMMAND_ERROR == 32
