"""A watch in the report: every moment in the figure, the list of events kept short."""

from datetime import UTC, datetime, timedelta

import pytest

from acquisition.records import Event, JobSheet, Pass, Stretch
from analysis.report.findings import findings
from analysis.report.material import Material
from analysis.report.render import render
from analysis.report.watched import MOST_COLUMNS, watch_figure, watches_of

BEGUN = datetime(2026, 11, 29, 10, 2, tzinfo=UTC)


def stretch(end_s, mean_v=7.7, lowest_v=None, **facts):
    given = {"point": "V3.3", "begun_utc": BEGUN.isoformat(), "span_s": 1.0, "samples": 4, **facts}
    lowest_v = mean_v - 0.01 if lowest_v is None else lowest_v
    return Stretch(end_s=end_s, mean_v=mean_v, lowest_v=lowest_v, highest_v=mean_v + 0.01, **given)


def told(since_s, text="mark 1", point="V3.3"):
    at = (BEGUN + timedelta(seconds=since_s)).isoformat()
    return Event(kind="watched", subject=point, text=text, taken_utc=at)


def material(*stretches, events=()):
    one = Pass(name="as-found", started_utc="", watched=tuple(stretches), events=tuple(events))
    return Material(sheet=JobSheet(chassis_name="x"), passes=(one,))


def trace(figure, name):
    return next(one for one in figure["data"] if one.get("name") == name)


def test_a_watch_is_what_began_at_one_moment_at_one_point_with_what_was_told_of_it():
    later = (BEGUN + timedelta(hours=2)).isoformat()
    one = material(
        stretch(1.0), stretch(2.0), stretch(1.0, begun_utc=later), stretch(1.0, point="V4.3"),
        events=[told(1.5), told(7300.0), told(1.0, point="V4.3"), Event(kind="note", subject="V3.3")],
    )  # fmt: skip
    found = watches_of(one.passes)
    assert [(w.point, len(w.stretches), len(w.events)) for w in found] == [
        ("V3.3", 2, 1),
        ("V3.3", 1, 0),
        ("V4.3", 1, 1),
    ]
    assert found[0].text() == "0.0333 min from 2026-11-29 10:02 UTC, 7.690 V to 7.710 V"


def test_no_moment_of_hours_is_lost_to_thinning():
    dip = 5000
    [watch] = watches_of(
        material(*(stretch(float(k), lowest_v=3.0 if k == dip else None) for k in range(1, 14_401))).passes
    )
    figure = watch_figure(material(), watch)
    lowest = figure["data"][0]
    assert len(lowest["x"]) <= MOST_COLUMNS + 1
    assert min(lowest["y"]) == 3.0
    assert lowest["x"][lowest["y"].index(3.0)] == pytest.approx(dip / 60.0, abs=0.7)
    assert figure["layout"]["yaxis"]["range"][0] < 3.0


def test_where_the_meter_gave_no_reading_the_line_is_broken():
    [watch] = watches_of(material(*(stretch(float(k)) for k in (*range(1, 20), *range(60, 80)))).passes)
    mean = trace(watch_figure(material(), watch), "mean")
    assert mean["y"].count(None) == 1
    assert 19 / 60 < mean["x"][mean["y"].index(None)] < 60 / 60


def test_a_mark_without_a_value_stands_on_the_line():
    one = material(stretch(1.0), stretch(2.0, mean_v=5.0), events=[told(2.2)])
    assert trace(watch_figure(one, watches_of(one.passes)[0]), "told, or marked by key")["y"] == [5.0]


def test_a_bad_contact_of_hours_does_not_fill_the_report():
    one = material(stretch(1000.0), events=[told(float(k), f"{k} leaves") for k in range(1, 501)])
    page = render(one)
    assert "V3.3, watched" in page
    assert "V3.3 watched, 40 leaves" in page
    assert "V3.3 watched, 41 leaves" not in page
    assert "460 more of what was watched, in the figure" in page


def test_the_first_page_says_what_it_did_as_found_and_after():
    left = [
        told(1.0, "0:01 leaves 7.70 V: 3.00 V"),
        told(1.5, "0:01 was away from 7.70 V"),
        told(1.8, "0:01 leaves 7.70 V: 2 V"),
    ]
    before = Pass(name="as-found", started_utc="", watched=(stretch(60.0), stretch(120.0)), events=tuple(left))
    settled = Event(kind="watched", subject="V3.3", value=7.71, text="0:50 settled at 7.71 V",
                    taken_utc=(BEGUN + timedelta(seconds=50)).isoformat())  # fmt: skip
    after = Pass(name="burn-in", started_utc="", watched=(stretch(60.0), stretch(3600.0)), events=(settled,))
    page = findings(Material(sheet=JobSheet(chassis_name="x"), passes=(before, after)))
    assert (
        "V3.3 was watched for 2 min (as-found): it read 7.690 V to 7.710 V and left where it stood 2 times."
        in page.wrong
    )
    assert "watched for 60 min (burn-in): it settled at 7.710 V and did not leave where it stood." in page.proof


@pytest.mark.parametrize(
    ("text", "did"), [("0:20 mark 1", "came to no rest"), ("0:20 stands at 7.70 V", "did not leave")]
)
def test_what_never_stood_did_not_stay_where_it_stood(text, did):
    [watch] = watches_of(material(stretch(60.0), events=[told(20.0, text)]).passes)
    assert f": it read 7.690 V to 7.710 V and {did}" in watch.sentence()
