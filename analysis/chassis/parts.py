"""The lines of ``parts``: short form ``1M V1.2 gnd 5%`` and mapping form, told apart by letter and by key."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any

from acquisition.configs import DECIMALS_CUT_OFF, decimals_cut_off
from acquisition.quantities import format_value, parse_tolerance, parse_value
from analysis.tubes.article import with_article

from .description import ELECTROLYTIC_FROM_FARAD, Part

LETTERS: Mapping[str, str] = {
    "R": "resistor", "C": "capacitor", "L": "inductor", "P": "potentiometer", "T": "transformer",
}  # fmt: skip
"""First letter of a part's name to its kind; RL is a load resistor like any other R."""

UNITS: Mapping[str, str] = {
    "resistor": "ohm", "capacitor": "F", "inductor": "H", "potentiometer": "ohm", "transformer": "ohm",
}  # fmt: skip

FACTS: Mapping[str, frozenset[str]] = {
    "resistor": frozenset({"rated_watts", "rated_volts"}),
    "capacitor": frozenset({"rated_volts", "esr"}),
    "inductor": frozenset({"ohms", "rated_amps"}),
    "potentiometer": frozenset({"at", "rated_watts"}),
    "transformer": frozenset(
        {"primary_ohms", "secondary_ohms", "primary_henries", "leakage_henries", "primary_farads", "tap"}
    ),
}
"""Further facts of a part, as numbers, in the mapping form."""

PLAUSIBLE: Mapping[str, tuple[float, float]] = {
    "resistor": (1e-3, 1e10), "capacitor": (1e-14, 1.0), "inductor": (1e-9, 1e4), "potentiometer": (1.0, 1e9),
    "transformer": (1e-2, 1e7),
}  # fmt: skip
"""Limits of a value, wide: what lies outside is a slip of the prefix (m for M), and no number to calculate with."""

SCREEN_TAP = 0.4
"""How far from the supply to the plate screens sit if the file gives no ``tap`` (common practice, no source)."""

MISREAD: Mapping[str, str] = {
    "LS": "a loudspeaker is a resistor such as RL",
    "CH": "a choke is an inductor such as L1",
    "LED": "an LED becomes a rail of its volts",
    "LP": "a lamp is left out, or a resistor such as R1 where direct current flows through it",
    "RV": "a potentiometer is called by P, such as P1",
    "VR": "a potentiometer is called by P, such as P1, and a voltage reference becomes a rail of its volts",
}
"""Names of the trade whose first letter would make another part of them, and what to write instead."""

_UNIT = re.compile(r"(?i)[pnuµμmkg]?(?:ohms?|\u03a9|\u2126|F|H)?|meg|m{1,2}fd?")
"""What may stand behind a number."""
_MILLI = re.compile(r"\d\s*m")
_WRITTEN_UNIT = re.compile(r"(?i:F|Hz?|V|A|s|W)$")
_FARAD_PREFIX = re.compile(r"[pnuµμ]|\d\s*[eE]")
_RATING = re.compile(r"(?i)[\d./]+(?:V|W|VDC|WV|WVDC)")
_THOUSANDS = re.compile(r"[1-9]\d{0,2}\.\d{3}")

SLIPS = (
    (re.compile(r",(?=\s)|,$|;"), "expected spaces between value and nodes such as 1M V1.2 gnd"),
    (re.compile(r"\S#"), "expected a space before the # of a remark"),
)
"""How the short form is miswritten, and what to write."""
_OLD_FARAD = re.compile(r"(?i)\d\s*m{1,2}fd?")

LIKE = 0.7
"""How alike a field has to be to one that is known: taper is no slip of wiper."""

SHARES = frozenset({"at", "tap"})
ABOVE_ZERO = frozenset({"primary_henries", "rated_volts", "rated_watts", "rated_amps"})
"""Facts of which there is always some: no winding is without inductance, and nothing is rated for nothing."""

TEXT_FACTS = frozenset({"note", "tolerance"})


