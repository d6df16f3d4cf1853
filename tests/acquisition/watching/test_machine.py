"""The watch: what has to be confirmed, what is kept before it is told, limits, marks, the end."""

import math
from pathlib import Path

import pytest

from acquisition.errors import StoreError
from acquisition.instruments.samples import Sample
from acquisition.probing import ActionKind, Do, Key, Phase, ProbingLimits
from acquisition.records import SETTLED, SurveyStep
from acquisition.watching import Course, Watching, WatchOptions

CATHODE = SurveyStep(
    point="V3.3", function="cathode of V3", place="noval base, pin 3", expected_v=7.7, low_v=6.9, high_v=8.6,
    worst_v=290.0, neighbours={"V3.9": 268.0},
)  # fmt: skip


class Disk:
    """Keeps what it is given, unless it is full."""

    def __init__(self):
        self.kept, self.full = [], False

    def _keep(self, one):
        if self.full:
            raise StoreError("amp.stagewalk: the disk is full", hint="make room")
        self.kept.append(one)

    stretch = event = reading = _keep

    def of(self, name):
        return [one for one in self.kept if type(one).__name__ == name]


class Bench:
    """A watch with a meter on it that reads what it is told."""

    def __init__(self, step=CATHODE, look=None, settled_s=300.0, **options):
        self.disk, self.t_s, self.actions = Disk(), 0.0, []
        limits = ProbingLimits(meter_rated_v=600.0, lead_rated_v=600.0)
        self.machine = Watching(
            step, limits, Course(settled_s), self.disk, lambda sample: 0.01, lambda: f"at {self.t_s:.2f}",
            WatchOptions(instrument="meter 1", **options), look,
        )  # fmt: skip
        self._take(self.machine.start())

    def _take(self, actions):
        self.actions += actions
        return actions

    def read(self, value_v, for_s=0.25):
        """Have the meter read something for a while."""
        told = []
        for _ in range(max(1, round(4 * for_s))):
            self.t_s += 0.25
            given = value_v(self.t_s) if callable(value_v) else value_v
            flags = {"flags": frozenset({"overload"})} if math.isnan(given) else {"resolution_v": 0.001}
            sample = Sample(t_s=self.t_s, value_v=given, range_v=60.0, **flags)
            told += self._take(self.machine.sample(sample))
        return told

    def press(self, key=Key.SPACE):
        return self._take(self.machine.key(key))

    def begin(self):
        while self.machine.phase is not Phase.WATCHING:
            self.read(0.002)
            self.press()
        self.actions.clear()
        return self


def texts(actions, kind=None):
    return [action.text for action in actions if kind in (None, action.kind)]


def test_the_lead_is_clipped_on_with_the_power_off_and_the_watch_begins_before_switch_on():
    bench = Bench()
    assert len(texts(bench.actions, ActionKind.CAUTION)) == 3
    asked = []
    while bench.machine.phase is not Phase.WATCHING:
        asked.append(bench.actions[-1].do)
        bench.read(0.002)
        bench.press()
    assert bench.machine.doing == "moving, 0:00"
    assert asked == [Do.PREPARE, Do.DISCHARGE, Do.VERIFY, Do.CLIP, Do.HANDS_AWAY, Do.POWER_ON]
    assert not bench.disk.kept


def test_a_point_that_still_has_volts_is_not_clipped_on():
    bench = Bench()
    for _ in range(2):
        bench.read(0.002)
        bench.press()
    bench.read(41.0)
    assert bench.press()[0].kind is ActionKind.CAUTION
    assert bench.machine.phase is Phase.VERIFYING


