"""Cables pulled out and plugged in again under the real verbs: what is said and when, and that the work goes on."""

import threading

import pytest

from acquisition.configs import find_config
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.hands import Hands
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.demo.plant import TablePlant, load_table
from analysis.gain import gains_kept
from tests.analysis.app.cables import Keys, Person, SerialCable, SocketCable, StreamCable
from tests.analysis.app.test_gain_verb import BenchStage
from tests.waiting import Waiting

TOLD_S = 2.0
"""Within which the person hears of it; a busy machine is given as much again."""


@pytest.mark.parametrize(
    ("meter", "medium"),
    [("scpi-meter", SocketCable), ("scpi-meter", SerialCable), ("stream-meter", StreamCable)],
    ids=["socket", "serial", "streaming"],
)
def test_the_meter_is_pulled_out_in_mid_survey(tmp_path, monkeypatch, meter, medium):
    """After the first reading; the second is right, in the same run, without a key."""
    job, keys = tmp_path / "amp.stagewalk", Keys()
    pulled_s, heard_s = [], []
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3, meter=meter) as bench, Waiting() as waited:
        cable = medium(bench, "meter", tmp_path)
        person = Person(Hands(bench.wiring, seed=3, pace=0.2), keys.put, last="V1.8")
        if bench.stream is not None:
            bench.meter.conversion_s = 0.1
        text = bench.bench_text().replace(bench.resources()["meter"], cable.resource)
        (tmp_path / "bench.yaml").write_text(text)

        def hear(line="", **options):
            line = person.hear(line)
            if line.startswith("== V1.3"):
                cable.pull()
                pulled_s.append(waited.s)
            if "The meter is lost" in line:
                heard_s.append(waited.s)
                assert "goes on by itself" in line
                threading.Timer(0.5, cable.plug_in).start()

        monkeypatch.setattr("click.echo", hear)
        monkeypatch.setattr("sys.stdin", keys)
        options = ["--chassis", "quayside-five", "--from", "V1.3", "--mains", "231", "--tubes-glow", "--bench"]
        try:
            assert main(["survey", str(job), *options, str(tmp_path / "bench.yaml")]) == 0, person.told
        finally:
            keys.put("")
            cable.close()
    assert len(heard_s) == 1, "said once"
    print(f"told after {heard_s[0] - pulled_s[0]:.2f} s")
    assert heard_s[0] - pulled_s[0] < 2 * TOLD_S
    assert any("The meter answers again" in line for line in person.told)
    with open_job(job, read_only=True) as opened:
        kept = {reading.point: reading for reading in opened.read_pass("as-found").readings}
    assert set(kept) == {"V1.3", "V1.8"}
    # The table, solved by another program, holds 1.9604 V for V1.8.
    assert kept["V1.8"].value == pytest.approx(1.9604, rel=1e-3 if meter == "scpi-meter" else 1e-2)


class Puller:
    """Pulls the cables in mid-sweep, each at a shot of the scope, and plugs it in half a second later."""

    def __init__(self, bench, cables, waited):
        self.cables, self.shots, self.pulled_s, self.waited = cables, 0, {}, waited
        self.handle, bench.scope.handle = bench.scope.handle, self.watch

    def watch(self, message):
        self.shots += b":SING" in message
        if self.shots in self.cables:
            cable = self.cables.pop(self.shots)
            self.pulled_s[cable.resource] = self.waited.s
            threading.Thread(target=self.pull, args=(cable,)).start()
        return self.handle(message)

    def pull(self, cable):
        cable.pull()
        threading.Timer(0.5, cable.plug_in).start()


@pytest.mark.parametrize("medium", [SocketCable, SerialCable], ids=["socket", "serial"])
def test_instruments_are_pulled_out_in_mid_sweep(tmp_path, medium, monkeypatch):
    """The scope, then the generator: the same run goes on, each frequency is taken once.

    The generator is off while a scope is waited for, and afterwards.
    """
    job = tmp_path / "board.stagewalk"
    with SimulatedBench(BenchStage()) as bench, Waiting() as waited:
        bench.wiring.clip(1, "V1.6")
        bench.wiring.clip(2, "V1.5")
        cables = {role: medium(bench, role, tmp_path) for role in ("scope", "generator")}
        text = bench.bench_text()
        for role, cable in cables.items():
            text = text.replace(bench.resources()[role], cable.resource)
        chassis = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
        create_job(job, "bench-6c4", chassis, text).close()
        puller, heard, told = Puller(bench, {3: cables["scope"], 4: cables["generator"]}, waited), [], []

        def echo(said="", **options):
            told.append(str(said))
            if " ".join(" ".join(told).split()).count("It is looked for") > len(heard):
                heard.append((waited.s, bench.wiring.drive.on))

        monkeypatch.setattr("click.echo", echo)
        try:
            assert main(["gain", str(job), "stage", "--drive", "0.5", "--sweep", "500:2k:3", "--ready"]) == 0
        finally:
            for cable in cables.values():
                cable.close()
        assert len(heard) == 2, told
        for (told_s, _), pulled_s in zip(heard, puller.pulled_s.values(), strict=True):
            print(f"told after {told_s - pulled_s:.2f} s")
            assert told_s - pulled_s < 2 * TOLD_S
        assert [was_on for _, was_on in heard] == [False, True], "a generator that is lost cannot be switched off"
        assert not bench.wiring.drive.on
    with open_job(job, read_only=True) as opened:
        kept = opened.read_pass("as-found")
    gains = [reading for reading in kept.readings if reading.quantity == "gain"]
    assert len(gains) == len({reading.freq_hz for reading in gains}) == 3
    # Textbook gain of the stage behind the bench: mu RL / (rp + RL + (mu + 1) Rk) = 11.64.
    assert [reading.value for reading in gains] == pytest.approx([11.64] * 3, rel=0.06)
    assert [gain.magnitude for gain in gains_kept(kept.captures, "V1.6", "V1.5")] == [r.value for r in gains]
