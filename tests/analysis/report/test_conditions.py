"""What a pass was read under is said once; what one reading alone was read under stays beside it."""

from acquisition.records import Pass, Reading
from analysis.report.conditions import common_facts, conditions, own_note


def read(point, note, instrument="meter"):
    return Reading(point=point, quantity="dc_v", value=1.0, instrument=instrument, note=note)


def told(readings, mains_v=231.0):
    one = Pass(name="a", started_utc="2026-11-28T11:10:00Z", mains_v=mains_v, mains_hz=50.0, readings=readings)
    common = common_facts(one)
    return conditions(one, {"meter": "A", "scope": "B"}), [own_note(reading, common) for reading in readings]


def test_mains_and_minutes_are_said_once():
    notes = ("mains 231 V, 0.4 min after switch-on", "mains 231 V, 12.5 min after switch-on")
    line, rows = told(tuple(read(f"V1.{n}", note) for n, note in enumerate(notes)))
    assert line == "begun 2026-11-28 11:10 UTC; mains 231.0 V, 50 Hz; read 0.4 to 12.5 min after switch-on"
    assert rows == ["", ""]


def test_what_one_reading_alone_was_read_under_stays_beside_it():
    notes = ("mains 231 V, 3.0 min after switch-on", "mains 228 V, 3.0 min after switch-on, drifting +0.1 V/s",
             "mains 231 V, 3.0 min after switch-on; fits V1.6: wrong pin?")  # fmt: skip
    line, rows = told(tuple(read(f"V1.{n}", note) for n, note in enumerate(notes)))
    assert line.endswith("mains 231.0 V, 50 Hz; read 3 min after switch-on")
    assert rows == ["", "mains 228 V, drifting +0.1 V/s", "fits V1.6: wrong pin?"]


def test_what_all_readings_of_an_instrument_share_stands_above_them_with_its_letter():
    scope = tuple(
        read(point, f"two channels, one shot{more}", "scope") for point, more in (("a", ""), ("b", "; V1"))
    )
    line, rows = told((read("V1.1", "from the sheet, in pencil"), *scope), mains_v=None)
    assert line == "begun 2026-11-28 11:10 UTC; mains not written down; B: two channels, one shot"
    assert rows == ["from the sheet, in pencil", "", "V1"]