class PartMistake(ValueError):
    """What is wrong with a part, and at which key of its mapping (empty for the whole entry)."""

    def __init__(self, text: str, key: str = "") -> None:
        super().__init__(text)
        self.key = key


def default_tolerance(kind: str, value: float) -> tuple[float, float]:
    """Tolerance of a part where the file is silent: 10 %, electrolytics -20/+50 %, potentiometers 20 %.

    Parameters
    ----------
    kind : str
        Kind of part.
    value : float
        In the SI unit.
    """
    if kind == "capacitor" and value >= ELECTROLYTIC_FROM_FARAD:
        return (-0.2, 0.5)
    return (-0.2, 0.2) if kind == "potentiometer" else (-0.1, 0.1)


def parse_part(name: str, entry: str | Mapping[str, Any], line: int = 0) -> Part:
    """Read one part.

    Parameters
    ----------
    name : str
        As on the drawing; its first letter gives the kind in the short form.
    entry : str or mapping
        What stands behind the colon.
    line : int
        Line in the file.

    Raises
    ------
    PartMistake
        With the first mistake of this part.

    Examples
    --------
    >>> parse_part("R1", "1M V1.2 gnd 5%").tolerance
    (-0.05, 0.05)
    """
    part = _short(name, entry, line) if isinstance(entry, str) else _mapped(name, entry, line)
    if slip := implausible(part.kind, part.value):
        raise PartMistake(slip)
    return part


def implausible(kind: str, value: float) -> str:
    """What to ask about a value that no such part has; empty where one may.

    Parameters
    ----------
    kind : str
        Kind of part.
    value : float
        In the SI unit.

    Examples
    --------
    >>> implausible("capacitor", 22.0)
    'a capacitor of 22 F? expected 0.01 pF to 1 F (m is milli, M is mega)'
    """
    low, high = PLAUSIBLE[kind]
    if low <= value <= high:
        return ""
    unit = UNITS[kind]
    return (
        f"{with_article(kind)} of {format_value(value, unit)}? expected {format_value(low, unit)} to"
        f" {format_value(high, unit)} (m is milli, M is mega)"
    )


def _kind_of(name: str) -> str:
    letters = name.rstrip("0123456789").upper()
    if letters in MISREAD:
        means = f"; {letters[0]} means {LETTERS[letters[0]]}" if letters[0] in LETTERS else ""
        raise PartMistake(MISREAD[letters] + means)
    kind = LETTERS.get(name[:1].upper())
    if kind is None:
        raise PartMistake(
            f"unknown kind of part: a name starts with one of {' '.join(LETTERS)}, or the entry is a mapping; a"
            " switch closed or a fuse goes into joined, a diode or a voltage reference becomes a rail of its volts"
        )
    return kind


def _short(name: str, text: str, line: int) -> Part:
    kind = _kind_of(name)
    if kind in {"potentiometer", "transformer"}:
        raise PartMistake(f"{with_article(kind)} needs the mapping form, {{{kind}: ...}}")
    words = text.split()
    if slip := next((words for mark, words in SLIPS if mark.search(text)), ""):
        raise PartMistake(f"{slip}, got {text!r}")
    if len(words) < 3:
        raise PartMistake(f"expected a value and two nodes such as 1M V1.2 gnd, got {text!r}")
    if len(words) > 3 and "%" not in words[3] and _UNIT.fullmatch(words[1]):
        apart = " ".join(words[:2])
        written = re.sub("(?i)meg", "M", apart.replace(" ", ""))
        part_value(kind, written)  # first what else is wrong with it
        raise PartMistake(f"expected a value without a space, got {apart!r}: write {written}")
    value = part_value(kind, words[0])
    if rating := next(filter(_RATING.fullmatch, words[1:]), ""):
        fact = "rated_watts" if rating.upper().endswith("W") else "rated_volts"
        one, other = ([word for word in words[1:] if word != rating] + ["..."])[:2]
        form = f"{{{kind}: {words[0]}, nodes: [{one}, {other}], {fact}: ...}}"
        raise PartMistake(f"{rating}: a rating needs the mapping form, {form}")
    rest = " ".join(words[3:])
    if re.search(r"[^\W\d_]|//", rest) and "%" not in rest:
        raise PartMistake(
            "expected a value, two nodes and no more than a tolerance such as 1M V1.2 gnd 5% (a remark goes behind"
            f" a #), got {text!r}"
        )
    return Part(
        name=name,
        kind=kind,
        nodes=(words[1], words[2]),
        value=value,
        tolerance=_tolerance(rest) if rest else default_tolerance(kind, value),
        line=line,
    )


