"""Sparse elimination over arrays against dense linear algebra."""

import numpy as np
import pytest

from analysis.circuit.elimination import Elimination, add_entry, elimination_order

SIZE, SAMPLES = 7, 5
LINKS = [(0, 1), (1, 2), (2, 3), (3, 0), (3, 4), (4, 5), (5, 6), (2, -1), (6, -1)]


def random_system(rng, kind):
    """A network whose links differ from sample to sample, or not, with one slope that goes only one way."""
    rows = {n: {n: np.full(1, 0.1, dtype=kind)} for n in range(SIZE)}
    for number, (a, b) in enumerate(LINKS):
        g = rng.uniform(0.5, 2.0, SAMPLES if number % 2 else 1).astype(kind)
        if kind is complex:
            g = g + 1j * rng.uniform(0.0, 1.0, g.shape)
        for i, j, value in ((a, a, g), (b, b, g), (a, b, -g), (b, a, -g)):
            add_entry(rows, i, j, value)
    add_entry(rows, 5, 1, rng.uniform(0.0, 0.3, SAMPLES).astype(kind))
    return rows


def dense(rows):
    matrix = np.zeros((SAMPLES, SIZE, SIZE), dtype=complex)
    for i, row in rows.items():
        for j, entry in row.items():
            matrix[:, i, j] = entry
    return matrix


def copied(rows):
    return {i: dict(row) for i, row in rows.items()}


@pytest.mark.parametrize("kind", [float, complex])
def test_solve_agrees_with_dense(kind):
    rng = np.random.default_rng(4)
    rows = random_system(rng, kind)
    right = {1: rng.uniform(size=SAMPLES), 6: np.ones(1)}
    vector = np.zeros((SAMPLES, SIZE))
    vector[:, 1], vector[:, 6] = right[1], 1.0
    wanted = np.linalg.solve(dense(rows), vector[..., None])[..., 0]
    order = elimination_order(SIZE, [*LINKS, (5, 1)])
    found = Elimination(copied(rows), order).solve(right)
    for node in range(SIZE):
        assert np.broadcast_to(found[node], SAMPLES) == pytest.approx(wanted[:, node])


def test_wanted_nodes_alone_give_the_same():
    rows = random_system(np.random.default_rng(5), float)
    order = elimination_order(SIZE, [*LINKS, (5, 1)])
    whole = Elimination(copied(rows), order).solve({0: np.ones(1)})
    part = Elimination(copied(rows), order).solve({0: np.ones(1)}, [4])
    assert part[4] == pytest.approx(whole[4])


def test_smaller_system_is_the_schur_complement():
    rows = random_system(np.random.default_rng(6), float)
    keep = [2, 5]
    order = elimination_order(SIZE, [*LINKS, (5, 1)], frozenset(keep))
    assert set(order[-2:]) == set(keep)
    factors = Elimination(copied(rows), order[:-2])
    matrix = dense(rows).real
    gone = [n for n in range(SIZE) if n not in keep]
    schur = matrix[:, keep][:, :, keep] - matrix[:, keep][:, :, gone] @ np.linalg.solve(
        matrix[:, gone][:, :, gone], matrix[:, gone][:, :, keep]
    )
    for i, a in enumerate(keep):
        for j, b in enumerate(keep):
            entry = np.broadcast_to(factors.rows[a].get(b, np.zeros(1)), SAMPLES)
            assert entry == pytest.approx(schur[:, i, j])


def test_leading_axes_are_further_right_hand_sides():
    rows = random_system(np.random.default_rng(7), float)
    order = elimination_order(SIZE, [*LINKS, (5, 1)])
    factors = Elimination(copied(rows), order)
    unit = {n: (np.arange(SIZE) == n).astype(float)[:, None] for n in range(SIZE)}
    found = factors.solve(unit)
    inverse = np.linalg.inv(dense(rows).real)
    for node in range(SIZE):
        assert np.broadcast_to(found[node], (SIZE, SAMPLES)) == pytest.approx(inverse[:, node].T)
