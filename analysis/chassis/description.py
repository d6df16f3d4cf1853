"""What a chassis file says, as frozen records: tubes in sockets, rails, parts between nodes, the signal path."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from acquisition.quantities import parse_value
from analysis.tubes.article import with_article
from analysis.tubes.types import Tube
from analysis.work import USUAL_ERROR

GROUND = "gnd"

ELECTROLYTIC_FROM_FARAD, FILM_UP_TO_FARAD = 1e-6, 4e-6
"""Capacitors from the first up are electrolytics, and so have an uneven tolerance where the file gives none; one of
an even tolerance is a film capacitor up to the second (common practice, no source)."""


def otherwise(name: str, ohm: float) -> str:
    """The name of another resistor in the place of one that is drawn, without a point: keys of the model have one.

    Parameters
    ----------
    name : str
        The part that is drawn.
    ohm : float
        What stands there.

    Examples
    --------
    >>> otherwise("RL", 16.0), otherwise("RL", 15.8), value_otherwise("RL=15R8")
    ('RL=16', 'RL=15R8', 15.8)
    """
    return f"{name}={f'{ohm:.6f}'.rstrip('0').rstrip('.').replace('.', 'R')}"


def value_otherwise(name: str) -> float:
    """Ohms that a name of `otherwise` says.

    Parameters
    ----------
    name : str
        Such as ``RL=16``.
    """
    return parse_value(name.partition("=")[2])


def pin_mistake(point: str, sockets: Mapping[str, Tube | None]) -> str:
    """What is wrong with a pin; empty where nothing is, or nobody knows the type of its tube.

    Parameters
    ----------
    point : str
        ``V1.6``.
    sockets : mapping of str to Tube
        What sits in each; None for a type that is not known.
    """
    socket, _, pin = point.partition(".")
    if socket not in sockets:
        if socket.upper() in sockets:
            return f"{point}: did you mean {socket.upper()}.{pin}?"
        return f"{point}: no tube {socket} in the chassis, which has {' '.join(sockets)}"
    tube = sockets[socket]
    if tube is None or pin in {str(number) for number in tube.pins}:
        return ""
    which = f", not {pin}" if pin else ": say which"
    return f"{point}: {with_article(tube.name)} has pins {' '.join(map(str, tube.pins))}{which}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part between nodes.

    Parameters
    ----------
    name : str
        As on the drawing: ``R1``.
    kind : str
        ``resistor``, ``capacitor``, ``inductor``, ``potentiometer`` or ``transformer``.
    nodes : tuple of str
        Two nodes; three for a potentiometer (end, end, wiper); for a transformer the primary points (two, three
        with the centre or the one tap in the middle, or five with a tap in each half), then the two of the
        secondary. First ends are in phase.
    value : float
        Ohm, farad or henry; the primary impedance of a transformer.
    tolerance : tuple of float
        Relative limits, the lower negative: ``(-0.1, 0.1)``.
    facts : mapping of str to float
        Everything else given in numbers: ``at``, ``esr``, ``rated_volts``, ``primary_ohms`` ...
    note : str
        Free text.
    line : int
        Line in the file.
    """

    name: str
    kind: str
    nodes: tuple[str, ...]
    value: float
    tolerance: tuple[float, float]
    facts: Mapping[str, float] = field(default_factory=dict)
    note: str = ""
    line: int = 0

    @property
    def is_electrolytic(self) -> bool:
        """Whether it is taken for an electrolytic capacitor, by its size and tolerance."""
        is_even = abs(self.tolerance[0] + self.tolerance[1]) < 1e-6
        least = FILM_UP_TO_FARAD if is_even else ELECTROLYTIC_FROM_FARAD
        return self.kind == "capacitor" and self.value >= least

    def other(self, name: str) -> Part:
        """Another part in its place, known by measuring it.

        Parameters
        ----------
        name : str
            Its own name with the value, ``RL=16``.
        """
        value, within = value_otherwise(name), 2.0 * USUAL_ERROR
        return replace(self, name=name, value=value, tolerance=(-within, within), note="")

    @property
    def spans(self) -> list[tuple[str, str]]:
        """Pairs of nodes between which it lies: its two ends, or those of each winding and piece of one."""
        if self.kind == "transformer":
            return [*itertools.pairwise(self.nodes[:-2]), (self.nodes[-2], self.nodes[-1])]
        return [(self.nodes[0], self.nodes[1])]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """Where the model's supply begins.

    Parameters
    ----------
    name : str
        Also the name of its node.
    volts : float
        At idle, as printed; the EMF behind ``source_ohm`` is solved so that the nominal chassis shows it.
    source_ohm : float
        Source resistance.
    ripple_pp_v : float
        Ripple at the node, volts peak to peak, when nothing is wrong.
    rectified : str
        ``""``, ``full-wave`` or ``half-wave``: ripple then follows from load, reservoir and mains.
    line : int
        Line in the file.
    """

    name: str
    volts: float
    source_ohm: float
    ripple_pp_v: float = 0.0
    rectified: str = ""
    line: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """Where the generator goes in and the load hangs, channel by channel.

    Parameters
    ----------
    inputs, outputs : tuple of str
        Points, as many inputs as outputs; most chassis have one channel.
    source_ohm : float
        Resistance of the generator, always connected between every input and ground.
    """

    inputs: tuple[str, ...]
    outputs: tuple[str, ...]
    source_ohm: float = 600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """Signal from one point to another.

    Parameters
    ----------
    name : str
        As the file calls it.
    source, target : str
        Points.
    """

    name: str
    source: str
    target: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """Volts printed on a drawing.

    Parameters
    ----------
    volts : float
        As printed.
    tolerance : tuple of float
        Relative limits; +-20 % where the drawing gives none (common practice, no source).
    """

    volts: float
    tolerance: tuple[float, float] = (-0.2, 0.2)

    @property
    def limits_v(self) -> tuple[float, float]:
        """Lowest and highest volts that agree with the drawing."""
        low, high = sorted(self.volts * (1.0 + share) for share in self.tolerance)
        return low, high


