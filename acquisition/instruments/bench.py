"""The bench file: which instruments there are, where, and what they, the lead and the probe can stand."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer

from ..configs import Document, find_config, parse_yaml, read_yaml, validate
from ..errors import ConfigError, Problem
from ..quantities import parse_value
from ..records import UNKNOWN_RATING_V
from ..transport import parse_address
from .accuracy import AccuracyTable
from .dialect import load_dialect
from .dialect_parts import Serial, Strict, checked_pattern

LEAST_LOAD_OHM = 1e3
"""No meter and no probe for voltages loads a circuit with less."""
MOST_LOAD_FARAD = 1e-7
"""No input, lead or probe for voltages has more across it."""


def _value(given: Any) -> Any:
    return parse_value(given) if isinstance(given, str) else given


def _farad(farad: float) -> float:
    # 12 for 12p is quickly written, and would swallow every signal.
    if farad > MOST_LOAD_FARAD:
        raise ValueError("expected picofarads, such as 12p")
    return farad


def _factor(given: Any) -> Any:
    try:
        return _value(given)
    except ValueError:
        raise ValueError(f"expected a plain number, 10 for a probe of x10, got {given!r}") from None


def _load(ohm: float) -> float:
    # 10m for 10M is quickly written, and with a short circuit for a load every expected reading would be 0 V.
    if ohm < LEAST_LOAD_OHM:
        raise ValueError("expected at least 1k ohm, such as 10M: a capital M is mega, a small m is milli")
    return ohm


def _resource(text: str) -> str:
    return parse_address(text).resource


def _accuracy(given: Any) -> AccuracyTable:
    if isinstance(given, AccuracyTable):
        return given
    if isinstance(given, str) or (
        isinstance(given, dict) and all(isinstance(item, str) for pair in given.items() for item in pair)
    ):
        return AccuracyTable.parse(given)
    raise ValueError("expected an accuracy such as 0.05 % + 3 digits, or one for each range")


Value = Annotated[float, BeforeValidator(_value)]
PositiveValue = Annotated[float, BeforeValidator(_value), Field(gt=0)]
ZeroOrMore = Annotated[float, BeforeValidator(_value), Field(ge=0)]
LoadFarad = Annotated[ZeroOrMore, AfterValidator(_farad)]
LoadOhm = Annotated[float, BeforeValidator(_value), AfterValidator(_load)]
Resource = Annotated[str, AfterValidator(_resource)]
Identification = Annotated[str, AfterValidator(checked_pattern)]
Accuracies = Annotated[AccuracyTable, BeforeValidator(_accuracy), PlainSerializer(str)]


class Instrument(Strict, arbitrary_types_allowed=True):
    """What every instrument says: where it is and how it talks.

    ``identity`` is a pattern in its ``*IDN?``; ``query_s`` the time a slow one may take for an answer.
    """

    resource: Resource
    dialect: str
    identity: Identification = ""
    query_s: PositiveValue | None = None
    serial: Serial | None = None


class MeterEntry(Instrument):
    """The meter.

    ``identity`` is a pattern its ``*IDN?`` must contain; ``accuracy`` is as printed; ``rating_v`` is the highest
    voltage to earth, None when it is not known.
    """

    accuracy: Accuracies
    input_ohm: LoadOhm = 10e6
    rating_v: PositiveValue | None = None
    nplc: PositiveValue = 1.0


class ScopeEntry(Instrument):
    """The scope.

    ``rating_v`` is the limit at its input, DC plus AC peak, behind the probe; ``skew_s`` the delay that may lie
    between two channels with their probes; ``channel_correlation`` how far the scale errors of two channels are one
    error, 0 to 1, where that was measured; ``ac_corner_hz`` the -3 dB frequency of AC coupling at the input, with
    a 1:1 lead, and ``ac_tolerance`` how far a channel may be from it, 0.2 for 20 %; ``trigger_samples`` within how
    many sample intervals the trigger may lie, which counts where one channel records input and output in turn.
    """

    accuracy: Accuracies = Field(default_factory=lambda: AccuracyTable.parse("3 % of full scale"))
    input_ohm: PositiveValue = 1e6
    input_farad: LoadFarad = 15e-12
    rating_v: PositiveValue | None = None
    skew_s: ZeroOrMore = 2e-9
    channel_correlation: Annotated[float, Field(ge=0, le=1)] = 0.0
    ac_corner_hz: PositiveValue = 10.0
    ac_tolerance: Annotated[float, Field(ge=0, lt=1)] = 0.2
    trigger_samples: ZeroOrMore = 1.0


class GeneratorEntry(Instrument):
    """The generator; ``most_pp_v`` is the highest amplitude this bench lets it give."""

    source_ohm: PositiveValue = 50.0
    most_pp_v: PositiveValue = 10.0
    accuracy: Accuracies = Field(default_factory=lambda: AccuracyTable.parse("1 % + 1 mV"))


class Lead(Strict):
    """The meter's lead with its tip or clip; ``rated_v`` None when it is not known."""

    rated_v: PositiveValue | None = None
    ohm: ZeroOrMore = 0.0
    farad: LoadFarad = 0.0