def _mapped(name: str, entry: Mapping[str, Any], line: int) -> Part:
    kinds = [kind for kind in LETTERS.values() if kind in entry]
    if len(kinds) > 1:
        raise PartMistake(f"is it {' or '.join(map(with_article, kinds))}? give one", kinds[1])
    kind = kinds[0] if kinds else _kind_of(name)
    value_key = kind if kinds else "value"
    places = {
        "potentiometer": ("ends", "wiper"),
        "transformer": ("primary", "secondary"),
    }.get(kind, ("nodes",))
    allowed = {value_key, *places, *FACTS[kind], *TEXT_FACTS}
    for key in entry:
        if key not in allowed:
            if ")" in key:
                raise PartMistake("expected square brackets around points such as [SPK, gnd]", key)
            if decimals_cut_off(key):
                raise PartMistake(DECIMALS_CUT_OFF, key)
            near = difflib.get_close_matches(key, allowed, n=1, cutoff=LIKE)
            instead = f"did you mean {near[0]}?" if near else f"expected one of {' '.join(sorted(allowed))}"
            raise PartMistake(f"unknown field of {with_article(kind)}, {instead}", key)
    for key in (value_key, *places):
        if key not in entry:
            raise PartMistake(f"{with_article(kind)} needs {key}")
    facts = {
        key: (_value if key in ABOVE_ZERO else _number)(entry[key], key)
        for key in entry
        if key in FACTS[kind] and key not in SHARES
    }
    if kind == "transformer":
        value = _impedances(entry[value_key], value_key, facts)
        primary = _nodes(entry["primary"], "primary", (2, 3, 5))
        secondary = entry["secondary"]
        if isinstance(secondary, list) and len(secondary) > 2:
            raise PartMistake(
                f"a secondary is one winding: expected the two points of the tap in use, got {secondary!r}",
                "secondary",
            )
        nodes = (*primary, *_nodes(secondary, "secondary", (2,)))
        if len(primary) == 5 or (len(primary) == 3 and "tap" in entry):
            facts["tap"] = _share(entry, "tap", SCREEN_TAP)
            if not 0.0 < facts["tap"] < 1.0:
                raise PartMistake("expected a tap between supply and plate, such as 0.43 of the way", "tap")
        elif "tap" in entry:
            raise PartMistake(
                "a tap needs a primary of five points, plate, tap, supply, tap, plate; or of supply, tap, plate",
                "tap",
            )
    elif kind == "potentiometer":
        value = part_value(kind, entry[value_key], value_key)
        nodes = (*_nodes(entry["ends"], "ends", (2,)), *_nodes([entry["wiper"]], "wiper", (1,)))
        facts["at"] = _share(entry, "at", 0.5)
    else:
        value = part_value(kind, entry[value_key], value_key)
        nodes = _nodes(entry["nodes"], "nodes", (2,))
    tolerance = _tolerance(entry["tolerance"]) if "tolerance" in entry else default_tolerance(kind, value)
    note = entry.get("note", "")
    if not isinstance(note, str):
        raise PartMistake("expected text", "note")
    return Part(
        name=name, kind=kind, nodes=nodes, value=value, tolerance=tolerance, facts=facts, note=note, line=line
    )


