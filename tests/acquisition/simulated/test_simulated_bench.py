"""The ordinary drivers against the simulated bench, over real links, in every dialect."""

import numpy as np
import pytest

from acquisition.configs import config_names, find_config, read_yaml
from acquisition.instruments import (
    Channel,
    Timebase,
    Trigger,
    load_bench,
    open_generator,
    open_meter,
    open_scope,
)
from acquisition.simulated.bench import SCOPES, SimulatedBench


@pytest.mark.parametrize("dialect", ["scpi-meter", "stream-meter"])
def test_meter_reads_the_plant(wiring, tmp_path, dialect):
    with SimulatedBench(wiring.plant, meter=dialect) as bench:
        bench.wiring.lead.move([(0.0, "OUT")])
        if bench.stream:
            bench.meter.conversion_s = 0.02
            bench.meter.index = 3
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_meter(described) as meter:
            samples = [meter.read() for _ in range(5)]
            std_v = meter.std_v(samples[-1])
        # The specimen lies within its printed limits, which are sqrt(3) standard uncertainties wide.
        assert abs(samples[-1].value_v - 150.0) < 2 * std_v
        assert std_v < 0.7


def test_a_null_key_pressed_on_the_meter_makes_no_reading(wiring, tmp_path):
    with SimulatedBench(wiring.plant) as bench:
        bench.wiring.lead.move([(0.0, "OUT")])
        with open_meter(load_bench(str(bench.write(tmp_path / "bench.yaml")))) as meter:
            assert meter.read().value_v == pytest.approx(150.0, abs=0.1)
            bench.meter.press_null()
            sample = next(meter.stream())
            assert abs(sample.value_v) < 0.1, "it would look like a point that is discharged"
            assert "relative" in sample.flags
            bench.meter.null_v = None
            assert meter.read().value_v == pytest.approx(150.0, abs=0.1)


@pytest.mark.parametrize("dialect", SCOPES)
def test_scope_and_generator(wiring, tmp_path, dialect):
    with SimulatedBench(wiring.plant, scope=dialect) as bench:
        bench.wiring.clip(1, "IN")
        bench.wiring.clip(2, "OUT")
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_generator(described) as generator, open_scope(described) as scope:
            generator.set_sine(1000.0, 1.0)
            scope.set_channel(Channel(channel=1, full_scale_v=1.6))
            scope.set_channel(Channel(channel=2, full_scale_v=16.0, centre_v=150.0))
            scope.set_timebase(Timebase(span_s=0.01, points=2000))
            scope.set_trigger(Trigger(source="ch1"))
            with generator.measuring():
                assert bench.wiring.drive.on
                scope.single(3.0)
                first, second = scope.fetch(1, "IN"), scope.fetch(2, "OUT")
            assert not bench.wiring.drive.on
    assert np.ptp(first.volts) == pytest.approx(1.0, rel=0.1)
    assert np.ptp(second.volts) == pytest.approx(10.0, rel=0.1)
    assert np.mean(second.volts) == pytest.approx(150.0, rel=0.03)
    assert np.corrcoef(first.volts, second.volts)[0, 1] < -0.99


COMMANDS = {"set", "ask", "before", "again", "read", "relative", "range_ask", "resolution_ask", "stop", "single",
            "preamble", "data", "page_first", "page_last", "setup", "clear"}  # fmt: skip


def commands(tree):
    """Every command template of a dialect file; recorded exchanges and replies aside."""
    for key, value in tree.items() if isinstance(tree, dict) else ():
        if key == "recorded":
            continue
        if key in COMMANDS:
            yield from [value] if isinstance(value, str) else value
        else:
            yield from commands(value)


@pytest.mark.parametrize("dialect", ["scpi-meter", "scpi-generator", *SCOPES])
def test_simulated_instrument_knows_every_command_of_its_dialect(wiring, dialect):
    templates = set(commands(read_yaml(find_config("dialects", dialect)).tree))
    assert len(templates) > 10
    role = dialect.rpartition("-")[2]
    with SimulatedBench(wiring.plant, scope=dialect if role == "scope" else "ten-field-scope") as bench:
        device = getattr(bench, role)
        for template in sorted(templates):
            device.errors.clear()
            device.handle(template.replace("{channel}", "1").replace("{value}", "1").encode())
            assert not [text for code, text in device.errors if code == -113], template


def test_every_dialect_has_a_simulated_instrument():
    assert set(config_names("dialects")) == {"scpi-meter", "stream-meter", "scpi-generator", *SCOPES}
