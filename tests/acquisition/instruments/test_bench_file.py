"""The bench file: everything wrong is said at once, with its line; ratings rule."""

import pytest

from acquisition.errors import ConfigError
from acquisition.instruments import load_bench
from acquisition.instruments.bench import parse_bench

GOOD = """\
bench: Test bench
mains_hz: 60
clip_on_above_v: 250
meter:
  resource: /dev/ttyUSB0
  dialect: stream-meter
  accuracy: {600 mV: 0.5 % + 5 digits, 600 V: 0.5 % + 2 digits}
  input_ohm: 10M
  rating_v: 600
  serial: {baud: 2400, bits: 7, parity: odd}
scope: {resource: "TCPIP::h::5025::SOCKET", dialect: ten-field-scope, rating_v: 300}
generator: {resource: "GPIB0::10::INSTR", dialect: scpi-generator, source_ohm: 600}
lead: {rated_v: 1000}
probe: {factor: 10, ohm: 10M, farad: 12p, rated_v: 600}
"""


@pytest.fixture
def load(tmp_path):
    def load_text(text):
        path = tmp_path / "b.yaml"
        path.write_text(text)
        return load_bench(str(path))

    return load_text


def problems_of(load, text):
    with pytest.raises(ConfigError) as caught:
        load(text)
    return {(problem.line, problem.field): problem.text for problem in caught.value.problems}


def test_values_are_read_as_people_write_them(load):
    bench = load(GOOD)
    assert bench.meter.resource == "ASRL/dev/ttyUSB0::INSTR"
    assert bench.meter.input_ohm == 10e6
    assert bench.meter.serial.settings().parity == "odd"
    assert bench.meter.accuracy.for_range(0.6).digits == 5
    assert bench.probe.farad == 12e-12
    assert bench.generator.source_ohm == 600.0
    assert bench.scope.accuracy.for_range(1.0).of_range == 0.03


def test_the_lowest_rated_item_counts(load):
    bench = load(GOOD)
    assert bench.meter_limit_v == 600
    assert bench.probe_limit_v == 600
    assert load(GOOD.replace("rated_v: 600}", "rated_v: 5000}")).probe_limit_v == 3000


def test_an_unknown_rating_allows_60_v_only(load):
    bench = load(GOOD.replace("lead: {rated_v: 1000}\n", "").replace("clip_on_above_v: 250\n", ""))
    assert bench.meter_limit_v == 60
    assert load(GOOD.replace(", rating_v: 300}", "}")).probe_limit_v == 60


def test_the_clip_on_limit_is_never_above_the_ratings(load):
    text = GOOD.replace("clip_on_above_v: 250", "clip_on_above_v: 650")
    assert "rated for, 600 V" in problems_of(load, text)[3, "clip_on_above_v"]
    unknown = GOOD.replace("lead: {rated_v: 1000}\n", "")
    assert "rated_v" in next(iter(problems_of(load, unknown).values()))


def test_every_mistake_is_reported_with_its_line(load):
    text = GOOD.replace("mains_hz: 60", "mains_hz: 55").replace("10M\n", "10 Mohms!\n").replace("0.5 % + 2", "good")
    text = text.replace("TCPIP::h::5025::SOCKET", "the scope").replace("source_ohm", "sourse_ohm")
    found = problems_of(load, text)
    assert {line for line, _ in found} == {2, 7, 8, 11, 12}
    assert "expected an accuracy" in found[7, "meter.accuracy"]
    assert "expected an address" in found[11, "scope.resource"]
    assert "unknown field" in found[12, "generator.sourse_ohm"]


def test_milli_for_mega_is_no_load(load):
    """With a milliohm across them, all points of a chassis would be expected at 0 V."""
    found = problems_of(load, GOOD.replace("input_ohm: 10M", "input_ohm: 10m").replace("ohm: 10M,", "ohm: 10,"))
    expected = "expected at least 1k ohm, such as 10M: a capital M is mega, a small m is milli (got {!r})"
    assert found == {
        (8, "meter.input_ohm"): expected.format("10m"),
        (14, "probe.ohm"): expected.format("10"),
    }
    assert load(GOOD.replace("input_ohm: 10M", "input_ohm: 20k")).meter.input_ohm == 20e3


