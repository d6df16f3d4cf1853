"""When readings were taken, as the report tells it."""

import re

from acquisition.records import JobSheet, Pass, Reading
from analysis.report.material import Material
from analysis.report.render import render

SHEET = JobSheet(chassis_name="Amp", created_utc="2026-11-27T10:00:00Z")


def one_pass(*moments, started="2026-11-27T10:00:00Z", name="as-found"):
    readings = [Reading(point="V1.1", quantity="dc_v", value=1.0, taken_utc=moment) for moment in moments]
    return Pass(name=name, started_utc=started, readings=tuple(readings))


def told(*passes):
    text = render(Material(sheet=SHEET, passes=passes))
    days = re.search(r"<dt>Readings taken</dt><dd>([^<]*)</dd>", text)
    return days and days.group(1), re.findall(r'<td class="quiet nowrap">([^<]*)</td></tr>', text)


def test_the_day_of_an_import_is_no_day_of_a_reading():
    assert told(one_pass("2026-03-02T09:30:00Z", "2026-03-04T09:31:00Z"))[0] == "2026-03-02 to 2026-03-04"
    assert told(one_pass("", "2026-03-02T09:30:00Z"), one_pass("", name="later"))[0] == "2026-03-02"
    assert told(one_pass("", started="2026-03-02T09:30:00Z"), one_pass(name="empty"))[0] == "2026-03-02"
    assert told(one_pass())[0] is None


def test_a_pass_over_midnight_tells_the_new_day():
    moments = ("2026-11-27T23:59:50Z", "2026-11-28T00:00:10Z", "")
    assert told(one_pass(*moments))[1] == ["23:59:50", "2026-11-28 00:00:10", ""]
