"""Files people write: text stays text, every mistake is reported with its line."""

from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from acquisition.configs import config_names, find_config, parse_yaml, read_yaml, validate
from acquisition.errors import ConfigError


class Pin(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    number: int
    expect_v: float


class Sheet(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    tube: str
    supply_v: float
    pins: list[Pin] = []


def problems(text):
    with pytest.raises(ConfigError) as caught:
        validate(parse_yaml(text, "a.yaml"), Sheet)
    return str(caught.value).splitlines()


def test_text_stays_text():
    assert parse_yaml("tube: 6E5\npin: 010\nelectrode: on\n").tree == {
        "tube": "6E5",
        "pin": "010",
        "electrode": "on",
    }
    assert validate(parse_yaml("tube: 5881\nsupply_v: 310\n"), Sheet).tube == "5881"


def test_five_mistakes_give_five_lines():
    lines = problems("tube: [1]\nsupply_v: 3OO\nsuply: 4\npins:\n  - number: x\n")
    assert [line.split(": ")[:2] for line in lines] == [
        ["a.yaml:1", "tube"],
        ["a.yaml:2", "supply_v"],
        ["a.yaml:3", "suply"],
        ["a.yaml:5", "pins.0.expect_v"],
        ["a.yaml:5", "pins.0.number"],
    ]


@pytest.mark.parametrize(
    "text",
    ["", "a: b: c", "\ta: 1", "a: 'x", "a: !!python/object:os.system x", "a: 1\na: 2", "&x [*x", "\x01"],
)
def test_broken_files_give_one_error(text):
    with pytest.raises(ConfigError) as caught:
        validate(parse_yaml(text, "a.yaml"), Sheet)
    assert str(caught.value).startswith("a.yaml")


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a: 1\nb:\n  c: 1\n  d 2\n  e: 3\n", 4, "expected a colon and a space behind the name"),
        ("a: 1\nb\n  c: 1\n", 2, "expected a colon and a space behind the name"),
        ("a: 1\nb: [1, 2\nc: 3\n", 2, "a [ that no ] closes, or a comma is missing"),
        ("a: 1\nb: {c: 1\n\nd: 3\n", 2, "a { that no } closes, or a comma is missing"),
        ("a: 1\nb: 'x\nc: 3\nd: 4\n", 2, "a quote that no second one closes"),
        ("a: 1\nb:\n\tc: 1\n", 3, "indented with a tab: use spaces"),
        ("a: 1\r\nb:\r\n  c: 1\r\n\td: 1\r\n", 4, "indented with a tab: use spaces"),
        ("a: 1\nb:\n  c: 1\n d: 2\n", 4, "indented like no line above"),
        ("a: 1\nb: %\n", 2, "a value that begins with this character goes into quotes"),
        ("a: 1\nb:\n  c:1\n  d: 2\n", 4, "or no space behind the colon of the line above"),
    ],
)
def test_what_is_no_yaml_is_told_with_the_line_that_is_wrong(text, line, words):
    with pytest.raises(ConfigError) as caught:
        parse_yaml(text, "a.yaml")
    (problem,) = caught.value.problems
    assert problem.line == line
    assert problem.text.startswith("not valid YAML: ")
    assert problem.text.endswith(words)


class Limited(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)
    kind: Literal["7", "8", ""] = "7"
    above: float = Field(default=1.0, gt=0)
    share: float = Field(default=0.0, ge=0, le=1)
    few: tuple[str, ...] = Field(default=("x",), min_length=1, max_length=2)
    switch: bool = True


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("kind: 9", "expected 7, 8 or nothing (got '9')"),
        ("above: 0", "expected more than 0 (got '0')"),
        ("above: nan", "expected a finite number (got 'nan')"),
        ("above: []", "expected a number"),
        ("share: -1", "expected 0 or more (got '-1')"),
        ("share: 5", "expected 1 or less (got '5')"),
        ("few: []", "expected 1 or more of them"),
        ("few: [a, b, c]", "expected no more than 2 of them"),
        ("few: a", "expected a list (got 'a')"),
        ("switch: []", "expected true or false"),
    ],
)
def test_limits_and_choices_are_told_in_our_words(text, words):
    with pytest.raises(ConfigError) as caught:
        validate(parse_yaml(text, "a.yaml"), Limited)
    assert [problem.text for problem in caught.value.problems] == [words]


@given(st.text(max_size=200))
def test_no_text_gives_a_traceback(text):
    try:
        validate(parse_yaml(text, "a.yaml"), Sheet)
    except ConfigError as error:
        assert error.problems


def test_missing_file_names_the_file(tmp_path):
    with pytest.raises(ConfigError, match="cannot be read"):
        read_yaml(tmp_path / "none.yaml")
    with pytest.raises(ConfigError, match="no such file"):
        find_config("chassis", str(tmp_path / "none.yaml"))


def test_own_folder_goes_before_the_shipped_one(tmp_path, monkeypatch):
    (tmp_path / "tubes").mkdir()
    (tmp_path / "tubes" / "mine.yaml").write_text("a: 1\n")
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path))
    assert find_config("tubes", "mine").parent == tmp_path / "tubes"
    assert "mine" in config_names("tubes")


def test_a_folder_of_ones_own_that_is_not_there_is_told_where_a_file_is_missed(monkeypatch, tmp_path):
    monkeypatch.setenv("STAGEWALK_CONFIGS", str(tmp_path / "typo"))
    with pytest.raises(ConfigError) as caught:
        find_config("benches", "mine")
    assert f"STAGEWALK_CONFIGS names {tmp_path / 'typo'}, and there is no such folder" in caught.value.hint
    assert find_config("benches", "example").is_file()
