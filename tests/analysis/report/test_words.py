"""What report, page and terminal call a thing: one name for each."""

from acquisition.records import JobSheet, Pass
from analysis.app.page.showing import suspects_panel
from analysis.app.verbs.suspects import as_json, show
from analysis.report.material import Material
from analysis.report.render import render
from analysis.suspects import Diagnosis
from analysis.suspects.diagnosis import Suspect


def test_two_halves_of_a_tube_are_two_suspects_everywhere(capsys):
    halves = tuple(
        Suspect(part="V1", section=section, fault="weak", probability=0.3, estimate=None, because=section)
        for section in ("V1a", "V1b")
    )
    found = Diagnosis(healthy_probability=0.1, suspects=halves, next=())
    alone = Pass(name="as-found", started_utc="", readings=())
    report = render(Material(sheet=JobSheet(chassis_name="Amp"), passes=(alone,), diagnosis=found))
    show(as_json(found))
    terminal = capsys.readouterr().out
    page = suspects_panel(as_json(found), 3)
    assert [row["part"] for row in page["suspects"]] == ["V1 (V1a)", "V1 (V1b)"]
    assert "most consistent with V1 (V1a) weak (probability 30 %)" in report
    for half in halves:
        name = f"V1 ({half.section})"
        assert f">{name} weak</th>" in report
        assert f"{name} weak: {half.section}" in terminal


def test_the_page_writes_units_with_their_signs():
    leak = Suspect(part="C2", section="", fault="leaky", probability=0.9, estimate=None, because="5 uA in 2 Mohm")
    page = suspects_panel(as_json(Diagnosis(healthy_probability=0.1, suspects=(leak,), next=())), 3)
    assert page["suspects"][0]["because"] == "5 µA in 2 MΩ"


def test_a_slip_of_the_hand_is_no_part_that_is_most_likely_at_fault():
    slip = Suspect(
        part="V1.8",
        section="",
        fault="artefact: sign",
        probability=0.99,
        estimate=None,
        because="the sign may be wrong",
    )
    part = Suspect(part="R3", section="", fault="high", probability=0.9, estimate=None, because="V1.6 is low")
    alone = Pass(name="as-found", started_utc="", readings=())
    for suspects, words in (
        ((slip, part), "most consistent with R3 high (probability 90 %)"),
        ((slip,), "most consistent with"),
    ):
        found = Diagnosis(healthy_probability=0.05, suspects=suspects, next=())
        report = render(Material(sheet=JobSheet(chassis_name="Amp"), passes=(alone,), diagnosis=found))
        assert "V1.8 may not mean what was written down: the sign may be wrong." in report
        assert "most consistent with V1.8" not in report
        assert (words in report) is (len(suspects) > 1)


def test_the_report_names_the_look_alikes_and_what_settles_it():
    def suspect(part, probability):
        others = tuple(f"R{n} open" for n in range(6))
        return Suspect(
            part=part, section="", fault="open", probability=probability, estimate=None, because="low",
            alike=others, separates="gain V1.7>V1.6",
        )  # fmt: skip

    alone = Pass(name="as-found", started_utc="", readings=())
    found = Diagnosis(healthy_probability=0.2, suspects=(suspect("R7", 0.6), suspect("R8", 0.01)), next=())
    report = render(Material(sheet=JobSheet(chassis_name="Amp"), passes=(alone,), diagnosis=found))
    told = "Looks like: R0 open, R1 open, R2 open, R3 open and 2 more. Settled by: gain V1.7 → V1.6"
    assert report.count(told) == 1  # not of what is hardly believed


def test_the_first_page_names_what_cannot_be_ruled_out():
    suspects = tuple(
        Suspect(part=part, section="", fault="open", probability=probability, estimate=None, because="low")
        for part, probability in (("R7", 0.6), ("R8", 0.17), ("R9", 0.12), ("C1", 0.05))
    )
    alone = Pass(name="as-found", started_utc="", readings=())
    found = Diagnosis(healthy_probability=0.06, suspects=suspects, next=())
    report = render(Material(sheet=JobSheet(chassis_name="Amp"), passes=(alone,), diagnosis=found))
    beside = "R8 open (17 %) and R9 open (12 %) cannot be ruled out."
    assert f"most consistent with R7 open (probability 60 %); {beside}" in report
