"""What the tabs are told: panels of plain data from samples, actions, readings and findings. No instrument here."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from acquisition.records import UNKNOWN_RATING_V, verdict_text

if TYPE_CHECKING:
    from acquisition.errors import BenchError
    from acquisition.instruments import Sample
    from acquisition.probing import Guided
    from acquisition.records import Pass, Reading, SurveyStep
    from acquisition.steady import State
    from analysis.chassis import Chassis


def error_words(error: BenchError) -> str:
    """An error as one line with its hint.

    Parameters
    ----------
    error : BenchError
        What went wrong.
    """
    return f"{error}: {error.hint}" if error.hint else str(error)


def meter_panel(sample: Sample, state: str) -> dict[str, Any]:
    """The digits, as many as the meter resolves.

    Parameters
    ----------
    sample : Sample
        The newest.
    state : str
        ``open``, ``touched``, ``settling``, ``taken`` or ``lift``.
    """
    if not sample.is_reading:
        text = "over" if "overload" in sample.flags else "none"
        return {
            "text": text,
            "unit": "",
            "state": text,  # where the tip is cannot be told: "open lead" beside an overload would play it down
            "link": "wait",
            "words": sample.reason,
        }
    decimals = 3
    if sample.resolution_v > 0:
        decimals = min(6, max(0, round(-math.log10(sample.resolution_v))))
    # Six significant digits are more than anyone reads at a glance.
    size = abs(sample.value_v)
    decimals = min(decimals, 2 if size >= 100 else 3)
    text = f"{sample.value_v:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")
    return {"text": text, "unit": "V", "state": state, "link": "good", "words": "reading"}


def probe_state(machine: Guided | None, state: State) -> str:
    """The word for where the tip is.

    Parameters
    ----------
    machine : Guided or None
        The survey or the watch, when one runs.
    state : State
        Of the steady detector.
    """
    from acquisition.probing import Phase
    from acquisition.watching import Watching

    if isinstance(machine, Watching):
        return "taken" if machine.is_at_rest else "settling" if machine.phase is Phase.WATCHING else "open"
    if machine is not None and machine.phase is Phase.LIFT:
        return "lift"
    return {"away": "open", "touched": "touched", "bouncing": "touched", "settling": "settling", "taken": "taken"}[
        str(state)
    ]


def step_panel(step: SurveyStep, machine: Guided, chassis: Chassis) -> dict[str, Any]:
    """The point in hand, in words and as a pin of a base.

    Parameters
    ----------
    step : SurveyStep
        The point.
    machine : Guided
        For its place among the points.
    chassis : Chassis
        What sits in the sockets.
    """
    socket, _, pin = step.point.partition(".")
    tube = chassis.sockets.get(socket)
    panel: dict[str, Any] = {
        "running": True,
        "point": step.point,
        "count": f"Point {machine.index + 1} of {len(machine.steps)}",
        "title": f"{socket} pin {pin}" if tube is not None and pin else step.point,
        "function": step.function,
        "healthy": f"Healthy: {' '.join(healthy)}" if (healthy := healthy_words(step)) else "",
        "hazard": "",
        "tube": tube.name if tube is not None and pin.isdigit() else None,
        "pin": int(pin) if pin.isdigit() else None,
        "base_words": f"{socket}, {tube.name}: {step.place}" if tube is not None else step.place,
    }
    if step.worst_v > UNKNOWN_RATING_V:
        panel["hazard"] = f"High voltage here: up to {step.worst_v:.0f} V in a fault"
    return panel


def healthy_words(step: SurveyStep | None) -> list[str]:
    """What a healthy chassis reads at a point, as one line or two; none where nothing tells.

    Parameters
    ----------
    step : SurveyStep or None
        With its band.
    """
    from acquisition.probing.wording import NEARLY_ZERO_V, volts

    if step is None or step.low_v is None or step.high_v is None:
        return []
    if max(abs(step.low_v), abs(step.high_v)) < NEARLY_ZERO_V:
        return ["next to 0 V"]
    return [volts(step.low_v), f"to {volts(step.high_v)}"]


def spoken_step(step: SurveyStep) -> str:
    """The point as a voice says it: short, the hazard first.

    Parameters
    ----------
    step : SurveyStep
        The point.
    """
    socket, _, pin = step.point.partition(".")
    name = f"{' '.join(socket)} pin {pin}" if pin else " ".join(step.point)
    hazard = "High voltage. " if step.worst_v > UNKNOWN_RATING_V else ""
    expected = f", expect about {step.expected_v:.3g}" if step.expected_v is not None else ""
    return f"{hazard}{name}, {step.function}{expected}"


def taken_row(reading: Reading, step: SurveyStep | None) -> dict[str, Any]:
    """One line of the list of readings.

    Parameters
    ----------
    reading : Reading
        On disk.
    step : SurveyStep or None
        With its band.
    """
    from acquisition.probing.wording import said_of, verdict_of
    from analysis.report.words import quality_text

    verdict = verdict_of(step, reading)
    return {
        "point": reading.point,
        "function": step.function if step is not None else "",
        "value": reading.value,
        "healthy": healthy_words(step),
        "verdict": verdict or None,
        # Of a reading that nothing judged only a flaw is told: "good", its quality, would stand there as a verdict.
        "verdict_words": said_of(step, reading) or quality_text(reading.quality),
    }


NO_POINT: Mapping[str, Any] = {
    **dict.fromkeys(("function", "healthy", "hazard", "verdict", "base_words"), ""),
    **dict.fromkeys(("tube", "pin")),
}
"""Neither name nor base of a point, once it is over: the digits are of wherever the lead is now."""


def over_panel(
    panel: Mapping[str, Any], words: str, rows: Collection[Mapping[str, Any]], *, left: bool
) -> dict[str, Any]:
    """The end of a round: what it comes to, in place of what was said of its last point.

    Parameters
    ----------
    panel : mapping
        The step as it was shown last.
    words : str
        Of the survey.
    rows : collection of mapping
        The list of readings, from `taken_row`.
    left : bool
        There are points to go round for again.
    """
    off = [row["point"] for row in rows if row["verdict"] in ("low", "high")]
    outside = f" Outside what a healthy chassis shows: {', '.join(off)}." if off else ""
    return {
        **panel,
        **NO_POINT,
        "title": "Some points are left" if left else "Every point was read",
        "count": "Survey over",
        "prompt": words + outside,
        "left": left,
        "over": True,
    }


def verdict_words(verdict: str, step: SurveyStep, reading: Reading) -> str:
    """The verdict as a line.

    Parameters
    ----------
    verdict : str
        ``agrees``, ``low`` or ``high``.
    step : SurveyStep
        With its band.
    reading : Reading
        The reading.
    """
    from acquisition.probing.wording import volts

    text = volts(reading.value)
    if reading.std and 2 * reading.std >= 5e-4:
        text = f"{text} ± {volts(2 * reading.std)}"
    if verdict == "agrees":
        return f"{text} agrees with a healthy chassis"
    words = verdict_text(verdict, "dc_v", reading.value, step.high_v)
    if words != verdict:  # both limits, for "up to" is no clear word below zero
        return f"{text} is {words}: healthy {volts(step.low_v or 0.0)} to {volts(step.high_v or 0.0)}"
    limit = step.low_v if verdict == "low" else step.high_v
    return f"{text} is {verdict}: healthy {'from' if verdict == 'low' else 'up to'} {volts(limit or 0.0)}"


def suspects_panel(found: Mapping[str, Any], points: int | None, settled: bool = True) -> dict[str, Any]:
    """The suspects worth showing and the reading advised.

    Parameters
    ----------
    found : mapping
        As the verb ``suspects`` prints it.
    points : int or None
        Points it rests on; a page that shows more of them says that the list is behind. None where nothing is
        weighed.
    settled : bool
        False at a glance, while the same readings are weighed in full.
    """
    from analysis.report.words import chance_text, place_text, with_signs

    rows = [
        {
            "part": place_text(s["part"], s.get("section", "")),
            "fault": s["fault"],
            "probability": s["probability"],
            "chance": chance_text(s["probability"]),
            "estimate": with_signs(s["estimate"]["text"]) if s["estimate"] and s["probability"] > 0.05 else "",
            "because": with_signs(s["because"]) if s["probability"] > 0.1 else "",
        }
        for s in found["suspects"][:4]
        if s["probability"] >= 0.02
    ]
    advice = ""
    if found["next"]:
        best = found["next"][0]
        why = best["why"]
        advice = f"Read next: {best['text']}. {why[:1].upper()}{why[1:]}"
    pulled = found.get("tube_out", ())
    if found["power_off"] and not pulled:
        opened = found["power_off"][0]
        advice = f"No live reading tells more. {opened['part']}: {opened['what']}"
    for out in pulled:
        then = f"Or with the power off pull {', '.join(out['pull'])}, then: {out['text']}. {out['why']}"
        advice = f"{advice} {then}".strip()
    return {
        "points": points,
        "settled": settled,
        "suspects": rows,
        "nothing_wrong": None
        if found["healthy_probability"] is None
        else chance_text(found["healthy_probability"]),
        "advice": with_signs(advice),
        "point": next((p["point"] for p in found["next"] if p["quantity"] == "dc_v"), None),
        "asked": found.get("asked", []),
        "counted": [with_signs(f"{words[:1].upper()}{words[1:]}.") for words in found.get("counted", ())],
        "pull": {"what": pulled[0]["pull"], "pass": pulled[0]["pass"], "out": pulled[0]["out"]} if pulled else None,
        "words": " ".join(found["notes"]),
    }


def job_panel(name: str, chassis: Chassis, one: Pass, passes: Sequence[Pass]) -> dict[str, Any]:
    """What does not change while a pass is in hand, and the list of passes.

    Parameters
    ----------
    name : str
        Of the job.
    chassis : Chassis
        Its file.
    one : Pass
        The pass being read.
    passes : sequence of Pass
        All that have begun.
    """
    from acquisition.probing.wording import CAUTIONS
    from analysis.report.words import standing_text

    return {
        "name": name,
        "chassis": chassis.title,
        "pass": one.name,
        "passes": [other.name for other in passes],
        "begun": {
            other.name: {"mains_v": other.mains_v, "pulled": " ".join(other.pulled), "read": bool(other.readings)}
            for other in passes
        },
        "stages": [{"name": s.name, "from": s.source, "to": s.target} for s in chassis.stages.values()],
        "mains_v": one.mains_v,
        "pulled": " ".join(one.pulled),
        "stood": standing_text(one.pulled) if one.pulled else "",
        "mains_words": f"Drawing: {chassis.mains_v:g} V. Left empty, points that can reach more than "
        f"{UNKNOWN_RATING_V:g} V are left out.",
        "cautions": list(CAUTIONS),
    }
