"""Readings files: equal data out and in, and every mistake told with its line."""

import re
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquisition.errors import ConfigError
from acquisition.records import QUALITIES, QUANTITIES, RELATIVE_QUANTITIES, Pass, Reading
from acquisition.store import lines_of_points, read_passes_csv, read_readings_csv, write_passes_csv


@pytest.fixture(scope="module")
def write(tmp_path_factory):
    path = tmp_path_factory.mktemp("csv") / "readings.csv"

    def _write(content):
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        return path

    return _write


def problems(path):
    with pytest.raises(ConfigError) as told:
        read_readings_csv(path)
    return [str(problem).removeprefix(str(path)) for problem in told.value.problems]


def test_the_six_columns_of_a_hand_written_file(write):
    path = write(
        "point,quantity,value,std,freq_hz,drive_pp_v\n"
        "V1.1,dc_v,86.07,0.4323,,\n"
        "\n"
        "V1.2>V1.1,gain,51.2,,1000,0.045488\n"
        "V1.2>V1.1,gain,49.0,,20,0.045488\n"
    )
    dc, mid, low = read_readings_csv(path)
    assert dc == Reading(point="V1.1", quantity="dc_v", value=86.07, std=0.4323, quality="imported")
    assert (mid.std, mid.freq_hz, mid.drive_pp_v) == (None, 1000.0, 0.045488)
    assert (low.point, low.freq_hz) == (mid.point, 20.0)


def test_order_marks_spaces_and_remarks_are_tolerated(write):
    path = write(b"\xef\xbb\xbf# read by hand\r\nvalue, point ,quantity\r\n 3.2 , V1.3 ,dc_v\r\n")
    (one,) = read_readings_csv(path)
    assert (one.point, one.value) == ("V1.3", 3.2)


def test_empty_columns_at_the_end_and_spaces_between_two_points_are_tolerated(write):
    """A spreadsheet keeps the place of a column that was cleared; people put spaces round the mark of a gain."""
    path = write("point,quantity,value,,\r\nV1.6,dc_v,144.5,,\r\nV1.2 > V1.1,gain,57, ,\r\nV1.7,dc_v,1\r\n")
    assert [r.point for r in read_readings_csv(path)] == ["V1.6", "V1.2>V1.1", "V1.7"]
    assert lines_of_points(path) == {"V1.6": 2, "V1.2": 3, "V1.1": 3, "V1.7": 4}
    with pytest.raises(ConfigError, match="expected 3 values, got 4"):
        read_readings_csv(write("point,quantity,value,,\nV1.6,dc_v,144.5,5\n"))


def test_the_minus_of_print_that_spreadsheets_and_the_report_write_is_one(write):
    (one,) = read_readings_csv(write("point,quantity,value\nV3.5,dc_v,−39.2\n"))
    assert one.value == -39.2


def test_every_mistake_at_once_with_its_line(write):
    path = write(
        "point,quantity,value,std\n"
        "V1.1,dc_v,85,0.4\n"
        "V1.1,dcv,85,0.4\n"
        ',dc_v,"8,5",-1\n'
        "V1.1,gain,20,\n"
        "V1.1>V1.2,dc_v,nan,\n"
        "V1.1,dc_v,85\n"
        "V1.1,dc_v,8,5,0.4\n"
        "V1.1,dc_v,,\n"
    )
    assert problems(path) == [
        ":3: quantity: did you mean dc_v? (got 'dcv')",
        ":4: value: expected a number (write a point, not a comma), got '8,5'",
        ":4: std: expected zero or more, got '-1'",
        ":4: point: expected a point such as V1.6 or HT2, got nothing",
        ":5: point: gain needs FROM>TO such as V1.2>V1.1 (got 'V1.1')",
        ":6: value: expected a finite number, got 'nan'",
        ":6: point: dc_v needs one point such as V1.6 (got 'V1.1>V1.2')",
        ":7: expected 4 values, got 3",
        ":8: expected 4 values, got 5 (write a point, not a comma, in numbers; put text with commas in quotes)",
        ":9: value: expected a number, got nothing",
    ]


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("", ": the file is empty"),
        ("\n\n", ": the file is empty"),
        ("point;quantity;volts\nV1.1;dc_v;8\n", ":1: volts: unknown column"),
        ("point;quantity;value\nV1.1;dc_v;8,5\nV1.6;dc_v;8.5\n", ":3: numbers with a point and with a comma in"),
        ("point;quantity;value\nV1.1;dc_v;1.208,5\n", ":2: value: expected a number (write a point, not a comma)"),
        (
            'point,quantity,value\nV1.1,dc_v,"1,208"\n',
            ":2: value: expected a number (no comma between thousands, and a point before decimals), got '1,208'",
        ),
        ("point,quantity,volts\n", ":1: volts: unknown column"),
        ("point,quantity,value,value\n", ":1: value: given twice"),
        ("point,quantity,valu\n", ":1: valu: unknown column, did you mean value?"),
        ('point,quantity,value\n"V1.1,dc_v,8\n', ":2: not valid CSV: unexpected end of data"),
        (b"point,quantity,value\nV1.1,dc_v,\xff\n", ": not UTF-8 text; save it as CSV (UTF-8)"),
        ("point,quantity,value,quality\nV1.1,dc_v,8,fine\n", ":2: quality: expected one of "),
        ("point,quantity,value\nV1.1,dc_v,1e999\n", ":2: value: expected a finite number, got '1e999'"),
        ("point,quantity,value\nV1.1,dc_v,1_000\n", ":2: value: expected a finite number, got '1_000'"),
    ],
)
def test_files_that_are_wrong_as_a_whole(write, content, told):
    assert problems(write(content))[0].startswith(told)


