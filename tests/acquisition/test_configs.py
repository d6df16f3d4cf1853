"""Files people write: text stays text, every mistake is reported with its line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict

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
