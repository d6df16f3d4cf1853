"""What ``check`` shows a person at a terminal of 80 columns, of readings that are not what they should be."""

import pytest

from acquisition.records import Reading
from analysis.app.cli import main
from analysis.app.terminal import tell_wrapped
from analysis.judge import read_twice

LINES = ["HT1,dc_v,0", "HT2,dc_v,0", "V1.1,dc_v,0", "V1.3,dc_v,0"]


@pytest.fixture
def said(tmp_path, capsys, monkeypatch):
    def check(lines):
        path = tmp_path / "read.csv"
        path.write_text("\n".join(["point,quantity,value", *lines]), "utf-8")
        monkeypatch.setenv("COLUMNS", "80")
        main(["check", "--chassis", "gangway-two", str(path)])
        return capsys.readouterr().out

    return check


def test_a_note_is_wrapped_and_next_to_nothing_is_shown_as_nothing(said):
    out = said(LINES)
    assert max(len(line) for line in out.splitlines()) <= 80
    # The plate of the follower is HT2, and live as any other plate.
    assert "none of 4 points reads any volts, 3 of them live when healthy" in " ".join(out.split())
    (plate,) = [line for line in out.splitlines() if line.startswith("V1.1")]
    assert plate.split()[2:7] == ["0", "V", "0", "V", "-50.00"], "value and expected, without microvolts"


def test_a_point_that_read_other_volts_before_is_asked_about(said):
    words = "V1.1 read 112 V before it read 71 V, and the last counts"
    assert words in " ".join(said(["HT1,dc_v,280", "V1.1,dc_v,112", "V1.1,dc_v,71"]).split())
    assert words not in " ".join(said(["HT1,dc_v,280", "V1.1,dc_v,71"]).split())


@pytest.mark.parametrize(
    ("volts", "asked"),
    [((112.0, 71.0), 1), ((112.0, 113.0), 0), ((112.0, 71.0, 71.1), 1), ((0.0, 0.01), 0), ((-31.0, 31.0), 1)],
)
def test_what_mains_and_meter_move_from_minute_to_minute_is_not_asked_about(volts, asked):
    assert len(read_twice([Reading(point="V1.1", quantity="dc_v", value=one) for one in volts])) == asked


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["check", "read.csv"], "read.csv: name what it was read of with --chassis FILE"),
        (["expect", "read.csv"], "read.csv: not a chassis file: the name of one ends in .yaml"),
        (["bench", "none-such"], "none-such: no bench file of this name"),
        (["tube", "none-such"], "none-such: unknown tube type"),
    ],
)
def test_a_file_of_another_kind_is_told_with_what_is_wanted(words, told, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "read.csv").write_text("point,quantity,value\nHT1,dc_v,280\n", "utf-8")
    assert main(words) == 2
    assert told in capsys.readouterr().err


def test_a_long_line_goes_on_under_its_own_text(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    tell_wrapped("first: V1.2 to V1.1\n  signal   98.1 mV in, 5.76 V out, peak to peak of the fitted sine\n", 11)
    assert capsys.readouterr().out.splitlines() == [
        "first: V1.2 to V1.1",
        "  signal   98.1 mV in, 5.76 V out, peak to peak of the",
        "           fitted sine",
        "",
    ]