def test_a_warm_up_is_kept_second_by_second_and_the_settled_value_is_a_reading():
    bench = Bench(settled_s=60.0, mains_v=231.0).begin()
    bench.read(0.0, 20.0)  # the tubes are cold
    bench.read(lambda t: 7.7 * (1 - math.exp(-(t - 21.5) / 5.0)), 120.0)
    stretches = bench.disk.of("Stretch")
    assert [round(one.end_s) for one in stretches[:3]] == [1, 2, 3]
    assert sum(one.samples for one in stretches) >= 4 * 139
    assert {one.begun_utc for one in stretches} == {"at 1.50"}
    [reading] = bench.disk.of("Reading")
    assert reading.value == pytest.approx(7.7, rel=0.003)
    assert (reading.point, reading.quality, reading.std) == ("V3.3", "good", 0.01)
    assert reading.note.startswith("mains 231 V, 1.")
    assert reading.note.endswith("watched until it settled")
    told = texts(bench.actions)
    assert [text for text in told if "stands" in text] == ["0:58 V3.3 stands at 7.683 V, agrees."]
    assert texts(bench.actions, ActionKind.TAKEN)[0].endswith("settled, agrees")
    assert not [text for text in told if "0.000" in text or "leaves" in text]


def test_what_stays_at_nothing_is_told_when_tubes_are_warm():
    bench = Bench().begin()
    bench.read(0.0, 70.0)
    assert texts(bench.actions, ActionKind.NEWS) == ["1:00 V3.3 stands at 0.000 V, low."]


def test_what_stays_at_nothing_has_settled_there_once_tubes_are_warm():
    bench = Bench(settled_s=30.0).begin()
    bench.read(0.002, 59.0)
    assert not bench.disk.of("Reading")
    bench.read(0.002, 5.0)
    assert [reading.value for reading in bench.disk.of("Reading")] == [pytest.approx(0.002)]


def test_a_tap_that_breaks_contact_is_heard_at_once_and_is_on_disk_first():
    bench = Bench().begin()
    bench.read(7.7, 40.0)
    [mark] = bench.press()
    assert mark.text == "0:40 V3.3 mark 1 at 7.700 V."
    told = bench.read(3.0)
    assert texts(told) == ["0:40 V3.3 leaves 7.700 V: 3.000 V."]
    assert bench.disk.of("Event")[-1].text == "0:40 leaves 7.700 V: 3.000 V"
    assert texts(bench.read(7.7, 2.0)) == ["0:40 V3.3 was away from 7.700 V for 0.2 s, as far as 3.000 V."]
    done = bench.press(Key.QUIT)
    assert "3.000 V to 7.700 V, left where it stood once, 1 mark." in done[-1].text
    assert [event.subject for event in bench.disk.of("Event")] == ["V3.3"] * 4


def test_a_rest_that_means_something_else_than_before_is_told():
    bench = Bench().begin()
    bench.read(lambda t: 8.0 + t / 200.0, 300.0)  # creeps out of its band, slower than anything that is noticed
    assert [text.partition(" stands")[2] for text in texts(bench.actions, ActionKind.NEWS)] == [
        " at 8.041 V, agrees.",
        " at 8.766 V, high.",  # half a minute after it is out, that it was no swaying
    ]


def test_limits_of_ones_own_ring_once_until_it_is_back():
    bench = Bench(above_v=8.0, below_v=7.0).begin()
    for value_v in (7.5, 8.2, 8.3, 7.5, 8.2, 6.0):
        bench.read(value_v, 0.5)
    cautions = [text.split(" V3.3 ")[1] for text in texts(bench.actions, ActionKind.CAUTION)]
    above = "8.200 V is above 8.000 V, the limit that was set."
    assert cautions == [above, above, "6.000 V is below 7.000 V, the limit that was set."]


