"""Whether the tip has left the contact that was read: one that chatters has not."""

from __future__ import annotations

from .fit import Rules

IN_BAND_S = 1.5
"""A contact within the band of a lead that is as quiet counts as left after so long, in seconds: nothing shows when
(common practice, no source)."""


class Lift:
    """The contact that was read last, and for how long the tip has been off it.

    Parameters
    ----------
    rules : Rules
        Settings of the decision.

    Attributes
    ----------
    level_v : float
        Of the contact, in volts.
    """

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self.level_v = 0.0
        self._scatter_v = 0.0
        self._read_s = 0.0
        self._off_from_s: float | None = None

    def begin(self, t_s: float, level_v: float, scatter_v: float) -> None:
        """Take a contact that was read just now.

        Parameters
        ----------
        t_s : float
            Now, on the meter's time.
        level_v, scatter_v : float
            Its level, and how far a sample of it may lie from that, in volts.
        """
        self.level_v, self._scatter_v, self._read_s = level_v, scatter_v, t_s
        self._off_from_s = None

    def unseen(self) -> None:
        """Something stood between the samples: time off the contact is counted anew."""
        self._off_from_s = None

    def is_off(
        self,
        t_s: float,
        value_v: float,
        *,
        band_v: float,
        quietest_v: float | None,
        noise_v: float,
        period_s: float,
    ) -> bool:
        """Take one sample and tell whether the tip was off for long enough.

        Parameters
        ----------
        t_s, value_v : float
            The sample.
        band_v : float
            Half-width of the no-contact band.
        quietest_v : float or None
            Scatter of the free lead in its quietest block, where that tells it from a contact.
        noise_v : float
            The meter's own noise.
        period_s : float
            Time between samples.
        """
        at_once = False
        if abs(self.level_v) > band_v:
            # Far above it too: a slow meter may show nothing of the air between two points.
            off = abs(value_v) <= band_v or not 0.5 <= value_v / self.level_v <= 1.5
        elif quietest_v is not None:
            # The free lead wanders; the contact stayed within its own scatter.
            off = abs(value_v - self.level_v) > max(6.0 * noise_v, min(0.5 * quietest_v, self._scatter_v))
        else:
            off = abs(value_v) > band_v or t_s - self._read_s > IN_BAND_S
            at_once = off and abs(value_v) <= band_v
        from_s = self._off_from_s if off else None
        self._off_from_s = t_s if off and from_s is None else from_s
        return at_once or (from_s is not None and t_s - from_s + period_s >= self._rules.lift_s)
