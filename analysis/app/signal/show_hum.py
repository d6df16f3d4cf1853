"""Hum of a point as text and as plain data for ``--json``."""

from __future__ import annotations

from typing import Any

from acquisition.quantities import format_value
from analysis.spectrum import Hum

from .show import digits


def hum_facts(found: Hum) -> dict[str, Any]:
    """Hum as plain data.

    Parameters
    ----------
    found : Hum
        Result.
    """
    return {
        "point": found.point,
        "mains_hz": round(found.mains_hz, 4),
        "mains_std_hz": digits(found.mains_std_hz),
        "hum_pp_v": digits(found.hum_pp_v, 4),
        "hum_pp_std_v": digits(found.hum_pp_std_v),
        "max_minus_min_v": digits(found.whole_pp_v, 4),
        "noise_v": digits(found.noise_v),
        "line_floor_v": digits(found.least_v),
        "kind": found.kind,
        "meaning": found.meaning,
        "lines": [
            {
                "order": line.order,
                "freq_hz": round(line.freq_hz, 3),
                "peak_v": digits(line.peak_v, 4),
                "std_v": digits(line.std_v),
                "clear": line.clear,
            }
            for line in found.lines
        ],
    }


def hum_text(found: Hum) -> list[str]:
    """Hum for people.

    Parameters
    ----------
    found : Hum
        Result.
    """
    fitted = f"{found.mains_hz:.3f} Hz" + (" (fitted)" if found.mains_std_hz else " (nominal: too weak to fit)")
    if found.kind == "none":
        size = f"no line above {format_value(found.least_v, 'V', 2)}"
    else:
        size = f"{format_value(found.hum_pp_v, 'V')} peak to peak"
    lines = [f"hum at {found.point}, generator off: {size}, mains {fitted}"]
    if found.kind != "none":
        lines.append(f"{'line':>6}{'frequency':>12}{'peak':>12}{'std':>10}")
    lines += [
        f"{line.order:>5}f{format_value(line.freq_hz, 'Hz', 5):>12}{format_value(line.peak_v, 'V'):>12}"
        f"{format_value(line.std_v, 'V', 2):>10}"
        for line in found.lines
        if line.clear
    ]
    lines.append(f"lines below {format_value(found.least_v, 'V', 2)} cannot be told from the noise")
    lines.append(found.meaning)
    return lines