def test_a_limit_is_not_passed_on_the_way_up_from_nothing_nor_again_by_swaying_at_it():
    bench = Bench(below_v=7.0).begin()
    bench.read(0.0, 20.0)
    bench.read(7.5, 5.0)
    assert not texts(bench.actions, ActionKind.CAUTION)
    bench.read(lambda t: 6.99 + 0.03 * (round(4 * t) % 2), 10.0)
    assert len(texts(bench.actions, ActionKind.CAUTION)) == 1
    bench.read(7.5, 1.0)
    bench.read(6.0, 1.0)
    assert len(texts(bench.actions, ActionKind.CAUTION)) == 2
    high = Bench(above_v=7.0).begin()
    high.read(7.5, 0.25)  # beyond it from the first moment
    assert len(texts(high.actions, ActionKind.CAUTION)) == 1
    bias = Bench(above_v=-30.0).begin()
    bias.read(lambda t: -38.0 * (1 - math.exp(-t / 2.0)), 20.0)
    assert not texts(bias.actions, ActionKind.CAUTION)
    bias.read(-29.0, 1.0)
    assert texts(bias.actions, ActionKind.CAUTION) == [
        "0:20 V3.3 -29.00 V is above -30.00 V, the limit that was set."
    ]
    cold = Bench(below_v=7.0).begin()
    cold.read(0.0, 70.0)  # it never came up
    assert len(texts(cold.actions, ActionKind.CAUTION)) == 1