@pytest.mark.parametrize("separator", [";", "\t"])
@pytest.mark.parametrize("mark", [",", "."])
def test_a_spreadsheet_with_decimal_commas_has_another_separator(write, separator, mark):
    """What spreadsheets write where decimals begin with a comma; a comma in a note is none of a number."""
    table = "point;quantity;value;note\nV1.1;dc_v;144,5;\nV1.8;dc_v;-1,25;\nHT1;dc_v;240;warm\n"
    path = write(table.replace(",", mark).replace(";", separator).replace("warm", "warm, once more"))
    assert [(r.point, r.value) for r in read_readings_csv(path)] == [
        ("V1.1", 144.5),
        ("V1.8", -1.25),
        ("HT1", 240.0),
    ]
    assert lines_of_points(path) == {"V1.1": 2, "V1.8": 3, "HT1": 4}


@pytest.mark.parametrize("separator", [";", ",", "\t"])
def test_a_line_that_tells_a_spreadsheet_the_separator_is_passed_over(write, separator):
    """Common practice of spreadsheets, no source."""
    path = write("SEP=;\npoint;quantity;value\nV1.1;dc_v;144\n".replace(";", separator))
    assert [(r.point, r.value) for r in read_readings_csv(path)] == [("V1.1", 144.0)]
    assert lines_of_points(path) == {"V1.1": 3}


@pytest.mark.parametrize("separator", [";", "\t"])
def test_a_number_that_may_be_thousands_is_asked_about(write, separator):
    """Where a comma begins decimals a point parts thousands: 1.270 there is 1270, and was read as 1.27 V."""
    table = "point;quantity;value\nHT1;dc_v;1.270\nV1.1;dc_v;-144.500\nV1.8;dc_v;2\n".replace(";", separator)
    first, second = problems(write(table))
    assert first == ":2: value: '1.270' may be 1270 or a decimal: write 1270, or 1.2700"
    assert second.startswith(":3: value: '-144.500' may be -144500")
    assert [r.value for r in read_readings_csv(write(table.replace("1.270", "1.2700")))] == [1.27, -144.5, 2.0]
    assert next(r.value for r in read_readings_csv(write(f"{table}V1.7{separator}dc_v{separator}0.873\n"))) == 1.27


def test_with_commas_between_columns_a_point_begins_decimals(write):
    assert read_readings_csv(write("point,quantity,value\nHT1,dc_v,1.270\n"))[0].value == 1.27


def test_the_hint_names_each_column_once(write):
    with pytest.raises(ConfigError) as caught:
        read_readings_csv(write("point|quantity|value\n"))
    words = re.findall(r"[a-z_]+", str(caught.value.hint))
    assert [words.count(name) for name in ("point", "quantity", "value", "pass_name", "std", "note")] == [1] * 6


def test_what_no_reading_can_be_is_told(write):
    path = write(
        "pass_name,point,quantity,value,taken_utc\n"
        "as-found,V1.2>V1.1,gain,-57,\n"
        "as-found,V1.2>V1.1>V1.6,gain,57,\n"
        "as-found,V1.2>,gain,57,\n"
        "as-found,HT1,ripple_pp_v,-1,\n"
        "as-found,V1.1,dc_v,9.9E+37,\n"
        "as-found,V1.1,dc_v,-9.91E37,\n"
        "as-found,V1.1,dc_v,85,yesterday\n"
        f"{'x' * 81},V1.1,dc_v,85,\n"
    )
    told = problems(path)
    assert [text.split(":")[1] for text in told] == ["2", "3", "4", "5", "6", "7", "8", "9"]
    for text, words in zip(told, (
        "value: a gain is zero or more; that the stage turns the signal over is its phase_deg",
        "point: gain needs FROM>TO", "point: gain needs FROM>TO", "value: a ripple_pp_v is zero or more",
        "value: no reading is so large", "value: no reading is so large", "taken_utc: expected a time as 2026-",
        "pass_name: expected at most 80 characters",
    ), strict=True):  # fmt: skip
        assert words in text


