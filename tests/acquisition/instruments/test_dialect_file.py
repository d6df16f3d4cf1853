"""A dialect file that somebody copied and changed: what cannot work is told when it is read, with its line."""

import pytest

from acquisition.configs import find_config
from acquisition.errors import ConfigError
from acquisition.instruments import load_dialect


def changed(tmp_path, name, old, new):
    text = find_config("dialects", name).read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / f"{name}.yaml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("name", "old", "new", "told"),
    [
        # Without them the first record ended in a traceback.
        ("ten-field-scope", "xinc, ", "", "scope.waveform: fields lacks xinc"),
        ("scpi-generator", "means: pp", "means: factor", "generator.amplitude: means is one of pp, peak, rms here"),
        # Numbers that would mean something else, or never reach the instrument.
        ("ten-field-scope", "means: factor", "means: pp", "scope.channel.probe: means is one of factor, gain"),
        ("keyword-scope", "means: centre", "means: rms", "scope.channel.offset: means is one of centre, shift"),
        ("scpi-generator", ":FREQ {value}", ":FREQ 1000", "generator.frequency: form number is sent with"),
        ("scpi-generator", ":OUTP {value}", ":OUTP", "generator.output: form switch is sent with its value"),
        ("keyword-scope", "DAT:STAR {value}", "DAT:STAR 1", "scope.waveform: pages need page_first, with {value}"),
        # Asked for with an empty line, or never set again.
        ("ten-field-scope", 'ask: ":ACQ:TYPE?", ', "", "scope.kept: :ACQ:TYPE {value}: what is set again"),
        ("scpi-generator", 'set: ":OUTP:LOAD {value}", ', "", "generator.kept: :OUTP:LOAD?: what is set again"),
        # Both channels would be read from one, and the gain would be 1.
        ("ten-field-scope", "SOUR CHAN{channel}", "SOUR CHAN1", "scope: waveform: :WAV:SOUR CHAN1 "),
        ("keyword-scope", "IMM:SOU CH{channel}", "IMM:SOU CH1", "scope: pp: MEASU:IMM:SOU CH1 "),
        ("keyword-scope", '"CH{channel}:COUP?"', '"CH1:COUP?"', "scope: channel.coupling: CH1:COUP? does not say"),
    ],
)  # fmt: skip
def test_what_cannot_work_is_told_when_the_file_is_read(tmp_path, name, old, new, told):
    path = changed(tmp_path, name, old, new)
    with pytest.raises(ConfigError) as caught:
        load_dialect(str(path))
    (problem,) = caught.value.problems
    assert problem.line > 1
    assert told in str(problem)


def test_a_scope_of_one_channel_names_none(tmp_path):
    path = changed(tmp_path, "ten-field-scope", "channels: ", "channels: 1  # ")
    path.write_text(path.read_text(encoding="utf-8").replace("{channel}", "1"), encoding="utf-8")
    assert load_dialect(str(path)).scope.channels == 1