@dataclass(frozen=True, slots=True, kw_only=True)
class Chassis:
    """The file, checked.

    Parameters
    ----------
    path, title : str
        The file, and its first line.
    mains_v, mains_hz : float
        230 V and 50 Hz where the file is silent.
    sockets : mapping of str to Tube
        What sits in each socket.
    rails, parts : mapping of str to Rail, Part
        By name. ``parts`` may be empty: a file with tubes only.
    joined : tuple of tuple of str
        Points that are one node.
    signal : Signal, optional
        None where the file has no ``signal``.
    stages : mapping of str to Stage
        In the order of the file.
    printed : mapping of str to Printed
        By point; without parts they are what a survey expects.
    node_names : mapping of str to str
        Every point of the file to its node; points joined share a node.
    pulled : tuple of str
        What is out of circuit while the chassis is read: sockets without their tube, parts lifted at one end, and
        other values in the place of parts (``RL=16``). Supplies are those of the whole chassis, less loaded.
    drawn : Chassis, optional
        As the file has it, where something is out of circuit.
    """

    path: str
    title: str
    mains_v: float = 230.0
    mains_hz: float = 50.0
    sockets: Mapping[str, Tube] = field(default_factory=dict)
    rails: Mapping[str, Rail] = field(default_factory=dict)
    parts: Mapping[str, Part] = field(default_factory=dict)
    joined: tuple[tuple[str, ...], ...] = ()
    signal: Signal | None = None
    stages: Mapping[str, Stage] = field(default_factory=dict)
    printed: Mapping[str, Printed] = field(default_factory=dict)
    node_names: Mapping[str, str] = field(default_factory=dict)
    pulled: tuple[str, ...] = ()
    drawn: Chassis | None = None

    @property
    def loads(self) -> tuple[str, ...]:
        """Resistors between a signal output and ground: what is connected there."""
        outputs = {self.node_names.get(point, point) for point in (self.signal.outputs if self.signal else ())}
        ends = {
            name: {self.node_names.get(point, point) for point in part.nodes}
            for name, part in self.parts.items()
            if part.kind == "resistor"
        }
        return tuple(name for name, both in ends.items() if GROUND in both and both & (outputs - {GROUND}))

    def without(self, pulled: Iterable[str]) -> Chassis:
        """The same chassis with the tubes of some sockets out and some parts lifted at one end, and all else in.

        Volts printed on the drawing are those of the whole chassis, and go with the first that is out.

        Parameters
        ----------
        pulled : iterable of str
            Sockets and parts; those that the file does not have are left out. ``RL=16`` is another resistor of so
            many ohms in the place of RL: a part of its own, with that for a name.
        """
        drawn, out = self.drawn or self, set(pulled)
        others = {name.partition("=")[0]: name for name in out if "=" in name}
        names = (others.get(name, name) for name in (*drawn.sockets, *drawn.parts))
        kept = tuple(name for name in names if name in out)
        if not kept:
            return drawn
        parts = {
            others.get(name, name): part.other(others[name]) if name in others else part
            for name, part in drawn.parts.items()
            if name not in out or name in others
        }
        return replace(drawn, pulled=kept, parts=parts, printed={}, drawn=drawn)
