"""Take a reading by itself while somebody probes: a meter's samples in, events out.

No clock, no input or output: the caller feeds every sample of the meter and acts on the events.

How a reading is decided
------------------------
A tip on a pin is one of three things: not there (the lead picks up hum and wanders), bouncing, or there, with the
value still settling or not. The detector takes a reading when all of these hold at one sample:

1. **Not an open lead by level.** The value lies outside the no-contact band. The band is learned from this lead,
   while it hangs free: `Rules.band_factor` times the decaying peak of what the free lead showed, never less than
   `Rules.band_floor_v` and a few digits. Within the band a key counts, a hold announced beforehand, or a jump that
   the free lead never made to a value that then stands, for a second and a block of samples, stiller than its
   quietest block. From such a jump on nothing is learned of the lead: a contact would teach the band its own level.
2. **Not an open lead or a bounce by scatter.** For every run of the last L samples, and for a constant, a line
   and an exponential, the log likelihood ratio of the recursive residuals against each alternative is formed: a
   probe that bounces (residuals as wide as the step), and a free lead with a hand nearby (residuals of
   `open_ratio` of the value and of the learned wander, with the likelihood of ever reaching such a level). By
   Ville's inequality a ratio above M / alpha has a probability below alpha under the alternative (Wald's
   sequential test, one-sided), M being the number of models and noise levels tried. alpha, per run of samples:
   `alpha_open` 1e-7, because a lead hangs free for hours; `alpha_bounce` 1e-4, a few runs in each touch;
   `alpha_vouched` 1e-3 after a key.
3. **Settled, or the end of settling known.** The exponential is fitted with its own time constant. What has not
   been waited for is multiplied by `tail_doubt` and counts as standard uncertainty, because real settling is
   never exactly one exponential. Whatever the model, what it could hide of a slower tail counts too: of a
   constant the slope times the slowest time constant in play, of a line a tail fitted beside it, of an exponential
   a second one as slow as the plan says the node may be (`settle_margin` times its nominal value).
4. **Sharp enough.** All of that together, type A spread (with autocorrelation), resolution and settling, is at
   most `Rules.sharpness` of what the meter's own specification leaves open, or one digit.

The uncertainty of the reading is the root sum of squares of the type A part and of the specification taken
as rectangular (JCGM 100, 4.2, 4.3.7 and 5.1.2).

Parameters and why
------------------ Scatter of a value that is there is at least the meter's noise and its resolution / sqrt(12);
it may be larger by factors of two up to 32 (ripple and mains ride on a rail), each factor being one more
hypothesis in M; the spread in the uncertainty is averaged over those levels, and the samples just before a quiet
run speak too. A range change, an overload or a gap starts a new run: digits of two ranges are not averaged, and
overload is "unknown, high", never zero. Frames that repeat one conversion count once: as many as the restless
free lead shows (`frames`), or those of one time stamp. A hold is offered only where the free lead was heard to
be restless, so that quiet means contact. After its reading a tip is off once it was so for `lift_s`: a contact that
chatters is no touch of the next point. The level that a free lead can reach is taken as Rayleigh distributed
with `hand_factor` times its learned rms, at least `hand_floor_v`: a hand near the lead multiplies the pick-up
(common practice, no source).

References: A. Wald, Sequential Analysis, 1947 (from memory); R. L. Brown, J. Durbin, J. M. Evans, J. R. Stat.
Soc. B 37 (1975) 149, recursive residuals (from memory); JCGM 100:2008. ``tests/outside/steady_table.py`` is the
evidence.
"""

from .detector import SteadyDetector
from .events import EventKind, Sample, State, SteadyEvent, SteadyReading
from .fit import MeterFacts, Rules

__all__ = ["EventKind", "MeterFacts", "Rules", "Sample", "State", "SteadyDetector", "SteadyEvent", "SteadyReading"]
