"""Decoding waveforms: any voltages, encoded as a scope would, come back within half a code."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquisition.errors import ReplyMalformed
from acquisition.instruments import load_dialect
from acquisition.instruments.waveform import Preamble, decode_codes, is_clipped, justified, parse_preamble

A1 = load_dialect("ten-field-scope").scope.waveform
A2 = load_dialect("ten-field-codes-scope").scope.waveform
B = load_dialect("keyword-scope").scope.waveform


def keywords(**changes):
    fields = {
        "BYT_NR": "1", "BIT_NR": "8", "ENC": "BIN", "BN_FMT": "RI", "BYT_OR": "MSB", "WFID": '"a; b, c"',
        "NR_PT": "4", "PT_FMT": "Y", "XINCR": "2.0E-6", "XZERO": "-1.0E-3", "PT_OFF": "0",
        "YMULT": "4.0E-2", "YOFF": "-30", "YZERO": "0.5",
    }  # fmt: skip
    fields.update(changes)
    return ":WFMO:" + ";".join(f"{name} {value}" for name, value in fields.items() if value is not None)


# Formulas, worked by hand, always with an offset other than zero: without one the wrong formula is right.


def test_y_origin_in_volts():
    preamble = parse_preamble("0,0,4,1,2E-06,-1E-03,2,4E-02,-1.2,128", A1)
    assert 130 * preamble.scale_v + preamble.offset_v == pytest.approx((130 - 128) * 0.04 - 1.2)
    assert preamble.t0_s == pytest.approx((0 - 2) * 2e-6 - 1e-3)


def test_y_origin_in_codes():
    preamble = parse_preamble("0,2,4,1,2E-06,-1E-03,2,4E-02,30,127", A2)
    assert 130 * preamble.scale_v + preamble.offset_v == pytest.approx((130 - 30 - 127) * 0.04)


def test_the_two_formulas_differ_when_there_is_an_offset():
    text = "0,0,4,1,2E-06,-1E-03,0,4E-02,-1.2,128"
    assert parse_preamble(text, A1).offset_v != pytest.approx(parse_preamble(text, A2).offset_v)


def test_keywords():
    preamble = parse_preamble(keywords(PT_OFF="2"), B)
    assert -100 * preamble.scale_v + preamble.offset_v == pytest.approx((-100 + 30) * 0.04 + 0.5)
    assert preamble.t0_s == pytest.approx(-1e-3 - 2 * 2e-6)


def test_short_keywords_in_any_case_and_order():
    text = "wfmo:byt_n 2;bn_f RP;byt_o LSB;nr_p 8;pt_f Y;xin 1E-6;xze 0;pt_o 0;ymu 1E-3;yof 32768;yze 0"
    preamble = parse_preamble(text, B)
    assert (preamble.bits, preamble.signed, preamble.msb_first, preamble.points) == (16, False, False, 8)


def test_later_models_append_fields():
    text = "0,0,4,1,2E-06,-1E-03,0,4E-02,-1.2,128" + ",0" * 14
    assert parse_preamble(text, A1).points == 4


@pytest.mark.parametrize(
    ("text", "rules", "why"),
    [
        ("0,0,4,1,2E-06,-1E-03,0,4E-02,-1.2", A1, "10 numbers"),
        ("0,1,4,1,2E-06,-1E-03,0,4E-02,-1.2,128", A1, "peak"),
        ("4,0,4,1,2E-06,-1E-03,0,4E-02,-1.2,128", A1, "ascii"),
        ("2,0,4,1,2E-06,-1E-03,0,4E-02,-1.2,128", A2, "ascii"),
        ("7,0,4,1,2E-06,-1E-03,0,4E-02,-1.2,128", A1, "unknown"),
        ("0,0,4,1,2E-06,-1E-03,0,0,-1.2,128", A1, "known scale"),
        ("0,0,4,1,0,-1E-03,0,4E-02,-1.2,128", A1, "known scale"),
        ("0,0,4,1,2E-06,-1E-03,0,9.91E37,-1.2,128", A1, "known scale"),
        ("0,0,4,1,2E-06,-1E-03,0,9.9E37,-1.2,128", A1, "ordinary"),
        ("0,0,0,1,2E-06,-1E-03,0,4E-02,-1.2,128", A1, "points"),
        ("0,0,4,1,x,-1E-03,0,4E-02,-1.2,128", A1, "number"),
        (keywords(PT_FMT="ENV"), B, "envelope"),
        (keywords(YMULT="0"), B, "known scale"),
        (keywords(YMULT=None), B, "YMULT"),
        (keywords(BN_FMT="FP"), B, "BN_FMT"),
        (keywords(BYT_NR="4"), B, "BYT_NR"),
        (keywords() + ";YMULT 1", B, "only once"),
    ],
)
def test_what_must_not_be_fitted_is_refused(text, rules, why):
    with pytest.raises(ReplyMalformed, match=why):
        parse_preamble(text, rules)


@given(st.text(max_size=80))
@settings(max_examples=200)
def test_any_text_is_a_preamble_or_an_error(text):
    for rules in (A1, A2, B):
        try:
            parse_preamble(text, rules)
        except ReplyMalformed:
            pass


# Encode as an instrument would, decode, compare.


@st.composite
def records(draw):
    """A family, a width, sign, order, scale, offset, and volts inside its range."""
    family = draw(st.sampled_from(["A1", "A2", "B"]))
    bits = draw(st.sampled_from([8, 16]))
    signed = draw(st.booleans())
    msb_first = draw(st.booleans())
    scale_v = draw(st.sampled_from([1e-6, 4e-3, 0.04, 2.5])) * draw(
        st.sampled_from([1.0, -1.0] if family == "B" else [1.0])
    )
    low = -(2 ** (bits - 1)) if signed else 0
    reference = low + draw(st.integers(0, 2**bits - 1))
    shift = draw(st.integers(-(2**bits), 2**bits))
    count = draw(st.integers(1, 60))
    fractions = draw(st.lists(st.floats(0, 1), min_size=count, max_size=count))
    return family, bits, signed, msb_first, scale_v, reference, shift, np.array(fractions)


@given(records())
@settings(max_examples=400, deadline=None)
def test_any_voltages_come_back_within_half_a_code(record):
    family, bits, signed, msb_first, scale_v, reference, shift, fractions = record
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
    # Volts of a code, written out here once more for each family, apart from the decoder.
    volts_of = {
        "A1": lambda code: (code - reference) * scale_v + shift * scale_v,
        "A2": lambda code: (code - shift - reference) * scale_v,
        "B": lambda code: (code - reference) * scale_v + shift * scale_v,
    }[family]
    bottom_v, top_v = sorted((volts_of(low), volts_of(high)))
    volts = bottom_v + fractions * (top_v - bottom_v)
    # A converter: the code whose volts are nearest, found by the inverse of a straight line.
    codes = np.clip(np.rint(low + (volts - volts_of(low)) / scale_v), low, high).astype(np.int64)
    data = codes.astype(f"{'>' if msb_first else '<'}{'i' if signed else 'u'}{bits // 8}").tobytes()
    if family == "B":
        text = keywords(
            BYT_NR=bits // 8, BN_FMT="RI" if signed else "RP", BYT_OR="MSB" if msb_first else "LSB",
            NR_PT=volts.size, YMULT=f"{scale_v:.9E}", YOFF=reference, YZERO=f"{shift * scale_v:.12E}",
        )  # fmt: skip
        rules = B
    else:
        rules = (A1 if family == "A1" else A2).model_copy(
            update={"signed": signed, "order": "msb" if msb_first else "lsb", "bits": str(bits)}
        )
        form = {"A1": {8: 0, 16: 1}, "A2": {8: 0, 16: 1}}[family][bits]
        yorg = f"{shift * scale_v:.12E}" if family == "A1" else shift
        text = f"{form},0,{volts.size},1,2E-6,-1E-3,0,{scale_v:.9E},{yorg},{reference}"
    preamble = parse_preamble(text, rules)
    decoded = decode_codes(data, preamble).astype(float) * preamble.scale_v + preamble.offset_v
    assert np.max(np.abs(decoded - volts)) <= abs(scale_v) * 0.5000001


# Clipping.


def preamble(bits=8, signed=False, msb_first=True, points=100):
    return Preamble(
        points=points,
        bits=bits,
        signed=signed,
        msb_first=msb_first,
        scale_v=0.04,
        offset_v=0.0,
        t0_s=0.0,
        dt_s=1e-6,
    )


@pytest.mark.parametrize(
    ("bits", "signed", "low", "high"),
    [(8, False, 0, 255), (8, True, -128, 127), (16, False, 0, 65535), (16, True, -32768, 32767)],
)
def test_more_than_two_samples_at_the_rail_are_clipped(bits, signed, low, high):
    rules = preamble(bits, signed)
    middle = (low + high) // 2
    assert not is_clipped(np.array([low, low, middle, high, high]), rules)
    assert is_clipped(np.array([low, low, low, middle]), rules)
    assert is_clipped(np.array([high, high, high, middle]), rules)


def test_a_12_bit_record_left_justified_is_clipped_below_65535():
    codes = np.array([0x1230, 0x4560, 0xFFF0, 0xFFF0, 0xFFF0], dtype=np.uint16)
    assert is_clipped(codes, preamble(16))
    assert not is_clipped(np.array([0x1230, 0x4560, 0xFDF0, 0xFDF0, 0xFDF0], dtype=np.uint16), preamble(16))


def test_an_8_bit_record_averaged_into_16_is_clipped_where_its_converter_ends():
    # Means of 16 conversions: below the rail they fill the lower bits, at the rail every conversion is 255.
    conversions = np.clip(np.rint(128 + 140 * np.sin(np.linspace(0, 20, 4000 * 16))), 1, 255)
    codes = np.rint(conversions.reshape(-1, 16).mean(axis=1) * 256).astype(np.uint16)
    assert codes.max() == 0xFF00
    assert is_clipped(codes, preamble(16))


@pytest.mark.parametrize("bits", [8, 10, 12, 14])
@pytest.mark.parametrize("signed", [True, False])
def test_fewer_bits_right_justified_in_16_are_clipped_where_their_converter_ends(bits, signed):
    """Of 10 divisions that the converter takes, 8 are on the screen; the preamble says 16 bits."""
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else (0, 2**bits - 1)
    read = preamble(16, signed)
    screen_v = 0.8 * 2**bits * read.scale_v
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    for size, clips in ((1.2, True), (0.9, False)):
        wave = middle + size * half * np.sin(np.linspace(0.0, 20.0, 400))
        codes = np.clip(np.rint(wave), low, high).astype(np.int16 if signed else np.uint16)
        found = justified(read, codes, screen_v)
        assert is_clipped(codes, found) is clips
        assert found.full_scale_v == pytest.approx((2**bits - 1) * read.scale_v)


@pytest.mark.parametrize("signed", [True, False])
@pytest.mark.parametrize("size", [0.0, 0.01, 0.5, 1.0])
def test_bits_that_fill_all_16_are_left_as_they_are(signed, size):
    read = preamble(16, signed)
    for converter_divisions in (8, 10, 10.24, 12):
        screen_v = 8 / converter_divisions * 2**16 * read.scale_v
        middle, half = (0, 32767) if signed else (32768, 32767)
        codes = np.rint(middle + size * half * np.sin(np.linspace(0, 9, 99))).astype(read.dtype.newbyteorder("="))
        assert justified(read, codes, screen_v) is read
    assert justified(preamble(8), np.array([1, 2], np.uint8), 1.0) == preamble(8)


@pytest.mark.parametrize("size", [99, 101, 0])
def test_other_than_the_announced_number_of_bytes(size):
    with pytest.raises(ReplyMalformed):
        decode_codes(bytes(size), preamble())


def test_full_scale_is_the_height_of_the_converter_range():
    assert preamble().full_scale_v == pytest.approx(255 * 0.04)
