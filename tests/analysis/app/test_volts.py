"""Volts given to an option of any verb: a number between the limits, or one line and nothing else."""

import pytest

from analysis.app.cli import main

BAD = ("nan", "inf", "-5", "many")


@pytest.mark.parametrize("given", BAD)
@pytest.mark.parametrize(
    ("verb", "option"),
    [
        (["note", "JOB"], "--mains"),
        (["survey", "JOB"], "--mains"),
        (["survey", "JOB"], "--supply"),
        (["import", "JOB", "readings.csv"], "--mains"),
        (["expect", "quayside-five"], "--mains"),
        (["gain", "JOB", "stage"], "--supply"),
        (["suspects", "JOB"], "--limit-v"),
    ],
)
def test_what_is_no_number_of_volts_is_refused_by_every_verb(capsys, verb, option, given):
    assert main([*verb, option, given]) == 2
    assert f"Invalid value for '{option}'" in (told := capsys.readouterr().err)
    assert "expected volts between 1 and" in told
    assert f"got {given!r}" in told
