"""The ordinary drivers against the simulated bench, over real links, in every dialect."""

import numpy as np
import pytest

from acquisition.instruments import Channel, Timebase, Trigger, load_bench, open_generator, open_meter, open_scope
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
