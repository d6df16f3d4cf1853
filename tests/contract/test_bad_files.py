"""Every file people write, made wrong in every way: each problem in one line with its place, never a traceback."""

import os
import random
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acquisition.configs import MOST_BYTES, parse_yaml, read_yaml, validate
from acquisition.errors import BenchError, ConfigError
from acquisition.instruments.bench import load_bench, parse_bench
from acquisition.instruments.dialect import Dialect, load_dialect
from acquisition.store import read_passes_csv
from analysis.app.cli import main
from analysis.app.verbs.tube import tube_facts
from analysis.chassis import load_chassis, parse_chassis
from analysis.faults import FaultFile
from analysis.report.drawing import chassis_svg
from analysis.tubes import load_tube
from analysis.tubes.base_svg import base_svg
from analysis.tubes.schema import TubeFile

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = {
    "tubes": sorted((ROOT / "configs" / "tubes").glob("*.yaml")),
    "chassis": sorted((ROOT / "configs" / "chassis").glob("*.yaml")),
    "benches": sorted((ROOT / "configs" / "benches").glob("*.yaml")),
    "dialects": sorted((ROOT / "configs" / "dialects").glob("*.yaml")),
    "faults": [ROOT / "configs" / "faults.yaml"],
    "readings": sorted((ROOT / "tests" / "outside" / "data" / "cases").glob("*.readings.csv"))[:10],
}


def use_tube(path):
    tube = load_tube(str(path))
    base_svg(tube)
    tube_facts(tube)


READERS = {
    "tubes": use_tube,
    "chassis": lambda path: ElementTree.fromstring(chassis_svg(load_chassis(str(path)))),
    "benches": lambda path: load_bench(str(path)),
    "dialects": lambda path: load_dialect(str(path)),
    "faults": lambda path: validate(read_yaml(path), FaultFile),
    "readings": read_passes_csv,
}

HOSTILE = [
    "\x00", "\x1b[31m", "\u202e", "²", "٣", "9" * 400, "1e999", "-1e308", "1e-320", "nan", "inf", "[[[[",
    "{{{{", "&a", "*a", "!!python/object:os.system x", "'", '"', "\\e[2J", "<script>alert(1)</script>", "%",
    "{part.__class__}", "{}", "(a+)+$", "\\", "../../x", "\t", "\ud7ff", "😀", "a" * 3000, "- ", "? ", "| ", ">",
    "#", ": ", "\r", "\x85", "\u2028", "null", "~", "", "true", "0", "-0", "1_000", "0x10", "1:30", "010",
    "4k7", "1,5", "gnd", "V1.1", "V9.9", "HT1", "P_3", "P_²", "H_H", "NC_2", "-1", "17", "1e300", "V1.2>V1.1",
    "gain", "=cmd()", ";",
]  # fmt: skip
WORD = re.compile(r"[^\s,:\[\]{}]+")


def spoiled(draw, text):
    """The text with some of its lines and words moved, doubled, lost or replaced."""
    lines = text.split("\n")
    for _ in range(draw.choice([1, 1, 1, 2, 5])):
        what, here, there = draw.randrange(8), draw.randrange(len(lines)), draw.randrange(len(lines))
        line = lines[here]
        words = list(WORD.finditer(line))
        if what == 0:
            lines[here], lines[there] = lines[there], line
        elif what == 1 and len(lines) > 1:
            del lines[here]
        elif what == 2:
            lines.insert(there, line)
        elif what == 3:
            at = draw.randrange(len(line) + 1)
            lines[here] = line[:at] + draw.choice(HOSTILE) + line[at:]
        elif what == 4:
            lines[here] = draw.choice([" ", "  ", "    "]) + line
        elif what == 5:
            lines = lines[: here + 1]
        elif words:
            word = draw.choice(words)
            lines[here] = line[: word.start()] + draw.choice(HOSTILE) + line[word.end() :]
    return "\n".join(lines)


