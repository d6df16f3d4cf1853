"""What a type number says, by the American and the European rule, and where the rule fails.

American (RMA 1933, later RETMA and EIA): heater number, serial letters, count of elements, suffix. Sources:
Radiotron Designer's Handbook, 4th edition, section on American type numbers; Wireless World, September 1943,
"American valve designations". European (1934 on, later Pro Electron): heater letter, a letter for each system,
digits for the base; public tables of the letter system. A rule from memory says so beside it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from .types import Tube

_AMERICAN = re.compile(r"([0-9]{1,3})([A-Z]{1,3})([0-9])([A-Z]{0,4}(?:/[A-Z]+)?)")
_INDUSTRIAL = re.compile(r"[0-9]{4}[A-Z]{0,3}")
_EUROPEAN = re.compile(r"([A-Z])([A-Z]{1,4})([0-9]{1,4})([SN]?)")
_SPECIAL = re.compile(r"([A-Z])([0-9]{2,3})([A-Z]{1,3})")
_OTHER_SYSTEMS = re.compile(r"(KT|CV|VT|M)[0-9]+[A-Z]*|[BLNZDXU][0-9]+")

_REGULATORS = re.compile(r"[0O][A-D][2-3]|VR-?[0-9]{2,3}|[0-9]{2,3}[A-C][1-3]")
"""Glow tubes that hold a voltage: heater number 0 (with a letter O by many), an older maker's series that gives the
volts, and the European one of volts, current class and number. From memory."""

HEATER_NUMBERS: Mapping[int, float] = {
    2: 2.5, 5: 5.0, 6: 6.3, 7: 6.3, 12: 12.6, 14: 12.6, 25: 25.0, 35: 35.0, 50: 50.0, 117: 117.0,
}  # fmt: skip
"""Nominal heater volts of the American number. 7 and 14 are lock-in types; the bounds between differ by source."""

SUFFIXES: Mapping[str, str] = {
    "GT/G": "fits both bulb sizes", "GT": "small tubular glass", "LT": "locking base",
    "WA": "rugged, first revision", "WB": "rugged, second revision", "W": "rugged or military",
    "G": "large glass bulb", "X": "ceramic base", "Y": "mica-filled base", "M": "metal",
    "A": "revision A", "B": "revision B", "C": "revision C",
}  # fmt: skip
"""Meaning of the letters after the last digit, longest first. A later revision replaces an earlier one."""

HEATER_LETTERS: Mapping[str, str] = {
    "A": "4 V", "B": "180 mA", "C": "200 mA", "D": "0.5 to 1.5 V", "E": "6.3 V", "F": "12.6 V", "G": "5 V",
    "H": "150 mA", "K": "2 V", "L": "450 mA", "P": "300 mA", "U": "100 mA", "V": "50 mA",
}  # fmt: skip
"""First letter of the European system. T, W, X and Y are left out: the published tables contradict each other."""

SYSTEMS: Mapping[str, str] = {
    "A": "signal diode", "B": "double diode", "C": "signal triode", "D": "power triode", "E": "signal tetrode",
    "F": "signal pentode", "H": "hexode or heptode", "K": "octode or heptode", "L": "power pentode or tetrode",
    "M": "indicator", "N": "thyratron", "Q": "nonode", "X": "gas-filled full-wave rectifier",
    "Y": "half-wave rectifier", "Z": "full-wave rectifier",
}  # fmt: skip
"""Letter of each system of the European number; a repeated letter means two of the kind."""

BASE_DIGITS: Mapping[int, str] = {
    0: "an older base", 1: "an older base", 2: "loctal or B10B", 3: "octal", 4: "B8A", 5: "9-pin large",
    6: "subminiature", 7: "subminiature", 8: "noval", 9: "miniature",
}  # fmt: skip
"""Base by the deciding digit of the European number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AmericanNumber:
    """Parts of an American type number.

    Parameters
    ----------
    heater : int
        Number before the letters.
    letters : str
        Serial letters; they carry no electrical meaning.
    elements : int
        Last digit.
    suffix : str
        What follows.
    """

    heater: int
    letters: str
    elements: int
    suffix: str

    @property
    def heater_v(self) -> float | None:
        """Nominal volts; None where the sources give only bounds."""
        return HEATER_NUMBERS.get(self.heater)

    @property
    def suffix_meanings(self) -> tuple[str, ...]:
        """Meaning of the suffix, part by part. GC is read as large bulb, revision C (memory)."""
        meanings, rest = [], self.suffix
        while rest:
            part = next((key for key in SUFFIXES if rest.startswith(key)), rest[0])
            meanings.append(SUFFIXES.get(part, f"{part}: unknown"))
            rest = rest[len(part) :]
        return tuple(meanings)