class Probe(Strict):
    """The scope's probe.

    ``ohm`` and ``farad`` are what the circuit sees at the tip; ``tolerance`` is the limit of the error of its
    division, 0.01 for 1 %.
    """

    factor: Annotated[float, BeforeValidator(_factor), Field(gt=0)] = 10.0
    ohm: LoadOhm = 10e6
    farad: LoadFarad = 12e-12
    tolerance: Annotated[float, Field(ge=0, lt=0.5)] = 0.01
    rated_v: PositiveValue | None = None


class Bench(Strict):
    """One bench file."""

    bench: str
    mains_hz: Literal["50", "60"] = "50"
    backend: Literal["@py", "@ivi"] = "@py"
    clip_on_above_v: PositiveValue = 300.0
    meter: MeterEntry | None = None
    scope: ScopeEntry | None = None
    generator: GeneratorEntry | None = None
    lead: Lead = Lead()
    probe: Probe = Probe()

    @property
    def meter_limit_v(self) -> float:
        """Highest voltage to earth the meter may be led to: the lowest-rated of meter and lead counts."""
        return _lowest(self.meter.rating_v if self.meter else None, self.lead.rated_v)

    @property
    def probe_limit_v(self) -> float:
        """Highest voltage, DC plus AC peak, at the tip of the scope probe: probe, and scope input behind it.

        The probe's factor does not protect an AC-coupled input, so it is not counted on there.
        """
        input_v = self.scope.rating_v if self.scope else None
        return _lowest(self.probe.rated_v, None if input_v is None else input_v * self.probe.factor)


def _lowest(*ratings: float | None) -> float:
    return min(UNKNOWN_RATING_V if rating is None else rating for rating in ratings)


def load_bench(name_or_path: str) -> Bench:
    """Load a bench file, and check that its dialects exist and fit their places.

    Parameters
    ----------
    name_or_path : str
        Name of a shipped or added bench, or a path.

    Raises
    ------
    ConfigError
        Every mistake with its line.
    """
    document = read_yaml(find_config("benches", name_or_path))
    if cut_off := document.cut_off("bench"):  # not of a text that a job keeps: it was taken so
        raise ConfigError.from_problems(cut_off)
    return _checked(document)


def parse_bench(text: str, path: str) -> Bench:
    """Read the text of a bench file, as a job keeps it; see `load_bench`.

    Parameters
    ----------
    text : str
        The content.
    path : str
        Name used in messages.

    Raises
    ------
    ConfigError
        Every mistake with its line.
    """
    return _checked(parse_yaml(text, path))


def _checked(document: Document) -> Bench:
    bench = validate(document, Bench)
    problems: list[Problem] = []
    for role in ("meter", "scope", "generator"):
        entry = getattr(bench, role)
        if entry is None:
            continue
        try:
            dialect = load_dialect(entry.dialect)
        except ConfigError as error:
            # Mistakes in the dialect's own file have their line; where there is no such file, ours is at fault.
            problems += [
                found
                if found.line
                else document.problem((role, "dialect"), f"{found.text}, {error.hint}".strip(", "))
                for found in error.problems
            ]
            continue
        if dialect.role != role:
            problems.append(document.problem((role, "dialect"), f"{entry.dialect} is for a {dialect.role}"))
    if bench.meter is not None and bench.clip_on_above_v > bench.meter_limit_v:
        known = bench.meter.rating_v is not None and bench.lead.rated_v is not None
        if known or "clip_on_above_v" in bench.model_fields_set:
            text = (
                f"{bench.clip_on_above_v:g} V is above what meter and lead are rated for, {bench.meter_limit_v:g} V"
                ": lower it, or give rating_v and rated_v as printed on them"
            )
            problems.append(document.problem(("clip_on_above_v",), text))
    if bench.meter is None and bench.scope is None and bench.generator is None:
        problems.append(document.problem((), "needs at least one of meter, scope, generator"))
    if problems:
        raise ConfigError.from_problems(problems)
    return bench
