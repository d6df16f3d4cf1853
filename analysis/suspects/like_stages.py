"""A chassis file with tubes only: rules of thumb for each pin, and comparison of like stages and of the two
channels.

There is no model, so the words are weaker and no probability passes ``AT_MOST``. Rules: bench practice P9, table of
what abnormal values mean (common practice, no source); like stages should read alike within tube and part scatter
(E14: two standard deviations are about 11 % on a plate and 10 % on a cathode, 20 % is asked for here).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from acquisition.quantities import format_value
from acquisition.records import Measurand, Reading, judged_dc

from ..chassis import Chassis, WorstCase
from ..faults import ArtefactEntry, load_fault_file
from ..judge import NOTHING_V
from .answer import Diagnosis, Suspect
from .artefacts import named
from .candidates import is_allowed
from .next_reading import Proposal
from .slips import SLIP

AT_MOST = 0.5
"""Highest probability that rules of thumb may give a suspect, and that nothing is wrong."""

SUPPLY_V = 20.0
"""Supply from which a plate without volts says something. Common practice, no source."""

APART = 0.2
"""Relative difference of like stages from which they are called different."""

BIAS_V = 1.0
"""A grid so far below its cathode has a bias from elsewhere (common practice, no source)."""

SELF_BIASED_V = 0.2
"""Cathode from which a stage makes its bias itself."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Section:
    socket: str
    name: str
    kind: str
    tube: str
    make: tuple[object, ...]  # alike in twins, not in a tube of two different triodes
    pins: dict[str, str]  # electrode to point
    volts: dict[str, float]

    @property
    def key(self) -> str:
        return self.socket + self.name


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hint:
    part: str
    section: str
    fault: str
    strength: float
    because: str
    separates: str


def compare_stages(chassis: Chassis, readings: Sequence[Reading], limit_v: float | None = None) -> Diagnosis:
    """Judge DC readings of a chassis without parts.

    Parameters
    ----------
    chassis : Chassis
        Tubes in sockets, nothing else needed.
    readings : sequence of Reading
        DC readings at pins and named nodes.
    limit_v : float, optional
        Lowest rating of meter and lead: points that could exceed it are not proposed, and none at all where nothing
        tells the supply; None where no instrument is known here.

    Returns
    -------
    Diagnosis
        Hints with weak probabilities; the healthy probability is what they leave.
    """
    volts = {r.point: r.value for r in judged_dc(readings)}
    sections = list(_sections(chassis, volts))
    supply = max(volts.values(), default=0.0)
    slips = list(_slips(sections, volts))
    hints = [*slips, *_rules(sections, supply), *_likes(sections)]
    # Readings that cannot be what they say do not speak for a sound chassis.
    total = (0.0 if slips else 1.0) + sum(h.strength for h in hints)
    worst = WorstCase(chassis, seen_v=supply)
    suspects: dict[tuple[str, str, str], Suspect] = {}
    for hint in hints:
        key = (hint.part, hint.section, hint.fault)
        before = suspects.get(key)
        suspects[key] = Suspect(
            part=hint.part,
            section=hint.section,
            fault=hint.fault,
            probability=min(AT_MOST, hint.strength / total + (before.probability if before else 0.0)),
            estimate=None,
            because=f"{before.because}; {hint.because}" if before else hint.because,
            separates=hint.separates,
        )
    missing = [
        Proposal(
            point=point,
            quantity="dc_v",
            bits=0.0,
            why=f"{electrode} not read yet; no model to say how much it tells",
        )
        for s in sections
        for electrode, point in s.pins.items()
        if electrode in ("plate", "cathode", "screen") and electrode not in s.volts
        if is_allowed(worst, Measurand(point=point, quantity="dc_v"), limit_v)
    ]
    ranked = sorted(suspects.values(), key=lambda s: -s.probability)
    return Diagnosis(
        healthy_probability=0.0 if slips else min(AT_MOST, 1.0 / total),
        suspects=tuple(ranked),
        next=tuple(missing[:3]),
        notes=("no parts in the chassis file: rules of thumb and comparison of like stages only, so a mere hint",),
    )


def _slips(sections: Sequence[_Section], volts: Mapping[str, float]) -> Iterator[_Hint]:
    """What a hand or a lead does to readings: a live chassis has volts at its plates, and they are positive."""
    known: dict[str, ArtefactEntry] = {entry.name: entry for entry in load_fault_file().artefacts}

    def slip(name: str, points: Sequence[str], text: str) -> _Hint:
        return _Hint(
            part=(told := named(points)),
            section="",
            fault=SLIP + name,
            strength=1.0,
            because=f"as a rule of thumb: {text}: {known[name].words}",
            separates=known[name].separate.format(points=told),
        )

    live = {s.pins[e]: s.volts[e] for s in sections for e in ("plate", "screen") if e in s.volts}
    if live and all(abs(value) < NOTHING_V for value in volts.values()):
        text = f"none of the {len(live)} plates and screens read has any volts"
        yield slip("nothing read", list(volts), text)
        yield _Hint(
            part="supply",
            section="",
            fault="missing",
            strength=1.0,
            because=f"as a rule of thumb: {text}",
            separates="fuse, standby contact, rectifier: AC before, DC after",
        )
    if turned := [point for point, value in live.items() if value < -NOTHING_V]:
        text = f"{turned[0]} reads {format_value(live[turned[0]], 'V')}, and what is live there is positive"
        yield slip("sign", turned, text)
    for s in sections:
        plate, cathode = s.volts.get("plate"), s.volts.get("cathode")
        if plate is not None and cathode is not None and plate > NOTHING_V and cathode > plate + NOTHING_V:
            text = f"{s.key} cathode {format_value(cathode, 'V')} is above its plate, {format_value(plate, 'V')}"
            name = "unit" if cathode > max(live.values()) else "wrong pin"
            yield slip(name, [s.pins["cathode"], s.pins["plate"]], text)


