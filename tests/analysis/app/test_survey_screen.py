"""What the survey shows where its output is no terminal."""

import math

from acquisition.instruments import Sample
from analysis.app.survey_screen import Keyboard, Screen


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
