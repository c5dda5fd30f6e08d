"""An evaluator of circuits and errors that shares no code with the library's value choice.

Nodal analysis with ideal op amps by numpy at a few complex frequencies; the coefficients of
H = N/D are fitted through these points; figures by the textbook formulas.
"""

from __future__ import annotations

from itertools import product

import numpy as np

from synth.network.model import Network


def response(network: Network, names: list[str], values: np.ndarray, s: complex) -> np.ndarray:
    """H(s) at (batch, parts) values, by nodal analysis."""
    nodes = [n for n in network.nodes if n not in ("0", network.input)]
    place = {n: k for k, n in enumerate(nodes)}
    size = len(nodes) + len(network.op_amps)
    a = np.zeros((len(values), size, size), dtype=complex)
    b = np.zeros((len(values), size), dtype=complex)
    for branch in network.branches:
        v = values[:, names.index(branch.name)]
        y = {0: 1 / v, 1: s * v, -1: 1 / (s * v)}[branch.power]
        for here, there in (branch.nodes, branch.nodes[::-1]):
            if here not in place:
                continue
            a[:, place[here], place[here]] += y
            if there in place:
                a[:, place[here], place[there]] -= y
            elif there == network.input:
                b[:, place[here]] += y
    for k, u in enumerate(network.op_amps):
        row = len(nodes) + k
        a[:, place[u.out], row] += 1
        for pin, sign in ((u.plus, 1.0), (u.minus, -1.0)):
            if pin in place:
                a[:, row, place[pin]] += sign
            elif pin == network.input:
                b[:, row] -= sign
    scale = np.abs(a).max(axis=2, keepdims=True)
    x = np.linalg.solve(a / scale, (b / scale[:, :, 0])[:, :, None])[:, :, 0]
    found = np.zeros(len(x), dtype=complex)
    for node, weight in network.reading.weights:
        found += weight * (x[:, place[node]] if node in place else 1.0)
    return found


def coefficients(
    network: Network, names: list[str], values: np.ndarray, w0: float, order: int
) -> np.ndarray:
    """(batch, 2*(order + 1)) coefficients of N and D in s/w0, ascending, D monic."""
    points = np.exp(2j * np.pi * (np.arange(2 * order + 1) + 0.31) / (2 * order + 1))
    h = np.stack([response(network, names, values, w0 * p) for p in points], axis=1)
    powers = points[:, None] ** np.arange(order + 1)
    a = np.zeros((len(values), len(points), 2 * order + 1), dtype=complex)
    a[:, :, : order + 1] = powers
    a[:, :, order + 1 :] = -h[:, :, None] * powers[:, :order]
    x = np.linalg.solve(a, (h * powers[:, order])[:, :, None])[:, :, 0].real
    return np.hstack([x, np.ones((len(values), 1))])


def section_errors(found: np.ndarray, numerator: tuple, denominator: tuple) -> np.ndarray:
    """The error of a second-order section by the textbook figures, relative to its target."""
    n, d = found[:, :3].T, found[:, 3:].T
    tn, td = np.array(numerator), np.array(denominator)
    with np.errstate(invalid="ignore", divide="ignore"):
        w0, t_w0 = np.sqrt(d[0] / d[2]), np.sqrt(td[0] / td[2])
        q, t_q = np.sqrt(d[0] * d[2]) / d[1], np.sqrt(td[0] * td[2]) / td[1]
        parts = [np.log(w0 / t_w0), np.log(q / t_q)]
        top = int(np.argmax(np.abs(tn / td)))
        level = abs(tn[top] / td[top])
        parts.append(np.log(n[top] / d[top] / (tn[top] / td[top])))
        if tn[0] and tn[2]:
            wz, t_wz = np.sqrt(n[0] / n[2]), np.sqrt(tn[0] / tn[2])
            parts.append(np.log(wz / t_wz))
            if tn[1]:
                qz = np.sqrt(n[0] * n[2]) * np.sign(n[2]) / n[1]
                t_qz = np.sqrt(tn[0] * tn[2]) * np.sign(tn[2]) / tn[1]
                parts.append(np.log(qz / t_qz))
                if np.allclose(tn / td, tn[0] / td[0] * np.array([1, -1, 1]), rtol=1e-6):
                    parts.append(parts[3] - parts[0])
                    parts.append(parts[4] - parts[1])
        for k in range(3):
            if not tn[k]:
                parts.append(n[k] / (level * d[k]))
        error = np.abs(np.array(parts)).max(axis=0)
    error[~np.isfinite(error) | ~(d > 0).all(axis=0)] = np.inf
    return error


def every_choice(grids: list[np.ndarray]) -> np.ndarray:
    """All combinations, (batch, parts)."""
    return np.array(list(product(*grids)))
