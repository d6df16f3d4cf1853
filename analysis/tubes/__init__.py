"""Tubes: types as data, equations, bases and what type numbers say."""

from .files import load_tube, tube_names
from .types import Capacitances, HeaterConnection, Limits, Pin, Point, Section, Tube

__all__ = [
    "Capacitances",
    "HeaterConnection",
    "Limits",
    "Pin",
    "Point",
    "Section",
    "Tube",
    "load_tube",
    "tube_names",
]
