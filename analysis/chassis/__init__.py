"""A chassis file and its model: what the drawing says, what every point should show."""

from .bands import Band, bands
from .description import Chassis, Part, Printed, Rail, Signal, Stage
from .loader import load_chassis, parse_chassis
from .model import ChassisModel, MeterLoad, Parameter, Point, ProbeLoad, Values

__all__ = [
    "Band", "Chassis", "ChassisModel", "MeterLoad", "Parameter", "Part", "Point", "Printed", "ProbeLoad", "Rail",
    "Signal", "Stage", "Values", "bands", "load_chassis", "parse_chassis",
]  # fmt: skip
