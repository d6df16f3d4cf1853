"""What stands behind the rails, EMF, ripple and rectifier, so that the nominal chassis shows what is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from acquisition.errors import OutsideModel, Problem
from acquisition.quantities import format_value
from analysis.circuit.dc import OperatingPoint, solve_dc
from analysis.circuit.elements import SHORT_S, Array, Supply
from analysis.circuit.network import Circuit
from analysis.circuit.rectifier import Rectifier, peak_for
from analysis.circuit.ripple import RipplingRail, rail_transfer
from analysis.circuit.supplied import Supplied, load_slope_s

from .compiling import Compiled
from .description import Chassis

RAIL_TOLERANCE_V = 1e-4
"""How near the nominal chassis comes to the volts of its rails."""

FED_V = 10.0 * RAIL_TOLERANCE_V
"""So far its parts may lift a rectified rail above its EMF: more than how near the EMF is known."""

RAIL_ROUNDS = 500
"""Most steps to get there: shipped chassis need seven, a rail that its load pulls to a thirtieth nearly all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SettledRails:
    """What stands behind the rails of a chassis.

    Parameters
    ----------
    emf_v : mapping of str to float
        By parameter key: the EMF of a rail, or the peak of the winding behind its rectifier, volts.
    rippling : tuple of RipplingRail
        Those with a ripple given.
    rectifiers : tuple of Rectifier
        Of the rectified ones.
    """

    emf_v: Mapping[str, float]
    rippling: tuple[RipplingRail, ...]
    rectifiers: tuple[Rectifier, ...]


def settle_rails(
    chassis: Chassis,
    compiled: Compiled,
    nominal: Mapping[str, Array],
    require_solved: Callable[[OperatingPoint], None],
) -> SettledRails:
    """Solve for what stands behind each rail so that the nominal chassis shows the volts of the file.

    Parameters
    ----------
    chassis : Chassis
        With its rails.
    compiled : Compiled
        Its circuit.
    nominal : mapping of str to ndarray, shape (1,)
        Every element value; not changed.
    require_solved : callable
        Raises where there is no operating point.

    Raises
    ------
    OutsideModel
        A rail cannot have the volts that the file gives.
    """
    rails, circuit, table = chassis.rails, compiled.circuit, dict(nominal)
    rest = solve_dc(circuit, table)
    for _ in range(RAIL_ROUNDS):
        require_solved(rest)
        short = {name: rail.volts - float(rest.node_v(chassis.node_names[name])[0]) for name, rail in rails.items()}
        if max(abs(miss) for miss in short.values()) < RAIL_TOLERANCE_V:
            break
        for name, miss in short.items():
            table[f"{name}.emf"] = table[f"{name}.emf"] + miss
        rest = solve_dc(circuit, table, start=rest.volts)
    else:
        raise _unsettled(chassis, max(short, key=lambda name: abs(short[name])), short)
    rippling = tuple(
        _ripple_of(supply, chassis, compiled, table, rest)
        for supply in circuit.supplies
        if rails[supply.key].ripple_pp_v and not rails[supply.key].rectified
    )
    rectifiers: tuple[Rectifier, ...] = ()
    at_rest = Supplied(table=dict(table), rest=rest, charging=(), peak_v=())
    for plain in compiled.rectifiers:
        rail = rails[plain.key]
        rectifier = replace(plain, slope_s=load_slope_s(plain, circuit, at_rest))
        drop_v = float(table[f"{rail.name}.emf"][0]) - rail.volts
        load_a = drop_v / max(rail.source_ohm, 1.0 / SHORT_S)
        if drop_v * np.sign(rail.volts) < -FED_V:
            raise _fed(chassis, rail.name, load_a)
        table[f"{rail.name}.emf"] = np.full(1, peak_for(rectifier, table, rail.volts, load_a))
        rectifiers += (rectifier,)
    emf_v = {f"{name}.emf": float(table[f"{name}.emf"][0]) for name in rails}
    return SettledRails(emf_v=emf_v, rippling=rippling, rectifiers=rectifiers)


def loaded_anew(rectifiers: tuple[Rectifier, ...], circuit: Circuit, supplied: Supplied) -> tuple[Rectifier, ...]:
    """Rectifiers with the load that other tubes put on them.

    Parameters
    ----------
    rectifiers : tuple of Rectifier
        As settled.
    circuit : Circuit
        With the other tubes.
    supplied : Supplied
        At rest.
    """
    return tuple(replace(one, slope_s=load_slope_s(one, circuit, supplied)) for one in rectifiers)


def _unsettled(chassis: Chassis, name: str, short: Mapping[str, float]) -> OutsideModel:
    rail = chassis.rails[name]
    shown = format_value(rail.volts - short[name], "V")
    problem = Problem(
        chassis.path,
        rail.line,
        f"rails.{name}.volts",
        f"expected {format_value(rail.volts, 'V')}, but with its parts the rail comes to {shown}",
    )
    return OutsideModel(str(problem), hint="check its source, what draws from it, and how it meets other rails")


def _fed(chassis: Chassis, name: str, load_a: float) -> OutsideModel:
    rail = chassis.rails[name]
    problem = Problem(
        chassis.path,
        rail.line,
        f"rails.{name}.volts",
        f"at {format_value(rail.volts, 'V')} its parts feed the rail {format_value(abs(load_a), 'A')}, and a"
        " rectifier takes no current",
    )
    return OutsideModel(str(problem), hint="check its volts and its parts, or leave rectified out")


def _ripple_of(
    supply: Supply, chassis: Chassis, compiled: Compiled, table: Mapping[str, Array], rest: OperatingPoint
) -> RipplingRail:
    """Ripple in the EMF of a rail that shows as the file says at its node."""
    transfer = rail_transfer(compiled.circuit, table, rest.slopes, supply, 2.0 * chassis.mains_hz)
    emf = abs(float(table[f"{supply.key}.emf"][0]))
    return RipplingRail(
        key=supply.key, ratio=0.5 * chassis.rails[supply.key].ripple_pp_v / transfer / max(emf, 1e-9)
    )
