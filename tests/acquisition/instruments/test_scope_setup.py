"""A scope is left as it was found, in every dialect."""

import dataclasses
import math

import numpy as np
import pytest

from acquisition.capture import ScopeRules, StageCapture, Tap
from acquisition.clock import FakeClock
from acquisition.instruments import Channel, check_instrument, load_bench, open_generator, open_scope
from acquisition.instruments.scope_setup import read_setup, restore_setup
from acquisition.simulated.bench import SCOPES, SimulatedBench
from acquisition.simulated.parser import ScpiError


class Flat:
    """Every point is the generator."""

    def dc_v(self, point, load_ohm=math.inf):
        return 0.0

    def settle_s(self, point):
        return 0.01

    def ripple(self, point):
        return []

    def response(self, points, freq_hz, loads_s):
        return np.ones(len(points), complex)

    def swing_v(self, point):
        return (-100.0, 100.0)


LEFT = {
    "ten-field-scope": ("AVER", "GLIT"),
    "ten-field-codes-scope": ("PEAK", "PULS"),
    "keyword-scope": ("AVE", "PUL"),
}
"""How somebody left it: acquisition, and what it triggers on."""

PLAIN = {
    "ten-field-scope": ("NORM", "EDGE", "NORM"),
    "ten-field-codes-scope": ("NORM", "EDGE", "NORM"),
    "keyword-scope": ("SAM", "EDG", "NORM"),
}
"""What measuring needs: samples as they are, an edge, no trigger without a signal."""


@pytest.mark.parametrize("dialect", SCOPES)
def test_the_scope_is_set_as_it_was(tmp_path, dialect):
    with SimulatedBench(Flat(), scope=dialect) as bench:
        bench.wiring.clip(1, "IN")
        bench.wiring.clip(2, "OUT")
        scope = bench.scope
        scope.channels[1].input_scale_v = 0.5
        scope.channels[1].centre_v = 1.5
        scope.channels[2].shown = False
        scope.channels[2].ac = True
        scope.channels[2].inverted = True
        scope.time_scale_s, scope.position_s, scope.points = 0.02, 0.05, 1000
        scope.source, scope.rising, scope.level_v = 2, False, 0.25
        scope.acquisition, scope.trigger_mode, scope.sweep, scope.stops = *LEFT[dialect], "AUTO", False
        scope.run()

        def state():
            channels = {n: dataclasses.asdict(c) for n, c in scope.channels.items()}
            return (
                channels,
                (scope.acquisition, scope.trigger_mode, scope.sweep, scope.state),
                scope.stops or dialect != "keyword-scope",  # only there it is a setting
                scope.time_scale_s,
                scope.position_s,
                scope.points,
                scope.source,
                scope.rising,
                scope.level_v,
            )

        before = state()
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_generator(described) as generator, open_scope(described) as driver:
            setup = read_setup(driver.session, (1, 2), driver.found)
            assert (scope.acquisition, scope.trigger_mode, scope.sweep) == PLAIN[dialect]
            taps = [Tap(point="IN", channel=1), Tap(point="OUT", channel=2)]
            rules = ScopeRules(tip_rated_v=600.0, input_rated_v=300.0)
            capture = StageCapture(generator, driver, taps, rules, lambda record: None, clock=FakeClock())
            with capture.driven(1000.0, 0.5) as shoot:
                shoot()
            assert state() != before
            assert restore_setup(driver.session, setup) == []
        assert state() == before


def test_what_cannot_be_set_again_is_said(tmp_path):
    with SimulatedBench(Flat()) as bench:
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_scope(described) as driver:
            setup = read_setup(driver.session, (1, 2))
            wild = tuple((s, c, 1e9 if s.set and "SCAL" in s.set and c else v) for s, c, v in setup.values)
            left = restore_setup(driver.session, dataclasses.replace(setup, values=wild))
    assert left


def test_a_word_the_dialect_does_not_know_is_told_and_left_alone(tmp_path):
    with SimulatedBench(Flat()) as bench:
        bench.scope.acquisition = "STRANGE"
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_scope(described) as driver:
            left = restore_setup(driver.session, read_setup(driver.session, (1, 2), driver.found))
        assert left == [":ACQ:TYPE? gave 'STRANGE'"]
        assert bench.scope.state == "stopped"  # it was found so


def refuses_to_tell(scope, header):
    """Have the scope say that it has no such setting now, as some do of what another mode does not use."""

    def ask(suffixes, parameters):
        raise ScpiError(-221, "Settings conflict;not in this mode")

    (found,) = [entry for entry in scope._commands if entry[0].fullmatch(header)]
    scope._commands[scope._commands.index(found)] = (found[0], found[1], ask, *found[3:])


@pytest.mark.parametrize("header", ["TRIG:EDGE:LEV", "ACQ:TYPE"])
def test_a_setting_that_the_scope_has_not_in_the_mode_it_was_left_in_does_not_keep_it_from_being_used(
    tmp_path, header
):
    with SimulatedBench(Flat()) as bench:
        refuses_to_tell(bench.scope, header)
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_scope(described) as driver:
            setup = read_setup(driver.session, (1, 2), driver.found)
    (unread,) = setup.unread
    assert f"{header}?: -221" in unread


def test_a_scope_that_knows_no_inverted_channel_is_used_without(tmp_path):
    with SimulatedBench(Flat()) as bench:
        scope = bench.scope
        scope._commands = [entry for entry in scope._commands if not entry[0].fullmatch("CHAN1:INV")]
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        assert "whether a channel is inverted" in check_instrument(described, "scope").reading
        with open_scope(described) as driver:
            setup = read_setup(driver.session, (1, 2), driver.found)
            assert driver.set_channel(Channel(channel=1, full_scale_v=8.0)).full_scale_v == 8.0
            assert restore_setup(driver.session, setup) == []


def test_one_setting_that_cannot_be_set_again_does_not_keep_the_others_from_it(tmp_path):
    with SimulatedBench(Flat()) as bench:
        bench.scope.channels[2].ac, bench.scope.time_scale_s = True, 0.02
        described = load_bench(str(bench.write(tmp_path / "bench.yaml")))
        with open_scope(described) as driver:
            setup = read_setup(driver.session, (1, 2), driver.found)
            bench.scope.channels[2].ac, bench.scope.time_scale_s = False, 1e-3
            refuses_to_tell(bench.scope, "CHAN1:PROB")
            left = restore_setup(driver.session, setup)
        assert (bench.scope.channels[2].ac, bench.scope.time_scale_s) == (True, 0.02)
    assert any("not in this mode" in each for each in left)