def test_farads_for_picofarads_are_no_load(load):
    """With 12 farads across it no stage would be expected to pass a signal."""
    found = problems_of(load, GOOD.replace("farad: 12p", "farad: 12"))
    assert found == {(14, "probe.farad"): "expected picofarads, such as 12p (got '12')"}
    assert load(GOOD.replace("farad: 12p", "farad: 1n")).probe.farad == 1e-9


def test_a_probe_factor_is_a_plain_number(load):
    found = problems_of(load, GOOD.replace("factor: 10", "factor: x10"))
    assert found == {(14, "probe.factor"): "expected a plain number, 10 for a probe of x10, got 'x10'"}


def test_one_range_written_twice(load):
    found = problems_of(load, GOOD.replace("600 V: 0.5", "0.6 V: 1 %, 600 V: 0.5"))
    expected = "600 mV and 0.6 V are one range: expected each range once, leave one out"
    assert found == {(7, "meter.accuracy"): expected}


def test_a_decimal_comma_in_an_accuracy_is_told(load):
    """Between braces it begins the next range."""
    for comma in ("600 V: 0,5 % + 2 digits", "6,0 V: 1 %", "600 V: '0,5 % + 2 digits'"):
        found = problems_of(load, GOOD.replace("600 V: 0.5 % + 2 digits", comma))
        assert list(found) == [(7, "meter.accuracy")]
        assert "write a point, not a comma" in found[7, "meter.accuracy"]


def test_dialects_must_exist_and_fit_their_place(load):
    text = GOOD.replace("ten-field-scope", "ten-feild-scope").replace("stream-meter", "scpi-generator")
    found = problems_of(load, text)
    assert "did you mean ten-field-scope" in found[11, "scope.dialect"]
    assert "is for a generator" in found[6, "meter.dialect"]


def test_a_bench_of_nothing(load):
    assert "at least one" in next(iter(problems_of(load, "bench: empty\n").values()))


@pytest.mark.parametrize("name", ["example", "hand-held"])
def test_the_shipped_benches_load(name):
    bench = load_bench(name)
    assert bench.meter is not None
    assert bench.clip_on_above_v <= bench.meter_limit_v


def test_a_dialect_with_mistakes_says_them_with_lines(tmp_path):
    from acquisition.instruments import load_dialect

    path = tmp_path / "mine.yaml"
    path.write_text(
        "dialect: mine\nrole: meter\ndoes: x\nsource: x\nidentity: {ask: '*IDN?', pattern: '('}\n"
        "meter: {mode: stream, rate_hz: 0, frame: 'x', counts: 6000, coupling: DC, units: {V: 1}, overload: []}\n"
        "clear: ['{danger}']\n"
    )
    with pytest.raises(ConfigError) as caught:
        load_dialect(str(path))
    assert {problem.line for problem in caught.value.problems} >= {5, 6, 7}
    path.write_text("dialect: yours\nrole: meter\ndoes: x\nsource: x\n")
    with pytest.raises(ConfigError, match="needs the part meter"):
        load_dialect(str(path))


def test_the_text_that_a_job_keeps_is_read_like_the_file(load):
    assert parse_bench(GOOD, "bench of the job") == load(GOOD)
    with pytest.raises(ConfigError) as caught:
        parse_bench(GOOD.replace("mains_hz: 60", "mains_hz: 55"), "bench of the job")
    (problem,) = caught.value.problems
    assert (problem.path, problem.line, problem.field) == ("bench of the job", 2, "mains_hz")


def test_a_name_that_is_cut_off_at_a_number_sign_is_told(tmp_path):
    file = tmp_path / "mine.yaml"
    file.write_text("bench: Place #2\nmains_hz: 50\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"mine\.yaml:1: bench: cut off at the #: quotes .* keep '#2'"):
        load_bench(str(file))
