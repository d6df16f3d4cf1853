"""Slopes of what the instruments show by every value of a chassis, their loading included."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from acquisition.records import Measurand
from analysis.circuit.elements import GROUND, Array, conductance
from analysis.circuit.ripple import Ripple
from analysis.circuit.ripple_slopes import RippleSlopes
from analysis.circuit.sensitivity import RailMoves, RestSlopes
from analysis.circuit.signal_slopes import Seen, SignalSlopes
from analysis.circuit.supplied import Supplied

from .compiling import GENERATOR
from .model import ChassisModel
from .parameters import Values
from .predicting import DEFAULT_FREQ_HZ, SIGNALS, Metered, leads, without_signal


def slopes_of(
    model: ChassisModel,
    values: Values,
    moves: Mapping[str, Array],
    measurands: Sequence[Measurand],
    supplied: Supplied,
) -> tuple[Array, Array]:
    """What the instruments show, and how it moves.

    Parameters
    ----------
    model : ChassisModel
        The chassis.
    values : mapping
        S samples of parameter values.
    moves : mapping of str to ndarray
        K parameters that move, each with the change of its value that counts as one, shape (S,).
    measurands : sequence of Measurand
        M of them; distortion comes back as NaN.
    supplied : Supplied
        The chassis at rest for these values.

    Returns
    -------
    shown : ndarray, shape (S, M)
        As `ChassisModel.predict`.
    slopes : ndarray, shape (S, M, K)
        Derivatives, in the unit of the measurand for one move. NaN where there is no operating point.

    Notes
    -----
    The emission of a tube, or of all, moves the strength of each section. What the meter's current does to the
    slopes of the tubes counts only where the reading had to be solved again for it (`Metered`).
    """
    table = model.table(values)
    inner = {key: move for key, move in moves.items() if key not in model.envelopes}
    for key, strengths in model.envelopes.items():
        inner |= {strength: inner[strength] * table[key] for strength in strengths if strength in inner}
        if key in moves:
            inner |= {strength: table[strength] for strength in strengths if strength not in inner}
    shares = {
        key: {one: moves[key] / table[key] * table[one] / inner[one] for one in strengths}
        for key, strengths in model.envelopes.items()
        if key in moves
    }
    shown, by = _slopes_of(model, table, inner, measurands, supplied)
    place = {key: column for column, key in enumerate(inner)}
    columns = [
        sum(by[..., place[one]] * share[:, None] for one, share in shares[key].items())
        if key in shares
        else by[..., place[key]]
        for key in moves
    ]
    return shown, np.stack(columns, axis=-1) if columns else by


def _slopes_of(
    model: ChassisModel,
    table: Mapping[str, Array],
    moves: Mapping[str, Array],
    measurands: Sequence[Measurand],
    supplied: Supplied,
) -> tuple[Array, Array]:
    """As `slopes_of`, for a whole table of values and moves of what the circuit itself has."""
    count = supplied.count
    moves = {key: np.broadcast_to(move, (count,)) for key, move in moves.items()}
    rails = [RailMoves(r, supplied, own, table, moves) for own, r in enumerate(model.rectifiers)]
    volts = np.empty((len(model.circuit.nodes), count))
    volts[:] = supplied.rest.table(model.circuit.dense.order)
    shown = np.full((count, len(measurands)), np.nan)
    slopes = np.full((count, len(measurands), len(moves)), np.nan)
    good = np.broadcast_to(supplied.rest.culprit < 0, (count,)) & np.isfinite(volts).all(axis=0)
    rest = RestSlopes(model.circuit, supplied.table, np.where(good, volts, 0.0), moves, rails=rails)
    nodes = [[model.node(point) for point in m.points] for m in measurands]
    steady = [i for i, m in enumerate(measurands) if m.quantity == "dc_v"]
    if steady:
        shown[:, steady], slopes[:, steady] = _steady(model, supplied, rest, rails, [nodes[i][0] for i in steady])
    cold = [i for i, m in enumerate(measurands) if m.quantity == "cold_ohm"]
    if cold:
        found = model.cold(supplied.table).slopes([leads(nodes[i]) for i in cold], moves, count)
        shown[:, cold], slopes[:, cold] = found
    humming = [i for i, m in enumerate(measurands) if m.quantity == "ripple_pp_v"]
    if humming:
        hum = model.hum(supplied)
        shown[:, humming], slopes[:, humming] = _humming(model, rest, rails, hum, [nodes[i][0] for i in humming])
    signals = [i for i, m in enumerate(measurands) if m.quantity in SIGNALS]
    if signals:
        found = _signals(model, supplied, rest, [measurands[i] for i in signals], [nodes[i] for i in signals])
        shown[:, signals], slopes[:, signals] = found
    shown[~good], slopes[~good] = np.nan, np.nan
    return shown, slopes


def _steady(
    model: ChassisModel, supplied: Supplied, rest: RestSlopes, rails: Sequence[RailMoves], nodes: Sequence[int]
) -> tuple[Array, Array]:
    """DC readings, shapes (S, P) and (S, P, K)."""
    real = sorted({n for n in nodes if n != GROUND})
    metered = Metered(model.circuit, supplied.table, supplied.rest, real, model.meter, rest.inverse)
    places = model.circuit.dense.places(real)
    volts = np.broadcast_to(metered.shown, (len(real), rest.count)).T
    slopes = rest.read(places, metered.siemens, volts)
    if metered.samples.size:
        rows = metered.samples
        case = {key: v if v.size == 1 else v[rows] for key, v in supplied.table.items()}
        moves = {key: move[rows] for key, move in rest.moves.items()}
        at = places[metered.points]
        loaded = RestSlopes(
            model.circuit, case, metered.bent_v, moves, (at, metered.siemens), [rail.picked(rows) for rail in rails]
        )
        slopes[rows, metered.points] = loaded.one_each(at)
    return _with_ground(nodes, real, volts, slopes)


def _with_ground(nodes: Sequence[int], real: Sequence[int], shown: Array, slopes: Array) -> tuple[Array, Array]:
    """What was found at real nodes, shapes (S, R) and (S, R, K), at every node asked for: nothing at ground."""
    place = [real.index(node) if node != GROUND else -1 for node in nodes]
    none = np.zeros((len(shown), 1))
    shown = np.concatenate([shown, none], axis=1)[:, place]
    return shown, np.concatenate([slopes, np.zeros_like(slopes[:, :1])], axis=1)[:, place]


def _humming(
    model: ChassisModel, rest: RestSlopes, rails: Sequence[RailMoves], hum: Ripple, nodes: Sequence[int]
) -> tuple[Array, Array]:
    """Hum with a probe on each node in turn, shapes (S, P) and (S, P, K)."""
    real = sorted({n for n in nodes if n != GROUND})
    probe_s = model.probe.admittance(np.array([2j * np.pi * 2.0 * hum.mains_hz]))[0]
    return _with_ground(nodes, real, *RippleSlopes(rest, hum, rails).look(real, probe_s))


def _signals(
    model: ChassisModel,
    supplied: Supplied,
    rest: RestSlopes,
    measurands: Sequence[Measurand],
    nodes: Sequence[Sequence[int]],
) -> tuple[Array, Array]:
    """Scope readings, shapes (S, M) and (S, M, K)."""
    freqs = sorted({m.freq_hz or DEFAULT_FREQ_HZ for m in measurands})
    source_s = conductance(supplied.table[GENERATOR])
    probe_s = model.probe.admittance(2j * np.pi * np.array(freqs))
    rectified = frozenset(r.key for r in model.rectifiers)
    signal = SignalSlopes(rest, np.array(freqs), source_s, probe_s, rectified)
    wanted: dict[Seen, int] = {}
    column: list[int | None] = []
    known = [without_signal(measurand, ends) for measurand, ends in zip(measurands, nodes, strict=True)]
    for measurand, ends, value in zip(measurands, nodes, known, strict=True):
        if value is not None:
            column.append(None)
            continue
        source = model.node(model.input_of(measurand.points))
        seen = Seen(freq=freqs.index(measurand.freq_hz or DEFAULT_FREQ_HZ), nodes=tuple(ends), source=source)
        column.append(wanted.setdefault(seen, len(wanted)))
    values, logs = signal.look(list(wanted))
    shown = np.zeros((rest.count, len(measurands)))
    slopes = np.zeros((*shown.shape, len(rest.moves)))
    for index, (measurand, place) in enumerate(zip(measurands, column, strict=True)):
        if place is None:
            shown[:, index] = known[index]
            continue
        if measurand.quantity == "phase_deg":
            shown[:, index] = np.degrees(np.angle(values[:, place]))
            slopes[:, index] = np.degrees(logs[:, place].imag)
            continue
        drive = {"gain": 1.0, "pp_v": measurand.drive_pp_v or np.nan}.get(
            measurand.quantity, (measurand.drive_pp_v or np.nan) * 0.5 / np.sqrt(2.0)
        )
        shown[:, index] = np.abs(values[:, place]) * drive
        slopes[:, index] = shown[:, index, None] * logs[:, place].real
    return shown, slopes