def _sections(chassis: Chassis, volts: dict[str, float]) -> Iterator[_Section]:
    for socket, tube in chassis.sockets.items():
        for section in tube.sections:
            if socket in chassis.pulled or section.kind not in ("triode", "pentode"):
                continue
            pins = {name: f"{socket}.{numbers[0]}" for name, numbers in section.electrodes.items() if numbers}
            read = {name: volts[point] for name, point in pins.items() if point in volts}
            yield _Section(
                socket=socket, name=section.name, kind=section.kind, tube=tube.name,
                make=(tube.name, *section.make), pins=pins, volts=read,
            )  # fmt: skip


def _of(section: _Section, fault: str, strength: float, because: str) -> _Hint:
    """A hint at the tube of a section, which without a model stands for the parts around it too."""
    return _Hint(
        part=section.socket,
        section=section.key,
        fault=fault,
        strength=strength,
        because=because,
        separates=f"enter the parts around {section.socket}: the model can tell tube from parts; or a substitute "
        "tube, power off to change it",
    )


def _rules(sections: list[_Section], supply: float) -> Iterator[_Hint]:
    """What a single stage says by itself (P9)."""
    for s in sections:
        plate, cathode, grid = (s.volts.get(name) for name in ("plate", "cathode", "grid"))
        name = s.key

        def hint(fault: str, strength: float, text: str, s: _Section = s) -> _Hint:
            return _of(s, fault, strength, f"as a rule of thumb: {text}")

        if plate is not None and abs(plate) < NOTHING_V and cathode is None and supply > SUPPLY_V:
            yield hint("shorted", 0.7, f"{name} plate {plate:.1f} V: no supply reaches it, or it is shorted")
        if plate is not None and cathode is not None and supply > SUPPLY_V:
            if abs(cathode) < 0.05 and plate > 0.93 * supply:
                text = (
                    f"{name} cathode {cathode:.2f} V, plate {plate:.0f} V, near the highest volts read: no current"
                )
                # Where the bias is fixed, a sound cathode on the chassis and a plate behind a winding read so.
                likes = (o.volts.get("cathode", 0.0) for o in sections if o.make == s.make and o is not s)
                if grid is None and not any(volts > SELF_BIASED_V for volts in likes):
                    yield hint("dead", 0.4, f"{text}, or a fixed bias: the volts of its grid tell")
                elif grid is None or grid > cathode - BIAS_V:
                    yield hint("dead", 2.0, text)
            elif plate < 0.03 * supply and abs(cathode) < 0.1:
                text = f"{name} plate {plate:.1f} V and cathode near 0 V: no supply reaches it, or it is shorted"
                yield hint("shorted", 0.7, text)
            elif plate < 0.1 * supply and cathode > 0.5 * plate:
                yield hint("shorted", 1.0, f"{name} plate {plate:.1f} V is close to its cathode, {cathode:.1f} V")
        if (
            grid is not None
            and cathode is not None
            and 0.3 < grid < cathode + 1.0
            and cathode < 60
            and grid > 0.1 * cathode
        ):
            text = f"{name} grid stands at {grid:.2f} V: gas, or a coupling capacitor that leaks"
            yield hint("gassy", 1.0, text)


def _likes(sections: list[_Section]) -> Iterator[_Hint]:
    """Sections of one tube type whose plates or cathodes differ."""
    for make in dict.fromkeys(s.make for s in sections):
        group = [s for s in sections if s.make == make and "cathode" in s.volts and "plate" in s.volts]
        if len(group) < 2:
            continue
        for s in group:
            others = [o for o in group if o is not s]
            # One odd stage does not move the middle of three; of two, each is told by the other.
            beside = group if len(group) > 2 else others
            usual = {e: median(o.volts[e] for o in beside) for e in ("plate", "cathode")}
            apart = {e: s.volts[e] / usual[e] - 1 for e in usual if abs(usual[e]) > 0.2}
            if len(apart) < 2 or max(abs(a) for a in apart.values()) < APART:
                continue
            names = ", ".join(o.key for o in others)
            text = (
                f"beside its likes ({names}), {s.key} reads plate {format_value(s.volts['plate'], 'V')} "
                f"({apart['plate']:+.0%}), cathode {format_value(s.volts['cathode'], 'V')} "
                f"({apart['cathode']:+.0%})"
            )
            if apart["plate"] > 0 > apart["cathode"]:
                yield _of(s, "weak", 0.8, f"{text}: passes less than they do")
            elif apart["plate"] < 0 < apart["cathode"]:
                yield _of(s, "gassy", 0.6, f"{text}: passes more, as with a positive grid")
            else:
                yield _of(s, "weak", 0.2, f"{text}: both the same way, rather a part than the tube")