def test_a_value_that_sways_at_the_edge_of_its_band_is_told_once():
    bench = Bench().begin()
    bench.read(lambda t: 8.62 + 0.02 * (t // 18 % 2), 300.0)  # in its band, with the meter's doubt, and out again
    assert len(texts(bench.actions, ActionKind.NEWS)) <= 2


def test_a_value_beyond_lead_or_meter_is_told_and_the_watch_goes_on():
    bench = Bench().begin()
    bench.read(7.7, 5.0)
    told = bench.read(640.0, 5.0)
    assert [text for text in texts(told, ActionKind.CAUTION) if "640 V is above the rating" in text]
    assert len(texts(told, ActionKind.CAUTION)) == 1
    assert bench.machine.phase is Phase.WATCHING
    assert bench.disk.of("Stretch")[-1].mean_v == 640.0


def test_dissipation_is_told_where_the_value_stands_and_once():
    asked = []

    def look(value_v):
        asked.append(value_v)
        return ["V3 dissipates 14 W"] if value_v > 8.0 else []

    bench = Bench(look=look).begin()
    bench.read(7.7, 60.0)
    assert len(asked) < 12
    bench.read(8.5, 60.0)
    assert [text for text in texts(bench.actions, ActionKind.CAUTION) if "14 W" in text] == [
        "1:03 V3.3 V3 dissipates 14 W."
    ]


def test_a_tube_that_runs_away_is_told_of_though_it_never_stands():
    bench = Bench(look=lambda value_v: ["V3 dissipates 14 W"] if value_v > 8.0 else []).begin()
    bench.read(9.0, 5.0)  # what tubes do while they warm up is none of it
    bench.read(lambda t: 6.0 * 1.002**t, 150.0)  # 3 % in a quarter of a minute
    assert not [text for text in texts(bench.actions) if "stands at" in text]
    assert [text[4:] for text in texts(bench.actions, ActionKind.CAUTION)] == [" V3.3 V3 dissipates 14 W."]


def test_a_value_that_sways_at_a_rating_rings_once_until_it_is_back_for_good():
    bench = Bench(look=lambda value_v: ["V3 dissipates 14 W"] if value_v > 8.0 else []).begin()
    bench.read(lambda t: 8.05 if t // 10 % 2 else 7.95, 120.0)
    bench.read(lambda t: 601.0 if t % 1.0 else 599.0, 20.0)
    rung = [text.split("V3.3 ")[1] for text in texts(bench.actions, ActionKind.CAUTION)]
    assert [text[:19] for text in rung] == ["V3 dissipates 14 W.", "601 V is above the "]
    bench.read(7.7, 60.0)
    assert not bench.machine.has_warned
    assert [text for text in texts(bench.read(601.0), ActionKind.CAUTION) if "601 V is above the rating" in text]


def test_volts_beyond_the_rating_ring_while_the_tip_looks_for_what_is_left():
    bench = Bench()
    while bench.machine.phase is not Phase.VERIFYING:
        bench.read(0.002)
        bench.press()
    (told,) = texts(bench.read(640.0), ActionKind.CAUTION)
    assert "640 V is above the rating" in told


def test_another_pin_is_not_kept_as_a_reading():
    bench = Bench(settled_s=30.0).begin()
    bench.read(268.2, 60.0)
    # Nor does the report say that this point settled there.
    assert not [event.text for event in bench.disk.of("Event") if f" {SETTLED} " in event.text]
    assert not bench.disk.of("Reading")
    assert [text for text in texts(bench.actions) if "would fit V3.9: wrong pin?" in text]


def test_a_full_disk_is_told_once_and_nothing_is_lost_of_the_watch():
    bench = Bench().begin()
    bench.read(7.7, 5.0)
    bench.disk.full = True
    told = bench.read(7.7, 20.0)
    assert [text[:9] for text in texts(told, ActionKind.CAUTION)] == ["NOT kept:"]
    assert isinstance(bench.machine.not_kept, StoreError)
    bench.disk.full = False
    told = bench.read(7.7, 2.0)
    assert "Kept again, with all that waited." in texts(told)
    assert bench.machine.not_kept is None
    ends = [round(one.end_s) for one in bench.disk.of("Stretch")]
    assert ends == list(range(1, ends[-1] + 1))


def test_what_a_full_disk_did_not_take_is_kept_after_the_end_too():
    bench = Bench().begin()
    bench.disk.full = True
    bench.read(7.7, 5.0)
    (told,) = texts(bench.press(Key.QUIT), ActionKind.DONE)  # the disk was said to be full long ago
    assert "Not all of it is on disk." in told
    bench.disk.full = False
    assert texts(bench.read(7.7)) == ["Kept again, with all that waited."]
    assert bench.machine.not_kept is None
    assert round(bench.disk.of("Stretch")[-1].end_s) == 5
    assert bench.read(7.7) == []


def test_time_ends_it_and_the_last_second_is_kept():
    bench = Bench(watch_s=10.0).begin()
    bench.read(7.7, 30.0)
    assert bench.machine.phase is Phase.DONE
    assert bench.disk.of("Stretch")[-1].end_s == pytest.approx(10.0)
    assert bench.actions[-1].text.startswith("Watched V3.3 for 0:10: 7.700 V to 7.700 V. Mains off")


def test_overload_is_no_value():
    bench = Bench().begin()
    bench.read(7.7, 30.0)
    told = bench.read(math.nan, 20.0)
    assert [text for text in texts(told) if "gives no reading: beyond the range; that is not zero" in text]
    assert bench.machine.doing.startswith("moving")
    assert not [one for one in bench.disk.of("Stretch") if not math.isfinite(one.mean_v)]


def test_what_never_settles_is_told_at_the_end():
    bench = Bench(settled_s=60.0, watch_s=200.0).begin()
    bench.read(lambda t: 7.0 + t / 100.0, 201.0)
    assert "not settled" in bench.actions[-1].text
    assert not bench.disk.of("Reading")


def test_the_example_of_the_readme_is_what_such_a_course_makes():
    """A cathode on 10 ohm that comes up, warms through and loses its contact for a second after a mark."""
    place = SurveyStep(point="V4.8", function="cathode of V4", expected_v=0.434, low_v=0.189, high_v=0.856)

    def volts(t):
        if t < 14.0:
            return 0.0
        up_v = 0.4336 * (1 - math.exp(-(t - 14.0) / 6.0)) * (1.05 - 0.05 * (1 - math.exp(-t / 200.0)))
        return up_v * (0.7 if 700.0 < t < 701.2 else 1.0) * (1 + 0.002 * math.sin(7.3 * t))

    bench = Bench(step=place).begin()
    begun_s = bench.t_s
    bench.read(lambda t: volts(t - begun_s), 697.25)
    bench.press()
    bench.read(lambda t: volts(t - begun_s), 20.0)
    marks = {ActionKind.NEWS: "~~", ActionKind.TAKEN: "=="}
    made = [f"{marks[action.kind]} {action.text}" for action in bench.actions if action.kind in marks]
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    assert "\n".join(made) in readme
