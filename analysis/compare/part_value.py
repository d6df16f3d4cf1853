"""What one value of a replaced part measures in circuit, before and after."""

from __future__ import annotations

from dataclasses import dataclass

from acquisition.quantities import format_value


@dataclass(frozen=True, slots=True, kw_only=True)
class InCircuit:
    """One value of a part as the readings of one pass tell it.

    Parameters
    ----------
    value : float, optional
        Most likely value; None where it is bounded on one side only, or not at all.
    low, high : float, optional
        Ends of the interval of 95 %; None where the readings set none.
    unit : str
        ``ohm F H``; a leak is a resistance.
    unfit : bool
        The readings leave so much unexplained whatever the value is that nothing is told of it.
    assumed : bool
        It was taken as sound: ripple alone cannot tell it from another value, which is told instead.
    """

    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str
    unfit: bool = False
    assumed: bool = False

    def holds(self, value: float) -> bool:
        """Whether a value lies in the interval, as far as it has ends.

        Parameters
        ----------
        value : float
            In ``unit``.
        """
        return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)

    def is_beyond(self, drawn: float, tolerance: tuple[float, float]) -> bool:
        """Whether no value that a part of the drawing may have lies in the interval.

        Parameters
        ----------
        drawn : float
            In ``unit``.
        tolerance : (float, float)
            How far below and above it that may be, as shares.
        """
        least, most = (drawn * (1.0 + share) for share in tolerance)
        return (self.low is not None and self.low > most) or (self.high is not None and self.high < least)

    @property
    def holds_all(self) -> bool:
        """Whether nothing is told of it."""
        return self.low is None and self.high is None

    def lies_below(self, other: InCircuit) -> bool:
        """Whether it is certainly less than another.

        Parameters
        ----------
        other : InCircuit
            In the same unit.
        """
        return self.high is not None and other.low is not None and self.high < other.low

    @property
    def text(self) -> str:
        """In words."""
        low, high = (None if end is None else format_value(end, self.unit, 2) for end in (self.low, self.high))
        if low == high and self.low is not None and self.high is not None:
            low, high = (format_value(end, self.unit, 3) for end in (self.low, self.high))
        if self.value is not None:
            return f"{format_value(self.value, self.unit)} ({low} to {high})"
        if low:
            return f"more than {low}"
        if high:
            return f"less than {high}"
        if self.assumed:
            return "taken as sound"
        return "these readings fit no value" if self.unfit else "these readings cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartValue:
    """One value of a replaced part before and after.

    Parameters
    ----------
    part, what : str
        ``C4`` and ``value``, ``leak`` or ``esr``.
    before, after : InCircuit
        Of each pass.
    drawn : float, optional
        As the chassis file gives it; None for losses, which a drawing does not give.
    tester, tester_std : float, optional
        What a tester showed of the new part before it was fitted; no part of ``after``.
    """

    part: str
    what: str
    before: InCircuit
    after: InCircuit
    drawn: float | None = None
    tester: float | None = None
    tester_std: float | None = None

    @property
    def name(self) -> str:
        """What is measured, in words."""
        if self.what == "value":
            return {"F": "capacitance", "H": "inductance"}.get(self.before.unit, "resistance")
        return {"leak": "leak resistance", "esr": "series resistance"}[self.what]

    @property
    def key(self) -> str:
        """Parameter of the model."""
        return self.part if self.what == "value" else f"{self.part}.{self.what}"

    @property
    def was_sound(self) -> bool:
        """Whether the old part may have been as drawn, or without losses."""
        if self.drawn is not None:
            return self.before.holds(self.drawn)
        return (self.before.high if self.what == "leak" else self.before.low) is None

    @property
    def is_worse(self) -> bool:
        """Whether the new part certainly has larger losses than the old one."""
        return {"leak": self.after.lies_below(self.before), "esr": self.before.lies_below(self.after)}.get(
            self.what, False
        )

    def rules_out(self, picked: float) -> bool:
        """Whether the old part measured as a sound one, and not as a fault of this size.

        Parameters
        ----------
        picked : float
            Value of the parameter.
        """
        return self.was_sound and not self.before.holds(1.0 / picked if self.what == "leak" else picked)

    def size_of(self, picked: float) -> float | None:
        """Value of the parameter before, as it was measured; None where it was not, or on the other side of sound.

        Parameters
        ----------
        picked : float
            As the changes had it, one of a few on the chassis as drawn.
        """
        value = self.before.value
        if value is None or (self.drawn is not None and (value > self.drawn) != (picked > self.drawn)):
            return None
        return 1.0 / value if self.what == "leak" else value

    @property
    def another_fitted(self) -> bool:
        """Whether the old part measured as drawn and the new one does not."""
        if self.drawn is None or self.before.value is None:
            return False
        return self.before.holds(self.drawn) and not self.after.holds(self.drawn)