def test_noise_may_leave_a_little_less_than_nothing(write):
    path = write("point,quantity,value,std\nHT3,ripple_pp_v,-0.00013,0.0002\nHT3,ripple_pp_v,-0.0013,0.0002\n")
    assert problems(path) == [":3: value: a ripple_pp_v is zero or more (got -0.0013)"]


def test_spaces_round_the_name_of_a_pass_make_no_other_pass(write):
    path = write("pass_name,point,quantity,value\nas-found ,V1.1,dc_v,85\n as-found,V1.3,dc_v,1\n  ,V1.6,dc_v,90\n")
    assert [name for name, _ in read_passes_csv(path)] == ["as-found", "as-found", ""]


def test_a_time_of_another_zone_is_brought_to_utc(write):
    path = write(
        "point,quantity,value,taken_utc\nV1.1,dc_v,85,2026-03-29T08:00:10+02:00\nV1.1,dc_v,85,2026-03-29T08:00:10Z\n"
    )
    assert [one.taken_utc for one in read_readings_csv(path)] == ["2026-03-29T06:00:10Z", "2026-03-29T08:00:10Z"]


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("20260329T080010Z", "2026-03-29T08:00:10Z"),
        ("2026-03-29 08:00:10", "2026-03-29T08:00:10"),
        ("2026-03-29", "2026-03-29"),
    ],
)
def test_a_time_written_otherwise_is_kept_as_all_are(write, written, kept):
    """The report took ``20260329T0`` for its day, and put a time with a space before all others of that day."""
    (one,) = read_readings_csv(write(f"point,quantity,value,taken_utc\nV1.1,dc_v,85,{written}\n"))
    assert one.taken_utc == kept


def test_a_missing_file_and_a_folder(tmp_path):
    assert problems(tmp_path / "no.csv") == [": cannot be read: No such file or directory"]
    assert problems(tmp_path) == [": cannot be read: Is a directory"]


def test_a_flood_of_mistakes_is_cut_short(write):
    assert len(problems(write("point,quantity,value\n" + "V1.1,dc_v,x\n" * 5000))) == 51


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAME = st.text(string.ascii_letters + string.digits + ".#_µé'\",;=-", min_size=1, max_size=8)
MOST = 1e9
NUMBER = st.floats(-MOST, MOST, exclude_min=True, exclude_max=True)
POSITIVE = st.floats(0.0, MOST, exclude_max=True)
MAYBE = st.none() | POSITIVE
TIME = st.just("") | st.datetimes().map(lambda t: t.isoformat() + "Z")
SIGNED = {"dc_v", "phase_deg"}


@st.composite
def readings(draw):
    quantity = draw(st.sampled_from(sorted(QUANTITIES)))
    point = f"{draw(NAME)}>{draw(NAME)}" if quantity in RELATIVE_QUANTITIES else draw(NAME)
    return Reading(
        point=point, quantity=quantity, value=draw(NUMBER if quantity in SIGNED else POSITIVE), std=draw(MAYBE),
        freq_hz=draw(MAYBE), drive_pp_v=draw(MAYBE), range_v=draw(MAYBE), taken_utc=draw(TIME),
        instrument=draw(TEXT), quality=draw(st.sampled_from(QUALITIES)), note=draw(TEXT),
    )  # fmt: skip


@given(st.lists(st.tuples(NAME, st.lists(readings(), min_size=1, max_size=3)), max_size=3))
def test_what_is_written_reads_back_equal(write, content):
    passes = [Pass(name=name, started_utc="", readings=tuple(found)) for name, found in content]
    expected = [(one.name, reading) for one in passes for reading in one.readings]
    assert list(read_passes_csv(write(write_passes_csv(passes)))) == expected


@given(
    st.binary(max_size=80)
    | st.text(max_size=80).map(lambda t: ("point,quantity,value\n" + t).encode("utf-8", "ignore"))
)
def test_any_file_is_read_or_refused_with_its_name(write, content):
    path = write(content)
    try:
        found = read_readings_csv(path)
    except ConfigError as told:
        assert all(str(problem).startswith(str(path)) for problem in told.problems)
    else:
        assert all(isinstance(one, Reading) for one in found)