def read(kind, path):
    """Use a file; what is told about a bad one is lines fit for a terminal that begin with a file."""
    try:
        READERS[kind](path)
    except ConfigError as error:
        assert error.problems
        lines = str(error).split("\n")
        assert len(lines) <= 51
        for line in lines:
            assert line.isprintable()
            assert len(line) < 700
            assert re.match(r"\S+\.(yaml|csv)(:\d+)?: |and \d+ more problems", line), line
        return False
    except BenchError:
        return False
    return True


@pytest.mark.parametrize("kind", READERS)
def test_spoiled_shipped_files(kind, tmp_path):
    draw = random.Random(11)
    texts = [(path.name, path.read_text(encoding="utf-8")) for path in SHIPPED[kind]]
    read_well = 0
    for turn in range(250):
        name, text = draw.choice(texts)
        path = tmp_path / name
        path.write_bytes(spoiled(draw, text).encode("utf-8", "surrogatepass"))
        os.utime(path, ns=(turn, turn))  # a tube is kept in memory until its file changes
        read_well += read(kind, path)
    assert read_well < 250


@settings(max_examples=150, derandomize=True, deadline=None)
@given(text=st.text(max_size=300) | st.binary(max_size=200).map(lambda raw: raw.decode("latin-1")))
def test_any_text_at_all(text):
    for parse in (
        lambda: validate(parse_yaml(text, "a.yaml"), TubeFile),
        lambda: validate(parse_yaml(text, "a.yaml"), Dialect),
        lambda: validate(parse_yaml(text, "a.yaml"), FaultFile),
        lambda: parse_chassis(text, "a.yaml"),
        lambda: parse_bench(text, "a.yaml"),
    ):
        with pytest.raises(ConfigError) as told:
            parse()
        assert all(line.isprintable() and line.startswith("a.yaml") for line in str(told.value).split("\n"))


NESTED = {
    "lists": "a: " + "[" * 500 + "]" * 500,
    "mappings": "a: " + "{a: " * 500 + "}" * 500,
    "open lists": "a: " + "[" * 100_000,
    "keys": "? " * 500 + "a",
    "aliases of aliases": "a: &a0 [x, x]\n" + "".join(f"b{i}: &a{i + 1} [*a{i}, *a{i}]\n" for i in range(40)),
    "an alias of itself": "a: &a [*a]",
}


@pytest.mark.parametrize("name", NESTED)
def test_depth_and_aliases_cost_neither_stack_nor_memory(name):
    with pytest.raises(ConfigError, match=r"nest|alias|plain text|not valid YAML") as told:
        parse_yaml(NESTED[name], "a.yaml")
    assert all(problem.line for problem in told.value.problems)


HEAD = "chassis: x\ntubes: {V1: 12AX7}\nrails: {HT: {volts: 300, source: 10}}\n"
LONG = {
    "parts": HEAD + "parts:\n" + "".join(f"  R{i}: 1k V{i}.1 N{i}\n" for i in range(20_000)),
    "unknown tubes": "chassis: x\ntubes:\n" + "".join(f"  V{i}: 12AX{i}\n" for i in range(20_000)),
    "digits": HEAD + "parts: {R1: " + "1" * 500_000 + "x HT gnd}\n",
    "tolerances": HEAD + "parts: {R1: 1k HT gnd " + "5%" * 200_000 + "}\n",
    "printed": HEAD + "printed: {V1.1: " + "1" * 500_000 + "}\n",
    "unknown fields": "".join(f"f{i}: 1\n" for i in range(3000)),
}


@pytest.mark.parametrize("name", LONG)
def test_long_files_are_refused_in_few_words(name):
    with pytest.raises(ConfigError) as told:
        parse_chassis(LONG[name], "a.yaml")
    assert len(str(told.value)) < 6000
    assert all(problem.line for problem in told.value.problems)


@pytest.mark.parametrize("size", [MOST_BYTES + 1, 10_000_000])
def test_a_file_of_many_megabytes_is_not_even_parsed(size, tmp_path):
    path = tmp_path / "long.yaml"
    path.write_bytes(b"a: 1 #" + bytes(size - 6))
    with pytest.raises(ConfigError, match="longer than 1 MB"):
        read_yaml(path)


