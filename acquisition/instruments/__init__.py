"""Instruments by their role: meter, scope, generator; how a family talks is in its dialect file."""

from .bench import Bench, load_bench
from .check import ROLES, Finding, check_instrument, list_limits
from .dialect import Dialect, load_dialect
from .generator import Generator, Sine, open_generator
from .meter import open_meter
from .meter_role import Meter
from .samples import Sample
from .scope import Scope, open_scope
from .scope_settings import Channel, Timebase, Trigger

__all__ = [
    "ROLES",
    "Bench",
    "Channel",
    "Dialect",
    "Finding",
    "Generator",
    "Meter",
    "Sample",
    "Scope",
    "Sine",
    "Timebase",
    "Trigger",
    "check_instrument",
    "list_limits",
    "load_bench",
    "load_dialect",
    "open_generator",
    "open_meter",
    "open_scope",
]
