"""Drawing symbols as SVG text: parts, tubes, ground, flags. Coordinates in user units, y downwards."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

INK = "#1c1a17"
SOFT = "#6b645a"
LEAST, MARGIN = 12, 18
"""Smallest letters of a drawing, which a screen shows at their own size or larger, and the room around it."""

MARKS = {
    "agrees": ("✓", "#00684d"),
    "low": ("▼", "#a84300"),
    "high": ("▲", "#a84300"),
    "unclear": ("?", "#6b5b00"),
}
"""Sign and colour of a verdict: dark members of the Okabe-Ito hues, readable on paper and in grey."""


@dataclass
class Sheet:
    """A growing drawing.

    Parameters
    ----------
    pieces, labels : list of str
        SVG so far; what points read lies over everything else.
    left, top, right, bottom : float
        The box that holds it.
    """

    pieces: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)
    left: float = 1e9
    top: float = 1e9
    right: float = -1e9
    bottom: float = -1e9

    @property
    def size(self) -> tuple[float, float]:
        """Width and height of the box."""
        return (self.right - self.left, self.bottom - self.top)

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, width and height of the finished drawing, with its margin."""
        width, height = self.size
        return (self.left - MARGIN, self.top - MARGIN, width + 2 * MARGIN, height + 2 * MARGIN)

    def reach(self, *points: tuple[float, float]) -> None:
        """Make the box hold these points."""
        for x, y in points:
            self.left, self.right = min(self.left, x), max(self.right, x)
            self.top, self.bottom = min(self.top, y), max(self.bottom, y)

    def put(self, other: Sheet, dx: float, dy: float) -> None:
        """Set another sheet into this one, moved by (dx, dy)."""
        for mine, theirs in ((self.pieces, other.pieces), (self.labels, other.labels)):
            if theirs:
                mine.append(f'<g transform="translate({dx:.1f} {dy:.1f})">{"".join(theirs)}</g>')
        self.reach((other.left + dx, other.top + dy), (other.right + dx, other.bottom + dy))

    def line(self, *points: tuple[float, float], width: float = 1.6) -> None:
        """A wire through points."""
        self.reach(*points)
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        self.pieces.append(f'<polyline points="{path}" fill="none" stroke="{INK}" stroke-width="{width}"/>')

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str = "start",
        size: float = LEAST,
        bold: bool = False,
        colour: str = INK,
    ) -> None:
        """Words; their width is guessed from their number so that the box holds them."""
        width = 0.6 * size * len(words)
        start = {"start": x, "middle": x - width / 2, "end": x - width}[anchor]
        self.reach((start, y - size), (start + width, y + 3))
        weight = ' font-weight="700"' if bold else ""
        self.pieces.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{size}"{weight} fill="{colour}">'
            f"{escape(words)}</text>"
        )

    def backed(
        self,
        x: float,
        y: float,
        words: str,
        *,
        anchor: str,
        size: float = LEAST,
        bold: bool = False,
        colour: str = INK,
    ) -> None:
        """Words on white, legible where they meet a wire; with a white edge instead a PDF would hold them twice."""
        width = (0.62 if bold else 0.56) * size * len(words)
        left = x - (width if anchor == "end" else 0.0) - 2
        self.pieces.append(
            f'<rect x="{left:.1f}" y="{y - size:.1f}" width="{width + 4:.1f}" height="{size + 3:g}" fill="#fff"/>'
        )
        self.text(x, y, words, anchor=anchor, size=size, bold=bold, colour=colour)

    def dot(self, x: float, y: float) -> None:
        """A joint."""
        self.reach((x, y))
        self.pieces.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.8" fill="{INK}"/>')

    def ground(self, x: float, y: float) -> None:
        """The chassis."""
        for half, down in ((11, 0), (7, 5), (3, 10)):
            self.line((x - half, y + down), (x + half, y + down))

    def flag(self, x: float, y: float, words: str, direction: str) -> None:
        """The name of a node that is drawn elsewhere, at the end of a wire.

        Parameters
        ----------
        x, y : float
            End of the wire.
        words : str
            The node.
        direction : str
            ``up``, ``down``, ``left`` or ``right``: away from the wire.
        """
        width = 7.4 * len(words) + 12
        centre = {
            "up": (x, y - 10),
            "down": (x, y + 10),
            "left": (x - width / 2, y),
            "right": (x + width / 2, y),
        }[direction]
        left, top = centre[0] - width / 2, centre[1] - 10
        self.reach((left, top), (left + width, top + 20))
        self.pieces.append(
            f'<rect x="{left:.1f}" y="{top:.1f}" width="{width:.1f}" height="20" rx="4" fill="#fff" '
            f'stroke="{SOFT}"/>'
        )
        self.text(centre[0], centre[1] + 4, words, anchor="middle")

    def part(
        self,
        kind: str,
        start: tuple[float, float],
        end: tuple[float, float],
        label: Sequence[str],
        large: bool = False,
        label_below: bool = False,
    ) -> None:
        """A two-ended part along a horizontal or vertical line, with its name and value.

        Parameters
        ----------
        kind : str
            ``resistor``, ``capacitor``, ``inductor`` or ``potentiometer``.
        start, end : tuple of float
            Its two ends.
        label : sequence of str
            Name, value.
        large : bool
            An electrolytic: its second plate is curved.
        label_below : bool
            Words below a horizontal part instead of above.
        """
        (x0, y0), (x1, y1) = start, end
        upright = abs(y1 - y0) > abs(x1 - x0)
        mid = ((x0 + x1) / 2, (y0 + y1) / 2)
        along = (0.0, 1.0) if upright else (1.0, 0.0)
        sign = 1.0 if (y1 - y0 if upright else x1 - x0) >= 0 else -1.0
        across = (along[1], along[0])

        def at(a: float, c: float) -> tuple[float, float]:
            return (mid[0] + sign * a * along[0] + c * across[0], mid[1] + sign * a * along[1] + c * across[1])

        half = 5.0 if kind == "capacitor" else 20.0
        self.line(start, at(-half, 0))
        self.line(at(half, 0), end)
        if kind == "capacitor":
            self.line(at(-half, -13), at(-half, 13), width=2.4)
            if large:
                a, b, c = at(half + 3, -13), at(half - 6, 0), at(half + 3, 13)
                self.pieces.append(
                    f'<path d="M{a[0]:.1f} {a[1]:.1f} Q{b[0]:.1f} {b[1]:.1f} {c[0]:.1f} {c[1]:.1f}" fill="none" '
                    f'stroke="{INK}" stroke-width="2.4"/>'
                )
            else:
                self.line(at(half, -13), at(half, 13), width=2.4)
        elif kind == "inductor":
            self._loops(at, half)
        else:
            teeth = [at(-half, 0)]
            teeth += [at(-half + (i + 0.5) * 2 * half / 6, 7 if i % 2 else -7) for i in range(6)]
            self.line(*teeth, at(half, 0))
        if upright:
            for row, words in enumerate(label):
                self.text(mid[0] + 17, mid[1] - 2 + 14 * row, words, bold=row == 0)
        else:
            self.text(mid[0], mid[1] + (28 if label_below else -18), " ".join(label), anchor="middle")

    def _loops(self, at: object, half: float) -> None:
        points = [at(-half + i * 2 * half / 4, 0) for i in range(5)]  # type: ignore[operator]
        path = f"M{points[0][0]:.1f} {points[0][1]:.1f} " + " ".join(
            f"A5 5 0 0 1 {x:.1f} {y:.1f}" for x, y in points[1:]
        )
        self.pieces.append(f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="1.8"/>')

    def tube(self, x: float, y: float, screen: bool, label: Sequence[str]) -> None:
        """A triode, or with a screen a pentode or beam tube, radius 34."""
        self.reach((x - 34, y - 34), (x + 34, y + 34))
        self.pieces.append(
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="34" fill="#fff" stroke="{INK}" stroke-width="1.8"/>'
        )
        self.line((x - 15, y - 16), (x + 15, y - 16), width=3)
        self.line((x, y - 16), (x, y - 60))
        rows = (4.0, -4.0) if screen else (0.0,)
        for row, height in enumerate(rows):
            for k in range(4):
                left = x - 19 + 10 * k
                self.line((left, y + height), (left + 6, y + height), width=2)
            if row == 0:
                self.line((x - 19, y + height), (x - 70, y + height))
            else:
                self.line((x + 17, y + height), (x + 70, y + height))
        self.line((x - 13, y + 18), (x + 13, y + 18), width=2.4)
        self.line((x, y + 18), (x, y + 60))
        for row, words in enumerate(label):
            self.text(x + 38, y + 22 + 14 * row, words, bold=row == 0)

    def node(
        self,
        x: float,
        y: float,
        name: str,
        function: str,
        lines: Sequence[str],
        verdict: str,
        said: str,
        anchor: str,
    ) -> None:
        """A named point with what it read over what was expected; can be chosen by pointer and key.

        Parameters
        ----------
        x, y : float
            Where the words start.
        name, function : str
            The point and what it is.
        lines : sequence of str
            Measured, expected; either may be empty.
        verdict : str
            One of the verdicts, or empty; for the mark.
        said : str
            The verdict in words.
        anchor : str
            ``start`` or ``end``.
        """
        mark, colour = MARKS.get(verdict, ("", INK))
        spoken = ", ".join(w for w in (f"{name} {function}".strip(), *lines, said) if w)
        words = Sheet()
        words.backed(x, y, name, anchor=anchor, colour=SOFT)
        if lines[0]:
            words.backed(x, y + 15, f"{mark} {lines[0]}".strip(), anchor=anchor, size=14, bold=True, colour=colour)
        if lines[1]:
            words.backed(x, y + (29 if lines[0] else 14), lines[1], anchor=anchor, colour=SOFT)
        self.reach((words.left, words.top), (words.right, words.bottom))
        self.labels.append(
            f'<g data-point="{escape(name)}" tabindex="0" role="button" aria-label="{escape(spoken)}">'
            f"{''.join(words.pieces)}</g>"
        )

    def svg(self, title: str) -> str:
        """The finished drawing.

        Parameters
        ----------
        title : str
            For screen readers and the tooltip.
        """
        box = self.box
        view = " ".join(f"{number:.0f}" for number in box)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{view}" width="{box[2]:.0f}" '
            f'height="{box[3]:.0f}" role="group" aria-label="{escape(title)}" '
            f'font-family="system-ui, DejaVu Sans, sans-serif"><title>{escape(title)}</title>'
            f"{''.join(self.pieces)}{''.join(self.labels)}</svg>"
        )