def part_value(kind: str, text: Any, key: str = "") -> float:
    """Read the value of a part as people write it.

    Parameters
    ----------
    kind : str
        Kind of part.
    text : str
        Such as ``4k7`` or ``22n``.
    key : str
        Where it stands in a mapping.

    Raises
    ------
    PartMistake
        No value, or one with a slip of its prefix.
    """
    if kind == "capacitor" and isinstance(text, str) and _OLD_FARAD.search(text):
        raise PartMistake(f"expected p, n or u, got {text!r}: mf and mfd of a drawing are u, mmf and mmfd p", key)
    value = _value(text, key, "; a wire goes into joined" if kind == "resistor" else "")
    if isinstance(text, str) and (unit := _WRITTEN_UNIT.search(text)) and unit[0].upper() != UNITS[kind]:
        raise PartMistake(f"expected {UNITS[kind]}, got {text!r}", key)
    if kind == "capacitor" and not _FARAD_PREFIX.search(text):
        raise PartMistake(
            f"expected p, n or u in a capacitance (m is milli), got {text!r}: a drawing that gives none means u"
            " (0.02u), or p of large numbers (500p)",
            key,
        )
    if kind in {"resistor", "potentiometer"} and _MILLI.search(text):
        raise PartMistake(f"m is milli, M is mega: expected {text.replace('m', 'M', 1)} or plain ohms", key)
    return value


def _share(entry: Mapping[str, Any], key: str, usual: float) -> float:
    if key not in entry:
        return usual
    try:
        share = parse_value(str(entry[key]))
    except ValueError:
        share = -1.0
    if not 0.0 <= share <= 1.0:
        raise PartMistake(f"expected a place between 0 and 1, got {entry[key]!r}", key)
    return share


def _value(text: Any, key: str = "", instead: str = "") -> float:
    value = _number(text, key)
    if value <= 0:
        raise PartMistake(f"expected a value above zero, got {text!r}{instead}", key)
    return value


def _number(text: Any, key: str) -> float:
    if not isinstance(text, str):
        raise PartMistake("expected a number", key)
    try:
        value = parse_value(text)
    except ValueError as error:
        raise PartMistake(str(error), key) from None
    if _THOUSANDS.fullmatch(text.strip()):
        # Where a point parts thousands this is ten thousand, and ten would look like any other value.
        written = f"{format_value(1e3 * value, digits=6).replace(' ', '')} or {value:g}"
        raise PartMistake(f"{text} is {value:g} here, a point begins the decimals: write {written}", key)
    if not 0 <= value <= 1e12:
        raise PartMistake(f"expected a value of zero or more, and less than 1e12, got {text!r}", key)
    return value


def _tolerance(text: Any) -> tuple[float, float]:
    try:
        low, high = parse_tolerance(str(text))
    except ValueError as error:
        raise PartMistake(str(error), "tolerance") from None
    if high > 10.0:
        raise PartMistake(f"expected a tolerance below 1000%, got {text}", "tolerance")
    if low <= -1.0:
        raise PartMistake(f"a tolerance of {text} lets the part vanish: expected more than -100%", "tolerance")
    return low, high


def _nodes(given: Any, key: str, counts: tuple[int, ...]) -> tuple[str, ...]:
    wanted = " or ".join(str(count) for count in counts)
    if not (isinstance(given, list) and all(isinstance(node, str) for node in given)) or len(given) not in counts:
        raise PartMistake(f"expected {wanted} points, got {given!r}", key)
    return tuple(given)


def _impedances(given: Any, key: str, facts: dict[str, float]) -> float:
    if not isinstance(given, list) or len(given) != 2:
        comma = " (write a point in a number, not a comma)" if isinstance(given, list) and len(given) > 2 else ""
        raise PartMistake(f"expected impedances [primary, secondary] such as [5k, 8], got {given!r}{comma}", key)
    primary, secondary = (_value(text, key) for text in given)
    facts["secondary_impedance"] = secondary
    return primary