def test_a_csv_file_of_ten_megabytes_is_told_by_its_first_problems(tmp_path):
    path = tmp_path / "long.csv"
    path.write_text("point,quantity,value\n" + "V1.1,dc_q,1.5\n" * 700_000)
    with pytest.raises(ConfigError, match=r"more than 50 problems|more problems"):
        read_passes_csv(path)
    path.write_bytes(bytes(20_000_001))
    with pytest.raises(ConfigError, match="longer than 20 MB"):
        read_passes_csv(path)


def test_every_problem_of_a_chassis_at_once(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text(
        "chassis: x\ntubes: {V1: 12AX7, V2: 12AX77}\nrails: {HT: {volts: lots}}\nparts:\n  R1: 10m HT V1.1\n"
        "  R2: 1k5 V1.33 gnd\n  C1: 22\n  Q1: 1 HT gnd\nprinted: {V1.1: many}\n"
    )
    with pytest.raises(ConfigError) as told:
        load_chassis(str(path))
    found = {(problem.line, problem.field) for problem in told.value.problems}
    assert {
        (2, "tubes.V2"), (3, "rails.HT.volts"), (6, "parts.R2"), (7, "parts.C1"), (8, "parts.Q1"),
        (9, "printed.V1.1"),
    } <= found  # fmt: skip


@pytest.mark.parametrize("value", ["1e-9", "1e15", "10000000M"])
def test_an_implausible_value_is_a_slip_of_the_prefix(value, tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text(HEAD + f"parts: {{R1: {value} HT gnd}}\n")
    with pytest.raises(ConfigError, match=r"m is milli, M is mega|less than 1e12"):
        load_chassis(str(path))


def test_text_is_text_wherever_it_is_shown(tmp_path, capsys):
    text = (ROOT / "configs" / "chassis" / "quayside-five.yaml").read_text(encoding="utf-8")
    hostile = "<script>alert(1)</script> & ]]> \u200f[bold]x"
    text = re.sub(r"(?m)^chassis: .*$", f'chassis: "{hostile}"', text)
    path = tmp_path / "a.yaml"
    path.write_text(text, encoding="utf-8")
    drawing = chassis_svg(load_chassis(str(path)))
    assert "<script" not in drawing
    ElementTree.fromstring(drawing)
    assert main(["expect", str(path)]) == 0
    assert "<script>alert(1)</script>" in capsys.readouterr().out
    readings = tmp_path / "r.csv"
    readings.write_text("point,quantity,value\nV1.1,dc_v,190\n")
    job, page = tmp_path / "j.stagewalk", tmp_path / "j.html"
    assert main(["import", str(job), str(readings), "--pass", hostile[:30], "--chassis", str(path)]) == 0
    assert main(["report", str(job), "--out", str(page)]) == 0
    assert "<script>alert" not in page.read_text(encoding="utf-8")
    assert main(["list", str(tmp_path)]) == 0


def test_escapes_never_reach_the_terminal(tmp_path, capsys):
    text = (ROOT / "configs" / "chassis" / "quayside-five.yaml").read_text(encoding="utf-8")
    path = tmp_path / "a\x1b[31m.yaml"
    path.write_text(re.sub(r"(?m)^chassis: .*$", r'chassis: "\\e]0;x\\a"', text), encoding="utf-8")
    assert main(["expect", str(path)]) == 2
    told = capsys.readouterr()
    assert "chassis: control character U+001B is not allowed" in told.err
    assert "\x1b" not in told.out + told.err


@pytest.mark.parametrize("name", ["a" * 5000, "a\x00b", "../" * 300 + "x.yaml", "", ".", "/", "con.yaml/x.yaml"])
@pytest.mark.parametrize("verb", ["tube", "expect", "draw", "bench"])
def test_names_that_no_file_can_have(verb, name, capsys):
    if verb == "tube" and not name:
        name = " "
    assert main([verb, name]) == 2
    assert capsys.readouterr().err