@dataclass(frozen=True, slots=True, kw_only=True)
class EuropeanNumber:
    """Parts of a European type number.

    Parameters
    ----------
    heater : str
        First letter.
    systems : str
        Letters of the systems.
    digits : str
        The digits.
    is_special_quality : bool
        Digits before the letters (E88CC), or 80x with the suffix S (memory).
    """

    heater: str
    systems: str
    digits: str
    is_special_quality: bool

    @property
    def heater_meaning(self) -> str | None:
        """``6.3 V`` or a series current; None for letters the tables disagree about."""
        return HEATER_LETTERS.get(self.heater)

    @property
    def system_meanings(self) -> tuple[str, ...]:
        """One entry for every letter, in order."""
        return tuple(SYSTEMS.get(letter, f"{letter}: unknown") for letter in self.systems)

    @property
    def base(self) -> str | None:
        """Base by the deciding digit; None where the rule does not say.

        Of three digits the hundreds decide if they are 8 or 9, the tens if the hundreds are 1 or 2 (memory). A
        single digit is read with a leading zero.
        """
        digits = self.digits.zfill(2)
        if len(digits) == 2:
            return BASE_DIGITS[int(digits[0])]
        if len(digits) == 3 and digits[0] in "89":
            return BASE_DIGITS[int(digits[0])]
        if len(digits) == 3 and digits[0] in "12":
            return BASE_DIGITS[int(digits[1])]
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberFinding:
    """One thing a type number says, beside what is so.

    Parameters
    ----------
    name : str
        The type number.
    part : str
        Which part of it: ``12``, ``7``, ``E``, ``CC``, ``83``; or the whole.
    says : str
        By the rule.
    actual : str
        By the data; empty where there is nothing to compare.
    verdict : str
        ``agrees``, ``fails``, or ``hint`` where the rule is no proof either way.
    """

    name: str
    part: str
    says: str
    actual: str
    verdict: str


def is_regulator(type_number: str) -> bool:
    """Whether a type number is one of a glow tube that holds a voltage.

    Parameters
    ----------
    type_number : str
        As written.

    Examples
    --------
    >>> [is_regulator(one) for one in ("0A2", "OB2", "VR150", "85A2", "6A3", "EL84")]
    [True, True, True, True, False, False]
    """
    return _REGULATORS.fullmatch(re.split("[ /]", type_number.strip().upper())[0]) is not None


def read_american(name: str) -> AmericanNumber | None:
    """Take an American type number apart.

    Parameters
    ----------
    name : str
        Such as ``12AX7A``. Four-digit industrial numbers are none: their digits carry no meaning.

    Examples
    --------
    >>> read_american("6SN7GTB").suffix_meanings, read_american("7025")
    (('small tubular glass', 'revision B'), None)
    """
    text = name.upper().replace("-", "")
    match = _AMERICAN.fullmatch(text)
    if not match or _INDUSTRIAL.fullmatch(text):
        return None
    heater, letters, elements, suffix = match.groups()
    return AmericanNumber(heater=int(heater), letters=letters, elements=int(elements), suffix=suffix)


def read_european(name: str) -> EuropeanNumber | None:
    """Take a European type number apart.

    Parameters
    ----------
    name : str
        Such as ``ECC83`` or ``E88CC``. KT, CV, VT and M numbers and one letter before digits belong to other
        systems.

    Examples
    --------
    >>> read_european("EL84").system_meanings, read_european("EL84").base, read_european("KT88")
    (('power pentode or tetrode',), 'noval', None)
    """
    text = name.upper().replace("-", "")
    if _OTHER_SYSTEMS.fullmatch(text):
        return None
    if match := _SPECIAL.fullmatch(text):
        heater, digits, systems = match.groups()
        return EuropeanNumber(heater=heater, systems=systems, digits=digits, is_special_quality=True)
    if match := _EUROPEAN.fullmatch(text):
        heater, systems, digits, suffix = match.groups()
        special = suffix == "S" and digits.startswith("80") and len(digits) == 3
        return EuropeanNumber(heater=heater, systems=systems, digits=digits, is_special_quality=special)
    return None


def count_elements(tube: Tube) -> int:
    """Count what the last digit of an American number should count.

    Parameters
    ----------
    tube : Tube
        Any type.

    Returns
    -------
    int
        One for the heater or filament, one for each electrode brought out on its own (joined ones once), one for a
        shell pin and one for a shield with a pin of its own. A cathode joined to the heater still counts.
    """
    found = {"heater"}
    for pin in tube.pins.values():
        if not pin.is_heater and pin.code not in ("NC", "IC"):
            found.add(pin.code)
        elif pin.code == "H_K":
            found.add("K")
    return len(found)


