"""A chassis file and its model: what the drawing says, what every point should show."""

from .bands import Band, band_of, bands, healthy_values
from .description import Chassis, Part, Printed, Rail, Signal, Stage, pin_mistake
from .loader import load_chassis, parse_chassis
from .loading import MeterLoad, ProbeLoad
from .model import ChassisModel
from .parameters import Parameter, Values
from .points import Point, list_points
from .worst_case import WorstCase

__all__ = [
    "Band", "Chassis", "ChassisModel", "MeterLoad", "Parameter", "Part", "Point", "Printed", "ProbeLoad", "Rail",
    "Signal", "Stage", "Values", "WorstCase", "band_of", "bands", "healthy_values", "list_points", "load_chassis",
    "parse_chassis", "pin_mistake",
]  # fmt: skip
