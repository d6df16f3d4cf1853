"""Instruments that hang, take 3 s or are others all at once, in a sweep and a survey: what is told when. By hand:

python -m tests.outside.hanging_instruments
"""

import sys
import tempfile
import threading
import time
from pathlib import Path

import click

from acquisition.configs import find_config
from acquisition.simulated.bench import SimulatedBench
from acquisition.simulated.faults import late
from acquisition.simulated.hands import Hands
from acquisition.store import create_job, open_job
from analysis.app.cli import main as stagewalk
from analysis.app.demo.plant import TablePlant, load_table
from tests.analysis.app.cables import Keys, Person
from tests.analysis.app.test_gain_verb import BenchStage

GONE_S = 4.0


def silent(device, link):
    """No answer to anything for a while."""
    link.mischief.cue("silence", times=100_000)
    threading.Timer(GONE_S, link.mischief.calm).start()


def slow(device, link):
    """One answer after 3 s."""
    link.mischief.cue("late", fault=late(3.0))


def exchanged(device, link):
    """Another instrument behind the address for a while."""
    mine, device.identity = device.identity, "SOMEBODY,ELSE,1,1"
    link.drop()

    def back():
        device.identity = mine
        link.drop()

    threading.Timer(GONE_S, back).start()


def sweep(role, mischief, folder):
    """Lines told from the moment of the mischief on, with their seconds, and whether the sweep is whole."""
    job, told, began_s = folder / "board.stagewalk", [], []
    with SimulatedBench(BenchStage()) as bench:
        bench.wiring.clip(1, "V1.6")
        bench.wiring.clip(2, "V1.5")
        chassis = find_config("chassis", "bench-6c4").read_text(encoding="utf-8")
        create_job(job, "bench-6c4", chassis, bench.bench_text()).close()
        handle, shots = bench.scope.handle, []

        def watch(message):
            shots.extend([message] * (b":SING" in message))
            if len(shots) == 3 and not began_s:
                began_s.append(time.monotonic())
                mischief(getattr(bench, role), bench.links[role])
            return handle(message)

        bench.scope.handle = watch
        click.echo = lambda line="", **_: told.append((time.monotonic(), str(line)))
        code = stagewalk(["gain", str(job), "stage", "--drive", "0.5", "--sweep", "500:2k:3", "--ready"])
        is_off = not bench.generator.output
    with open_job(job, read_only=True) as opened:
        gains = [r.value for r in opened.read_pass("as-found").readings if r.quantity == "gain"]
    # Textbook gain of the stage behind the bench: mu RL / (rp + RL + (mu + 1) Rk) = 11.64.
    fine = code == 0 and is_off and len(gains) == 3 and all(abs(gain / 11.64 - 1) < 0.06 for gain in gains)
    words = ("no answer of", "looked for", "answers again")
    return [(s - began_s[0], line) for s, line in told if any(w in line for w in words)], fine


def slow_survey(folder):
    """Lines of a point by a meter that takes 3 s for each reading, with ``query_s`` in its bench file."""
    job, keys, told = folder / "amp.stagewalk", Keys(), []
    with SimulatedBench(TablePlant(load_table(), "leaky"), seed=3) as bench:
        person = Person(Hands(bench.wiring, seed=3, pace=0.2), keys.put, last="V1.3")
        text = bench.bench_text().replace("rating_v: 1000, nplc: 1", "rating_v: 1000, nplc: 1, query_s: 4")
        (folder / "bench.yaml").write_text(text)
        bench.links["meter"].mischief.cue("late", on=b"READ", times=100_000, fault=late(3.0))
        began_s = time.monotonic()
        click.echo = lambda line="", **_: told.append((time.monotonic() - began_s, person.hear(str(line))))
        sys.stdin = keys
        options = ["--chassis", "quayside-five", "--from", "V1.3", "--mains", "231", "--tubes-glow", "--bench"]
        code = stagewalk(["survey", str(job), *options, str(folder / "bench.yaml")])
        keys.put("")
    return [each for each in told if each[1].startswith(("   Tip", "   Touch", "== V1.3"))], code == 0


def main():
    bad, echo = 0, click.echo
    for role in ("scope", "generator"):
        for mischief in (silent, slow, exchanged):
            with tempfile.TemporaryDirectory() as folder:
                lines, fine = sweep(role, mischief, Path(folder))
            bad += not fine
            echo(f"{role} {mischief.__name__}: {'sweep whole, generator off' if fine else 'BAD'}")
            for after_s, line in lines:
                echo(f"  {after_s:5.2f} s  {line[:110]}")
    with tempfile.TemporaryDirectory() as folder:
        lines, fine = slow_survey(Path(folder))
    bad += not fine
    echo(f"meter of 3 s a reading, query_s 4: {'point taken' if fine else 'BAD'}")
    for after_s, line in lines:
        echo(f"  {after_s:5.2f} s  {line[:110]}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