def may_replace(new: str, old: str) -> bool:
    """Whether a number is the same type or a later revision of another, by its suffix alone.

    Parameters
    ----------
    new, old : str
        American numbers.

    Examples
    --------
    >>> may_replace("12AX7A", "12AX7"), may_replace("6SN7GT", "6SN7GTB")
    (True, False)
    """
    first, second = read_american(new), read_american(old)
    if first is None or second is None:
        return False
    if (first.heater, first.letters, first.elements) != (second.heater, second.letters, second.elements):
        return False
    bulb, late = re.fullmatch(r"(.*?)([A-F]?)", first.suffix).groups()  # type: ignore[union-attr]
    other, early = re.fullmatch(r"(.*?)([A-F]?)", second.suffix).groups()  # type: ignore[union-attr]
    return bool(bulb == other and late >= early)


def number_findings(tube: Tube) -> tuple[NumberFinding, ...]:
    """Compare what every number of a type says with its data.

    Parameters
    ----------
    tube : Tube
        Any type.
    """
    findings: list[NumberFinding] = []
    for name in (tube.name, *tube.aliases):
        american, european = read_american(name), read_european(name)
        if american:
            findings += _american_findings(name, american, tube)
        elif european:
            findings += _european_findings(name, european, tube)
        else:
            says = "an industrial or another maker's series: its digits carry no meaning"
            findings.append(NumberFinding(name=name, part=name, says=says, actual="", verdict="hint"))
    return tuple(findings)


def _american_findings(name: str, number: AmericanNumber, tube: Tube) -> list[NumberFinding]:
    rated = tube.heater[0]
    nominal = number.heater_v
    findings = []
    if nominal is not None:
        series = ", halves in series" if len(tube.heater) > 1 else ""
        findings.append(
            NumberFinding(
                name=name, part=str(number.heater), says=f"{nominal:g} V heater",
                actual=f"{rated.volts:g} V{series}", verdict="agrees" if rated.volts == nominal else "fails",
            )
        )  # fmt: skip
    counted = count_elements(tube)
    findings.append(
        NumberFinding(
            name=name, part=str(number.elements), says=f"{number.elements} elements, heater included",
            actual=f"{counted} counted from the pins",
            verdict="agrees" if counted == number.elements else "fails",
        )
    )  # fmt: skip
    if number.suffix:
        says = ", ".join(number.suffix_meanings)
        findings.append(NumberFinding(name=name, part=number.suffix, says=says, actual="", verdict="hint"))
    return findings


def _european_findings(name: str, number: EuropeanNumber, tube: Tube) -> list[NumberFinding]:
    findings = []
    if (meaning := number.heater_meaning) is not None:
        fits = [c for c in tube.heater if meaning in (f"{c.volts:g} V", f"{round(c.amps * 1e3)} mA")]
        shown = fits[0] if fits else tube.heater[0]
        how = f", halves in {shown.name}" if len(tube.heater) > 1 else ""
        findings.append(
            NumberFinding(
                name=name, part=number.heater, says=f"{meaning} heater", actual=f"{shown.volts:g} V{how}",
                verdict="agrees" if fits else "fails",
            )
        )  # fmt: skip
    findings.append(
        NumberFinding(
            name=name, part=number.systems, says=" and ".join(number.system_meanings), actual=tube.construction,
            verdict="agrees" if _systems_fit(number.systems, tube) else "fails",
        )
    )  # fmt: skip
    if number.base is not None:
        findings.append(
            NumberFinding(
                name=name, part=number.digits, says=f"{number.base} base", actual=f"{tube.base} base",
                verdict="agrees" if number.base == tube.base else "fails",
            )
        )  # fmt: skip
    return findings


def _systems_fit(letters: str, tube: Tube) -> bool:
    kinds = [section.kind for section in tube.sections]
    triodes, diodes = kinds.count("triode"), kinds.count("diode")
    pentodes, heptodes = kinds.count("pentode"), kinds.count("heptode")
    wanted = {
        "triode": letters.count("C") + letters.count("D"),
        "diode": 2 * letters.count("B") + letters.count("A"),
        "pentode": letters.count("F") + letters.count("L") + letters.count("E"),
        "heptode": letters.count("H") + letters.count("K"),
        "rectifier": 2 * letters.count("Z") + letters.count("Y"),
    }
    have = {
        "triode": triodes, "diode": diodes, "pentode": pentodes, "heptode": heptodes,
        "rectifier": kinds.count("rectifier"),
    }  # fmt: skip
    return wanted == have
