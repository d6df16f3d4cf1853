"""What a type number never tells and a technician must know: taps, shields, odd pins, sockets that look alike."""

from __future__ import annotations

from .types import Tube

STRING_V = 25.0
"""Heater volts from which a tube is made for strings across the mains (common practice, no source)."""


def differing_pins(one: Tube, other: Tube) -> dict[int, tuple[str, str]]:
    """Pins whose function differs when a tube sits in the socket of another.

    Parameters
    ----------
    one, other : Tube
        Types on the same kind of base.

    Returns
    -------
    dict of int to tuple of str
        Function in each; ``no pin`` where the base has none. Empty for another kind of base.
    """
    if one.base != other.base:
        return {}
    result = {}
    for number in sorted({*one.pins, *other.pins}):
        pair = tuple(tube.pins[number].function if number in tube.pins else "no pin" for tube in (one, other))
        if pair[0] != pair[1]:
            result[number] = (pair[0], pair[1])
    return result


def traps(tube: Tube) -> tuple[str, ...]:
    """What nobody can read from the number of this type but must know, one sentence each.

    Parameters
    ----------
    tube : Tube
        Any type.
    """
    found = []
    pins = {number: pin.code for number, pin in tube.pins.items()}
    if len(tube.heater) > 1:
        series, parallel = tube.heater
        tap = parallel.between[1][0]
        found.append(
            f"the heater is tapped: {series.volts:g} V between {series.between[0][0]} and {series.between[1][0]}, "
            f"or {parallel.volts:g} V from both to {tap}; the current doubles"
        )
    elif tube.base == "noval" and pins.get(9) == "S":
        found.append(f"pin 9 is a shield, not a heater tap: {tube.heater[0].volts:g} V on pins 4 and 5 only")
    if tube.heater[0].volts >= STRING_V:
        found.append(
            f"a heater of {tube.heater[0].volts:g} V runs in a series string: such a chassis often has no mains "
            "transformer and is itself live; an isolating transformer first"
        )
    if inside := [str(number) for number, code in pins.items() if code == "IC"]:
        found.append(f"internally connected, never a tie point and possibly live: pin {', '.join(inside)}")
    if shell := [str(number) for number, code in pins.items() if code == "SH"]:
        found.append(
            f"pin {shell[0]} is the metal shell or base ring, where there is one: never a tie point, what is wired"
            " to it can be touched"
        )
    joined = [p for p in tube.pins.values() if p.code in ("F_K", "H_K")]
    if joined and tube.is_rectifier:
        found.append(
            "heater and cathode are one: every heater pin, its winding and its wiring are at full high tension"
        )
    elif joined:
        found.append(
            "the filament is the cathode: its pins, its winding and their wiring stand at the cathode's volts, and"
            " another tube on the same winding shares them"
        )
    elif tube.is_rectifier:
        outputs = [str(number) for number, code in pins.items() if code == "K"]
        found.append(f"the cathode, pin {' and '.join(outputs)}, is the high-tension output")
    if tube.base == "octal" and (absent := [str(n) for n in range(1, 9) if n not in pins]):
        found.append(f"no pin {' or '.join(absent)}: the others keep their numbers")
    for code in sorted({code for code in pins.values() if code[0] in "PGKg" and "NC" not in code}):
        at = [str(number) for number, value in pins.items() if value == code]
        if len(at) > 1:
            name = tube.pins[int(at[0])].function
            found.append(f"the {name} is on pins {' and '.join(at)}")
    for limits in (section.limits for section in tube.unlike_sections):
        if limits.screen_v and limits.plate_v and limits.screen_v <= 0.7 * limits.plate_v:
            found.append(f"the screen takes {limits.screen_v:g} V only, the plate {limits.plate_v:g} V")
    return tuple(found)
