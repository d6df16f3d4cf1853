"""``stagewalk compare`` on a job whose coupling capacitor was replaced, with the model of the chassis."""

import json
import shutil

import numpy as np
import pytest

from acquisition.configs import find_config
from acquisition.records import Event, Measurand, Reading
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.page.views import views_of
from analysis.app.verbs.report import gather
from analysis.chassis import ChassisModel, load_chassis
from analysis.report.findings import findings

POINTS = ("IN", "SPK", "HT1", "HT2", "HT3", "V1.1", "V1.3", "V1.6", "V1.8", "V2.2", "V2.3", "V2.7")


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    path = tmp_path_factory.mktemp("job") / "five.stagewalk"
    model = ChassisModel(load_chassis("quayside-five"))
    measurands = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    rng = np.random.default_rng(5)
    with create_job(path, "Quayside Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name, values in (("as-found", {"C4.leak": np.full(1, 1 / 3e6)}), ("after-C4", {})):
            opened.start_pass(name, mains_v=230.0)
            if name == "after-C4":
                opened.add_event(name, Event(kind="part_replaced", subject="C4", text="film, 630 V"))
            for m, true in zip(measurands, model.predict(values, measurands)[0], strict=True):
                value = float(true * (1 + 0.001 * rng.standard_normal()) + 0.001 * rng.standard_normal())
                std = float(np.hypot(0.003 * value, 0.002))
                opened.add_reading(
                    name,
                    Reading(point=m.point, quantity="dc_v", value=value, std=std, instrument="m", range_v=300.0),
                )
    return path


def test_for_people(job, capsys):
    assert main(["compare", str(job), "as-found", "after-C4"]) == 0
    out = capsys.readouterr().out
    assert out.isascii()
    assert "V2.2 DC" in out
    assert "agrees with the replaced part" in out.splitlines()[-1].replace("\n", " ")
    assert "C4 leaks direct current (about" in out
    assert "no significant change in" in out
    assert "AWAY" not in out
    words = " ".join(out.split())
    assert "back in band" in words
    assert "C4 leak resistance" in words
    assert "C4 capacitance" in words


def test_what_was_out_of_band_and_did_not_change_is_said(tmp_path, capsys):
    """C4 leaks and C3 was changed: "no significant change" was all that stood there, as of a sound chassis."""
    model = ChassisModel(load_chassis("quayside-five"))
    measurands = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    shown = model.predict({"C4.leak": np.full(1, 1 / 3e6)}, measurands)[0]
    path = tmp_path / "five.stagewalk"
    with create_job(path, "Quayside Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name in ("as-found", "after"):
            opened.start_pass(name, mains_v=230.0)
            if name == "after":
                opened.add_event(name, Event(kind="part_replaced", subject="C3"))
            for m, value in zip(measurands, shown, strict=True):
                opened.add_reading(name, Reading(point=m.point, quantity="dc_v", value=float(value)))
    assert main(["compare", str(path), "as-found", "after"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    still = words.split("still out of band, unchanged: ")[1]
    assert "V2.2 DC high" in still
    told = views_of(path).compare("as-found", "after")["words"]
    assert any(one.startswith("Still out of band, unchanged: ") and "V2.2 DC high" in one for one in told)
    assert words.endswith("no significant change")


def test_a_part_that_does_not_explain_the_changes_is_not_said_to_fit_them(tmp_path, capsys):
    """The grid came back and the plate only half of the way: a leak of C2 explains the one or the other."""
    rounds = {
        "as-found": {"HT3": 222.9, "V1.1": 144.5, "V1.6": 96.4, "V1.7": 1.81, "V1.8": 1.96},
        "after": {"HT3": 222.9, "V1.1": 144.5, "V1.6": 125.4, "V1.7": -0.018, "V1.8": 1.55},
    }
    path = tmp_path / "q.stagewalk"
    with create_job(path, "Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name, volts in rounds.items():
            opened.start_pass(name, mains_v=230.0)
            if name == "after":
                opened.add_event(name, Event(kind="part_replaced", subject="C2"))
            for point, value in volts.items():
                opened.add_reading(name, Reading(point=point, quantity="dc_v", value=value, std=0.003))
    assert main(["compare", str(path), "as-found", "after"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert out.endswith("changed, not explained by it")
    assert "nearest to the changes, but no fit: before, C2 leaks" in out
    page = views_of(path).compare("as-found", "after")
    assert page["words"][1].startswith("Nearest to the changes, but no fit: before, C2 leaks")
    with open_job(path, read_only=True) as opened:
        wrong = findings(gather(opened)).wrong
    assert "Nearest to how the readings moved comes this, and does not explain all of it: C2 leaks" in wrong
    assert "is consistent with this" not in wrong


def test_what_is_asked_of_both_passes_alike_stands_there_once(tmp_path, capsys):
    """Volts printed on the drawing that its parts do not give were told twice, word for word."""
    text = find_config("chassis", "quayside-five").read_text("utf-8").replace("V2.3: 7}", "V2.3: 12}")
    path = tmp_path / "five.stagewalk"
    with create_job(path, "Quayside Five", text) as opened:
        for name in ("as-found", "after"):
            opened.start_pass(name, mains_v=230.0)
            for point, volts in (("HT1", 245.0), ("V2.3", 7.0)):
                opened.add_reading(name, Reading(point=point, quantity="dc_v", value=volts))
    assert main(["compare", str(path), "as-found", "after"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert words.count("12 V printed") == words.count("note: as-found and after: the volts printed") == 1


def test_for_programs(job, capsys):
    assert main(["compare", str(job), "as-found", "after-C4", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    rows = {row["point"]: row for row in found["changes"]}
    assert rows["V2.2"]["verdict"] == "agrees with the replaced part"
    assert rows["V2.2"]["direction"] == "toward"
    assert rows["SPK"]["verdict"] == "no significant change"
    assert (rows["V2.2"]["band_before"], rows["V2.2"]["band_after"]) == ("high", "agrees")
    assert rows["V2.2"]["moved"] == "back in band"
    (old,) = found["old_part"]
    assert (old["part"], old["fault"]) == ("C4", "leaky")
    assert 1 / old["value"] == pytest.approx(3e6, rel=0.3)
    values = {value["what"]: value for value in found["values"] if value["part"] == "C4"}
    assert set(values) == {"value", "leak"}
    assert found["still_out"] == []
    assert values["leak"]["before"]["low"] < 3e6 < values["leak"]["before"]["high"]
    assert values["leak"]["after"]["value"] is values["leak"]["after"]["high"] is None
    assert values["leak"]["after"]["low"] > 100e6
    assert values["value"]["before"]["text"] == "these readings cannot tell"
    assert values["value"]["drawn"] == 22e-9


def test_parts_replaced_in_passes_between_count(job, tmp_path, capsys):
    path = tmp_path / "five.stagewalk"
    shutil.copy(job, path)
    with open_job(path) as opened:
        last = opened.read_pass("after-C4")
        opened.start_pass("after-R5", mains_v=230.0)
        opened.add_event("after-R5", Event(kind="part_replaced", subject="R5", value=100e3))
        opened.add_readings("after-R5", last.readings)
    assert main(["compare", str(path), "as-found", "after-R5", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["replaced"] == ["C4", "R5"]
    assert [(old["part"], old["fault"]) for old in found["old_part"]] == [("C4", "leaky")]
    assert found["verdict"] == "agrees with the replaced part"
    assert main(["compare", str(path), "as-found", "after-R5"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert words.endswith("as-found to after-R5 (C4, R5 replaced): agrees with the replaced parts")
    assert views_of(path).compare("as-found", "after-R5")["words"][0] in words


def test_passes_named_the_wrong_way_round_or_twice_are_told(job, capsys):
    assert main(["compare", str(job), "after-C4", "as-found"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "note: as-found was begun before after-C4; what was replaced is asked of the later" in words
    assert main(["compare", str(job), "as-found", "as-found"]) == 2
    assert "expected two passes, got as-found twice" in capsys.readouterr().err


def test_where_nothing_was_read_in_both_passes_no_change_is_not_the_answer(job, tmp_path, capsys):
    path = tmp_path / "five.stagewalk"
    shutil.copy(job, path)
    with open_job(path) as opened:
        opened.start_pass("oops", mains_v=230.0)
    assert main(["compare", str(path), "as-found", "oops"]) == 0
    told = " ".join(capsys.readouterr().out.split())
    assert told.endswith("as-found to oops (C4 replaced): nothing was read in both passes")
    page = " ".join(views_of(path).compare("as-found", "oops")["words"])
    # The report passes over a pass without readings, and compares what was read of different points.
    written = tmp_path / "apart.csv"
    written.write_text("pass_name,point,quantity,value\nas-found,V1.1,dc_v,140\nlater,V1.6,dc_v,142\n")
    apart = tmp_path / "apart.stagewalk"
    assert main(["import", str(apart), str(written), "--chassis", "quayside-five"]) == 0
    with open_job(apart, read_only=True) as opened:
        report = findings(gather(opened))
    assert report.headline == "Nothing was read in both passes"
    for text in (told, page, report.headline, report.proof, report.unchanged):
        assert "significant change" not in text


def test_an_unknown_pass_is_one_line(job, capsys):
    assert main(["compare", str(job), "as-found", "later"]) == 2
    assert "no pass called 'later'" in capsys.readouterr().err


@pytest.fixture(scope="module")
def hum_cured(tmp_path_factory):
    """50 Hz hum was cured, so that 100 Hz is the strongest line now."""
    folder = tmp_path_factory.mktemp("hum")
    (folder / "a.csv").write_text(
        "pass_name,point,quantity,value,std,freq_hz,instrument,range_v\n"
        "as-found,HT2,ripple_pp_v,3.0,0.06,49.98,scope,8\nas-found,V2.3,dc_v,6.9,0.03,,dmm,60\n"
        "after,HT2,ripple_pp_v,0.5,0.02,99.97,scope,8\nafter,V2.3,dc_v,6.92,0.03,,dmm,60\n"
    )
    path = folder / "a.stagewalk"
    assert main(["import", str(path), str(folder / "a.csv"), "--chassis", "quayside-five", "--mains", "230"]) == 0
    return path


def test_hum_with_another_strongest_line_is_a_change_and_both_lines_are_said(hum_cured, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    assert main(["compare", str(hum_cured), "as-found", "after"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "HT2 ripple p-p (50 Hz, then 100 Hz)" in words
    assert "no significant change in 1 of 2 readings: V2.3" in words
    assert main(["compare", str(hum_cured), "as-found", "after", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)["changes"][0]
    assert (row["freq_hz"], row["freq_hz_after"], row["significant"]) == (49.98, 99.97, True)
    assert row["band_before"]
    assert row["band_after"]


def test_report_and_page_name_both_lines_too(hum_cured):
    from analysis.app.page.views import _compare
    from analysis.app.verbs.report import gather
    from analysis.report.figures import band_figure
    from analysis.report.render import render

    said = "HT2 ripple p\u2011p (50 Hz, then 100 Hz)"
    assert _compare(hum_cured, "as-found", "after")["changes"][0]["what"] == said
    with open_job(hum_cured, read_only=True) as opened:
        material = gather(opened)
    assert "ripple p\u2011p (50 Hz, then 100 Hz)" in render(material)
    (label,) = band_figure(material, dc=False)["layout"]["yaxis"]["ticktext"]
    assert "100 Hz" in label


def test_compare_says_the_same_as_check_and_as_its_own_table(job, capsys):
    """One healthy value a reading, with the rails of the pass, and one value of the old part's leak."""
    main(["check", str(job), "--pass", "after-C4", "--json"])
    expected = {row["point"]: row["expected"] for row in json.loads(capsys.readouterr().out)["readings"]}
    assert main(["compare", str(job), "as-found", "after-C4", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {c["point"]: c["healthy"] for c in found["changes"]} == pytest.approx(expected, rel=1e-3, abs=1e-3)
    (leak,) = [value["before"]["value"] for value in found["values"] if value["what"] == "leak"]
    assert 1 / found["old_part"][0]["value"] == pytest.approx(leak, rel=1e-4)


def test_of_gain_and_phase_of_one_stage_only_what_stayed_is_named_as_unchanged(tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")
    rows = [("as-found", 58.0, 40.0), ("after", 45.0, 40.1)]
    (tmp_path / "a.csv").write_text(
        "pass_name,point,quantity,value,std,freq_hz,instrument,range_v\n"
        + "".join(
            f"{name},V1.2>V1.1,gain,{gain},0.3,1000,scope,8\n{name},V1.2>V1.1,gain,{low},0.3,20,scope,8\n"
            f"{name},V1.2>V1.1,phase_deg,179.9,0.1,1000,scope,8\n{name},V2.3,dc_v,6.9,0.03,,dmm,60\n"
            for name, gain, low in rows
        )
    )
    job = str(tmp_path / "a.stagewalk")
    assert main(["import", job, str(tmp_path / "a.csv"), "--chassis", "quayside-five", "--mains", "230"]) == 0
    assert main(["compare", job, "as-found", "after"]) == 0
    told = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("no significant change"))
    assert told.rstrip() == "no significant change in 3 of 4 readings: V1.2>V1.1 phase, V2.3"


def test_a_part_of_another_value_than_drawn_is_asked_about_and_allowed_for_once_noted(tmp_path, capsys):
    """R4 was sound at 1.5 k; 2.7 k was fitted, and only afterwards written down."""
    path = tmp_path / "wrong.stagewalk"
    model = ChassisModel(load_chassis("quayside-five"))
    measurands = [Measurand(point=point, quantity="dc_v") for point in POINTS]
    with create_job(path, "Quayside Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name, ohm in (("as-found", 1.5e3), ("after-R4", 2.7e3)):
            opened.start_pass(name, mains_v=230.0)
            if name == "after-R4":
                opened.add_event(name, Event(kind="part_replaced", subject="R4"))
            for m, true in zip(measurands, model.predict({"R4": np.full(1, ohm)}, measurands)[0], strict=True):
                std = float(np.hypot(0.003 * true, 0.002))
                opened.add_reading(
                    name,
                    Reading(
                        point=m.point, quantity="dc_v", value=float(true), std=std, instrument="m", range_v=300.0
                    ),
                )
    assert main(["compare", str(path), "as-found", "after-R4"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "R4 measured 1." in words
    assert "was another value fitted?" in words
    assert "the changes fit" not in words
    assert words.endswith("changed, not explained by it")
    with open_job(path, read_only=True) as opened:
        (cause,) = findings(gather(opened)).causes
    assert f"note: {cause}" in words
    assert cause in views_of(path).compare("as-found", "after-R4")["words"]
    assert main(["note", str(path), "--pass", "after-R4", "--replaced", "R4=2.7k"]) == 0
    capsys.readouterr()
    assert main(["compare", str(path), "as-found", "after-R4"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert "was another value fitted?" not in words
    assert words.endswith("agrees with the replaced part")


def test_two_bad_parts_are_measured_in_circuit_each_beside_the_other(tmp_path, capsys):
    """The leaking coupling capacitor took over the lost bypass of the stage before it: 10 nF instead of 22."""
    model = ChassisModel(load_chassis("quayside-five"))
    wanted = [Measurand(point=point, quantity="dc_v") for point in POINTS[2:]] + [
        Measurand(point=stage, quantity=quantity, freq_hz=hertz, drive_pp_v=0.02)
        for stage in ("V1.7>V1.6", "V1.6>V2.2")
        for hertz in (50.0, 1000.0)
        for quantity in ("gain", "phase_deg")
    ]
    rng = np.random.default_rng(3)
    path = tmp_path / "two.stagewalk"
    old = {"C4.leak": np.full(1, 1 / 2e6), "C3": np.full(1, 2.2e-6)}
    with create_job(path, "Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name, values in (("as-found", old), ("after", {})):
            opened.start_pass(name, mains_v=230.0)
            for part in ("C4", "C3") if name == "after" else ():
                opened.add_event(name, Event(kind="part_replaced", subject=part))
            for m, true in zip(wanted, model.predict(values, wanted)[0], strict=True):
                share = {"dc_v": 0.003, "gain": 0.011, "phase_deg": 0.0}[m.quantity]
                std = float(np.hypot(share * true, 1.1 if m.quantity == "phase_deg" else 0.002))
                value = float(true + 0.25 * std * rng.standard_normal())
                reading = Reading(
                    point=m.point, quantity=m.quantity, freq_hz=m.freq_hz, drive_pp_v=m.drive_pp_v, value=value,
                    std=std, instrument="m" if m.quantity == "dc_v" else "s", range_v=300.0,
                )  # fmt: skip
                opened.add_reading(name, reading)
    assert main(["compare", str(path), "as-found", "after", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["verdict"] == "agrees with the replaced part"
    before = {(value["part"], value["what"]): value["before"] for value in found["values"]}
    assert before["C4", "value"]["low"] < 22e-9 < before["C4", "value"]["high"]
    assert before["C3", "value"]["low"] < 2.2e-6 < before["C3", "value"]["high"]
    assert before["C4", "leak"]["low"] < 2e6 < before["C4", "leak"]["high"]


@pytest.mark.parametrize(
    ("fitted_ohm", "noted_ohm", "asked"), [(330.0, None, True), (330.0, 330.0, False), (155.0, None, False)]
)
def test_a_new_part_of_another_value_than_drawn_is_asked_about(tmp_path, capsys, fitted_ohm, noted_ohm, asked):
    """R7 of 600 ohm gave way to 330 where 150 is drawn: "agrees with the replaced part" was all that was said."""
    model = ChassisModel(load_chassis("quayside-five"))
    measurands = [Measurand(point=point, quantity="dc_v") for point in POINTS if point not in ("IN", "SPK")]
    path = tmp_path / "five.stagewalk"
    with create_job(path, "Quayside Five", find_config("chassis", "quayside-five").read_text("utf-8")) as opened:
        for name, ohm in (("as-found", 600.0), ("after", fitted_ohm)):
            opened.start_pass(name, mains_v=230.0)
            if name == "after":
                opened.add_event(name, Event(kind="part_replaced", subject="R7", value=noted_ohm))
            for m, value in zip(measurands, model.predict({"R7": np.full(1, ohm)}, measurands)[0], strict=True):
                opened.add_reading(
                    name,
                    Reading(point=m.point, quantity="dc_v", value=float(value), instrument="m", range_v=300.0),
                )
    assert main(["compare", str(path), "as-found", "after"]) == 0
    words = " ".join(capsys.readouterr().out.split())
    assert words.endswith("(R7 replaced): agrees with the replaced part")
    assert ("and 150 ohm is drawn: was another value fitted?" in words) == asked
