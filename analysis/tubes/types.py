"""What a tube type is: pins, sections, heater, limits, and the constants of its model. SI units inside."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from .equations import PentodeParameters, RectifierParameters, TriodeParameters

Parameters = TriodeParameters | PentodeParameters | RectifierParameters

ELECTRODES: Mapping[str, str] = {
    "P": "plate", "G": "grid", "K": "cathode", "D": "diode plate", "g1": "grid", "g2": "screen", "g3": "suppressor",
    "g4": "screen", "g5": "suppressor", "S": "shield", "SH": "shell", "H": "heater", "HT": "heater tap",
    "F": "filament", "NC": "not connected", "IC": "internal connection",
}  # fmt: skip
"""Trade name of every part of a pin code; a heptode renames its grids (`Pin.functions`)."""

HEATER_PARTS = frozenset({"heater", "heater tap", "filament"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """One pin of a base.

    Parameters
    ----------
    number : int
        Clockwise from the key or gap, seen from below.
    code : str
        As in the file: ``P_1``, ``g2``, ``K_g3``, ``HT``.
    functions : tuple of str
        Trade names of what is joined to it, ``("cathode", "suppressor")``.
    section : str or None
        Name of the section it belongs to; None for a pin that belongs to none or to several.
    is_heater : bool
        Heater, tap or filament.
    is_high_voltage : bool
        Carries high tension in normal service: plates, screens, and on rectifiers the cathode with all that is
        joined to it.
    """

    number: int
    code: str
    functions: tuple[str, ...]
    section: str | None
    is_heater: bool
    is_high_voltage: bool

    @property
    def is_tie_point(self) -> bool:
        """Whether nothing inside hangs on it, so that wiring may use it. An internal connection is none."""
        return self.code == "NC"

    @property
    def function(self) -> str:
        """What it is, in words: ``cathode and suppressor``."""
        return " and ".join(self.functions)

    @property
    def label(self) -> str:
        """What it is and of which section: ``plate a``, ``diode plate 1``."""
        return f"{self.function} {self.section.removeprefix('d')}" if self.section else self.function


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaterConnection:
    """One way to feed a heater.

    Parameters
    ----------
    name : str
        ``series``, ``parallel``, or ``only``.
    volts, amps : float
        Rated values.
    between : tuple of tuple of int
        The two ends, each one pin or several joined.
    open_pins : tuple of int
        Heater pins left unconnected.
    """

    name: str
    volts: float
    amps: float
    between: tuple[tuple[int, ...], tuple[int, ...]]
    open_pins: tuple[int, ...] = ()

    @property
    def text(self) -> str:
        """One line: ``12.6 V 0.15 A between 4 and 5, 9 open``."""
        ends = " and ".join(" joined to ".join(str(pin) for pin in end) for end in self.between)
        rest = f", {' and '.join(str(pin) for pin in self.open_pins)} open" if self.open_pins else ""
        return f"{self.volts:g} V {self.amps:g} A between {ends}{rest}"

    @property
    def hot_ohm(self) -> float:
        """Resistance at the rated voltage; cold it is about a fifth to an eighth of that (common practice)."""
        return self.volts / self.amps


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Ratings; None where no figure is known.

    Parameters
    ----------
    rating_system : str
        ``design-centre``: may be exceeded by normal supply variation; ``design-maximum``: may not.
    plate_v, screen_v : float, optional
        Direct voltage to the cathode.
    plate_w, screen_w : float, optional
        Dissipation of one section.
    plate_both_w : float, optional
        Dissipation of both plates together.
    cathode_a : float, optional
        Direct cathode current of one section.
    heater_negative_v, heater_positive_v : float, optional
        Heater to cathode, heater negative or positive.
    grid_fixed_ohm, grid_self_ohm : float, optional
        Grid circuit resistance with fixed and with cathode bias.
    inverse_v, output_a, peak_a : float, optional
        Rectifiers: peak inverse voltage, direct output current, peak current of one plate.
    """

    rating_system: str
    plate_v: float | None = None
    plate_w: float | None = None
    plate_both_w: float | None = None
    screen_v: float | None = None
    screen_w: float | None = None
    cathode_a: float | None = None
    heater_negative_v: float | None = None
    heater_positive_v: float | None = None
    grid_fixed_ohm: float | None = None
    grid_self_ohm: float | None = None
    inverse_v: float | None = None
    output_a: float | None = None
    peak_a: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Capacitances:
    """Capacitances between the electrodes of one section, farad.

    Parameters
    ----------
    grid_plate_farad : float
        Grid 1 to plate.
    input_farad, output_farad : float
        Grid 1, and plate, to everything at cathode potential.
    """

    grid_plate_farad: float
    input_farad: float
    output_farad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A published operating point.

    Parameters
    ----------
    connection : str
        ``triode``, ``pentode``, ``triode-connected``, ``converter`` or ``rectifier``.
    plate_v, screen_v, grid_v : float, optional
        Volts to the cathode. The grid of a cathode-biased point is -Rk times the cathode current.
    cathode_ohm : float, optional
        Bias resistor where the sheet prints one.
    plate_a, screen_a : float, optional
        Currents.
    mu, screen_mu : float, optional
        Amplification factor to the plate; of grid 1 to the screen.
    gm_s, rp_ohm : float, optional
        Transconductance in siemens, plate resistance.
    rp_above_ohm : float, optional
        Plate resistance where only a lower bound is printed.
    fitted : bool
        Whether the model constants were fitted to it.
    confirmed : str
        ``yes`` seen in text, ``memory`` not.
    source, note : str
        Where it is printed, and what to know.
    """

    connection: str
    plate_v: float
    screen_v: float | None = None
    grid_v: float | None = None
    cathode_ohm: float | None = None
    plate_a: float | None = None
    screen_a: float | None = None
    mu: float | None = None
    screen_mu: float | None = None
    gm_s: float | None = None
    rp_ohm: float | None = None
    rp_above_ohm: float | None = None
    fitted: bool = False
    confirmed: str = "memory"
    source: str = ""
    note: str = ""

    @property
    def bias_v(self) -> float:
        """Grid voltage to the cathode, from the bias resistor where only that is printed."""
        if self.grid_v is not None:
            return self.grid_v
        if self.cathode_ohm is None or self.plate_a is None:
            raise ValueError("a point needs grid_v, or cathode_ohm with plate_ma")
        return -self.cathode_ohm * (self.plate_a + (self.screen_a or 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One electron stream with its own plate.

    Parameters
    ----------
    name : str
        Socket and name make the key: ``V1a``, ``V2``. ``a`` is unit 1 of the American sheets (pins 6, 7, 8 of the
        9A base), ``b`` unit 2, empty the only section; diodes beside it are ``d1``, ``d2``. Drawings often call
        pins 1, 2, 3 the A section: show the pins beside the name.
    kind : str
        ``triode``, ``pentode``, ``heptode``, ``rectifier`` or ``diode``.
    electrodes : mapping of str to tuple of int
        Trade name of the electrode to its pins, ``{"plate": (6,), "grid": (7,), "cathode": (8,)}``. A cathode
        shared by sections stands in each.
    model : TriodeParameters, PentodeParameters or RectifierParameters, optional
        Constants of its law; None where there is no model.
    capacitances : Capacitances, optional
        None where no figures are known.
    limits : Limits
        Ratings; a diode beside a section shows those of the file.
    points : tuple of Point
        Published operating points; of a diode none.
    model_source : str
        Where the constants are from; empty without a model.
    """

    name: str
    kind: str
    electrodes: Mapping[str, tuple[int, ...]]
    model: Parameters | None
    capacitances: Capacitances | None
    limits: Limits
    points: tuple[Point, ...]
    model_source: str

    @property
    def make(self) -> tuple[object, ...]:
        """What is the same in sections of one make, whatever their pins."""
        return self.kind, self.limits, self.model, self.points

    @property
    def pins(self) -> tuple[int, ...]:
        """Every pin of the section, in order."""
        return tuple(sorted({pin for pins in self.electrodes.values() for pin in pins}))

    @property
    def label(self) -> str:
        """Name with pins: ``a (pins 6-7-8)``; the pins alone for an only section."""
        pins = f"pins {'-'.join(str(pin) for pin in self.pins)}"
        return f"{self.name} ({pins})" if self.name else pins


