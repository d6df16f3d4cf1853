"""What the survey shows where its output is no terminal."""

import io
import math
import time

import pytest

from acquisition.instruments import Sample
from acquisition.probing import Key
from analysis.app.survey_screen import Keyboard, Screen, keyboard, live_digits


def test_a_silent_meter_is_told_of_once_and_its_answer_too(capsys):
    """In a pipe there is no live line to see it in."""

    def sample(t_s, value_v, *flags):
        return Sample(t_s=t_s, value_v=value_v, flags=frozenset(flags))

    with Screen(None, Keyboard(), bell=False) as screen:
        for one in (
            sample(0.0, 1.0),
            sample(1.0, math.nan, "gap"),
            sample(2.0, math.nan, "gap"),
            sample(3.0, 1.0),
            sample(3.1, 1.0),
        ):
            screen.live(one)
    assert capsys.readouterr().out.splitlines() == ["no answer from the meter, trying again", "the meter answers"]


def pressed(monkeypatch, typed):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(typed), encoding="utf-8"))
    found, end = [], time.monotonic() + 10
    with keyboard() as keys:
        while not keys.ended and time.monotonic() < end:
            if (key := keys.next()) is not None:
                found.append(key)
            time.sleep(0.001)
    assert keys.ended
    return found


def test_a_byte_that_is_no_character_leaves_the_keys_alive(monkeypatch):
    assert pressed(monkeypatch, b"b\xe4\xff \xc3") == [Key.BACK, Key.SPACE]


@pytest.mark.parametrize(
    "sent",
    [
        b"\x1bOS",
        b"\x1bOQ",
        b"\x1b[A",
        b"\x1b[B",
        b"\x1b[1;5S",
        b"\x1b[15~",
        b"\x1b[[B",
        b"\x1bO5S",
        b"\x1b",
        b"\x1b\x1b[B",
    ],
)
def test_arrow_and_function_keys_are_no_keys_of_the_survey(monkeypatch, sent):
    assert pressed(monkeypatch, b"r" + sent + b" q") == [Key.REPEAT, Key.SPACE, Key.QUIT]


def test_the_rest_of_a_key_after_a_question_was_shown_is_no_key(monkeypatch):
    keys = Keyboard()
    keys.is_terminal = True
    keys._queue.put("\x1b")
    keys.forget()
    for character in "[B ":
        keys._queue.put(character)
    assert [keys.next(), keys.next()] == [Key.SPACE, None]


@pytest.mark.parametrize(
    ("value_v", "digits"),
    [(2e-6, "0.0000"), (-2e-6, "0.0000"), (-0.0512, "-0.0512"), (9.8765, "9.8765"), (96.391, "96.391"),
     (-412.345, "-412.35"), (1234.5, "1234.50")],
)  # fmt: skip
def test_the_live_value_is_written_as_a_meter_writes_it(value_v, digits):
    assert live_digits(value_v) == digits
