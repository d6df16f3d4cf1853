"""How figures look: a published colour-blind-safe palette, marks that differ in shape as well, little ink.

Palette: M. Okabe and K. Ito, Color Universal Design, 2008 (from memory); its light hues are darkened until marks
stand off paper and band by 3 to 1 (WCAG 2.2, 1.4.11). No finding is told by colour alone.
"""

from __future__ import annotations

import html
from typing import Any

BLUE, VERMILION, GREEN, ORANGE, PURPLE = "#0072B2", "#D55E00", "#009268", "#B07A00", "#BD6B98"
INK, QUIET, HAIRLINE, BAND = "#22252b", "#5c626c", "#e3e1db", "#e9eef0"
PALE = "#a9cbe2"
"""Reach of single readings behind their mean: seen beside the band, and no line of its own."""

PASS_MARKS = (
    (VERMILION, "circle-open", "dot"),
    (BLUE, "square", "solid"),
    (GREEN, "diamond", "dash"),
    (PURPLE, "triangle-up", "dashdot"),
    (ORANGE, "x", "longdash"),
    (INK, "star", "longdashdot"),
)
"""Colour, mark and line of the first, last and further passes: told apart in black and white too."""

FONT = "'Source Sans 3', 'Segoe UI', 'Helvetica Neue', 'Liberation Sans', Arial, sans-serif"

_AXIS = {
    "gridcolor": HAIRLINE,
    "linecolor": HAIRLINE,
    "zeroline": False,
    "ticks": "",
    "automargin": True,
    "title": {"font": {"size": 12, "color": QUIET}, "standoff": 10},
    "tickfont": {"size": 12, "color": INK},
    "fixedrange": True,
}

TEMPLATE: dict[str, Any] = {
    "layout": {
        "font": {"family": FONT, "size": 13, "color": INK},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "colorway": [mark[0] for mark in PASS_MARKS],
        "xaxis": _AXIS,
        "yaxis": _AXIS,
        "hovermode": "closest",
        "dragmode": False,
        "hoverlabel": {
            "bgcolor": "#ffffff",
            "bordercolor": QUIET,
            "font": {"family": FONT, "size": 13, "color": INK},
        },
        "legend": {
            "orientation": "h",
            "x": 0,
            "xanchor": "left",
            "y": 1,
            "yanchor": "bottom",
            "font": {"size": 13},
            "itemclick": False,
            "itemdoubleclick": False,
        },
        "margin": {"l": 10, "r": 10, "t": 36, "b": 44},
    }
}
"""Layout template of every figure."""


def shown(text: str) -> str:
    """Text of a file or a person, made fit for a figure, whose library reads mark-up in labels.

    Parameters
    ----------
    text : str
        Any text.

    Examples
    --------
    >>> shown("<b>V1</b>")
    '&lt;b&gt;V1&lt;/b&gt;'
    """
    return html.escape(text, quote=False)