@dataclass(frozen=True, slots=True, kw_only=True)
class Tube:
    """A tube type.

    Parameters
    ----------
    name : str
        Type number it is filed under.
    aliases : tuple of str
        Other numbers of the same tube.
    relatives : mapping of str to str
        Near types with what differs; never resolved to this one.
    construction : str
        In words.
    base : str
        ``octal``, ``noval``, ``miniature`` or ``four-pin``.
    basing : str
        EIA basing code.
    pins : mapping of int to Pin
        A number that is missing is a pin that does not exist.
    sections : tuple of Section
        Unit 1 first.
    heater : tuple of HeaterConnection
        One, or series and parallel of a tapped heater.
    confirmed : mapping of str to str
        Which groups of facts were seen in text and which are from memory.
    source, notes : str
        Origin of the data, and what to know.
    path : str
        The file it came from.
    """

    name: str
    aliases: tuple[str, ...]
    relatives: Mapping[str, str]
    construction: str
    base: str
    basing: str
    pins: Mapping[int, Pin]
    sections: tuple[Section, ...]
    heater: tuple[HeaterConnection, ...]
    confirmed: Mapping[str, str]
    source: str
    notes: str
    path: str

    def section(self, name: str) -> Section:
        """Find a section by its name.

        Parameters
        ----------
        name : str
            Empty, ``a``, ``b``, ``d1`` or ``d2``.

        Raises
        ------
        KeyError
            The type has no such section.
        """
        for section in self.sections:
            if section.name == name:
                return section
        raise KeyError(f"{self.name} has sections {', '.join(s.name for s in self.sections)}, not {name!r}")

    def section_at(self, pin: int) -> Section | None:
        """Section whose own electrode is on a pin; None for heaters, shared and empty pins.

        Parameters
        ----------
        pin : int
            Pin number.
        """
        owner = self.pins[pin].section if pin in self.pins else None
        return None if owner is None else self.section(owner)

    @property
    def unlike_sections(self) -> tuple[Section, ...]:
        """One section of each make: of twins and full-wave rectifiers the first, of a triode with a pentode both.

        Diodes beside them have no law and no limits of their own.
        """
        found: dict[tuple[object, ...], Section] = {}
        for section in self.sections:
            if section.kind != "diode":
                found.setdefault(section.make, section)
        return tuple(found.values())

    @property
    def points(self) -> tuple[Point, ...]:
        """Published operating points of every make of section."""
        return tuple(point for section in self.unlike_sections for point in section.points)

    @property
    def heater_pins(self) -> tuple[int, ...]:
        """Heater, tap and filament pins."""
        return tuple(number for number, pin in self.pins.items() if pin.is_heater)

    @property
    def high_voltage_pins(self) -> tuple[int, ...]:
        """Pins that carry high tension in normal service."""
        return tuple(number for number, pin in self.pins.items() if pin.is_high_voltage)

    @property
    def is_rectifier(self) -> bool:
        """Whether it is a power rectifier."""
        return any(section.kind == "rectifier" for section in self.sections)
