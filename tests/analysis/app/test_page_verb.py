"""``stagewalk page --simulated``: never in the job of a real chassis, and a part that is changed is mended."""

from contextlib import ExitStack

import pytest

from acquisition.configs import find_config
from acquisition.probing import Action, ActionKind, Do
from acquisition.records import Event
from acquisition.store import create_job, open_job
from analysis.app.cli import main
from analysis.app.verbs.page import _simulated


def test_simulated_readings_never_get_into_the_job_of_a_real_chassis(tmp_path, capsys):
    job = tmp_path / "amp-1234.stagewalk"
    chassis = find_config("chassis", "quayside-five").read_text("utf-8")
    create_job(job, "quayside-five", chassis, find_config("benches", "example").read_text("utf-8")).close()
    assert main(["page", str(job), "--simulated", "--no-browser"]) == 2
    assert "was not read on the simulated bench" in capsys.readouterr().err
    with open_job(job, read_only=True) as kept:
        assert kept.passes() == ()
    new = tmp_path / "new.stagewalk"
    assert main(["page", str(new), "--chassis", "breakwater-pair", "--simulated", "--no-browser"]) == 2
    assert "the simulated bench has a quayside-five on it: leave --chassis out" in capsys.readouterr().err
    assert not new.exists()


def test_the_part_that_was_changed_is_mended_on_the_simulated_bench(tmp_path):
    path = tmp_path / "try.stagewalk"
    chassis = find_config("chassis", "quayside-five").read_text("utf-8")
    with ExitStack() as stack:
        bench, hands = _simulated(stack, str(path))
        job = stack.enter_context(create_job(path, "quayside-five", chassis, bench.bench_text()))
        job.start_pass("as-found", mains_v=231.0)
        for part, plate_v in (("R3", 96.4), ("C2", 154.5)):
            job.add_event("as-found", Event(kind="part_replaced", subject=part))
            hands.react(Action(kind=ActionKind.ASK, text="", do=Do.PREPARE))
            assert bench.wiring.plant.dc_v("V1.6") == pytest.approx(plate_v, abs=1.5)
