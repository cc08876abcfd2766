"""Least squares of a network's absorption against a table, strengths of the resonators held at zero or above.

Unknowns x: the model's parameters, in spreads from their usual logarithm, then the strengths w_k and z_k, in
units that alone would make their band's table value. Cost: misfits in tolerances squared, plus x squared; so
a parameter one spread off and a resonator that makes a whole band cost as much as a band one tolerance off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .impedance import Complexes, Floats, random_absorption

ModelFunction = Callable[[Floats, tuple[Floats, ...]], Complexes]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """One table and one model.

    Attributes
    ----------
    model : ζ(frequency, parameters), broadcasting
    frequency_hz, samples : sample frequencies, that many per band, shape (n_band · samples,)
    shapes : resonators there, shape (2, n_band, n_band · samples)
    target, tolerance : absorption and how closely to follow it, shape (n_band,)
    usual, spread : logarithms of the parameters' usual values and spreads, shape (n_parameter,)
    strength : |ζ| that absorbs the target, shape (n_band,)
    """

    model: ModelFunction
    frequency_hz: Floats
    samples: int
    shapes: Complexes
    target: Floats
    tolerance: Floats
    usual: Floats
    spread: Floats
    strength: Floats

    def split(self, x: Floats) -> tuple[Floats, Floats, Floats]:
        """Logarithms of the model's parameters, strengths w_k and z_k."""
        n, count = self.usual.size, self.target.size
        logs = self.usual + np.clip(x[:n], -5, 5) * self.spread
        return logs, x[n : n + count] / self.strength, x[n + count :] * self.strength

    def cost(self, x: Floats, loose: float) -> float:
        logs, parallel, series = self.split(x)
        model = self.model(self.frequency_hz, tuple(np.exp(logs)))
        zeta = 1 / (1 / model + parallel @ self.shapes[0]) + series @ self.shapes[1]
        misfit = (self._means(random_absorption(zeta)) - self.target) / (loose * self.tolerance)
        return float(misfit @ misfit + x @ x)

    def slopes(self, x: Floats) -> tuple[Floats, Floats]:
        """Absorption (n_band,) and its slopes d/dx (n_band, n_x).

        The network by the chain rule; the model and Paris's formula by small steps, all in one evaluation.
        """
        n, step = self.usual.size, 1e-5
        logs, parallel, series = self.split(x)
        values = np.exp(logs + step * np.vstack([np.zeros(n), np.eye(n)]))
        models = self.model(self.frequency_hz, tuple(values.T[:, :, None]))
        inner = 1 / (1 / models[0] + parallel @ self.shapes[0])
        zeta = inner + series @ self.shapes[1]
        paris = random_absorption(zeta + step * np.abs(zeta) * np.array([[0], [1], [1j]]))
        by_real, by_imag = (paris[1:] - paris[0]) / (step * np.abs(zeta))
        dzeta = np.concatenate([
            (models[1:] - models[0]) / step * (inner / models[0]) ** 2 * self.spread[:, None],
            -(inner**2) * self.shapes[0] / self.strength[:, None],
            self.shapes[1] * self.strength[:, None],
        ])
        return self._means(paris[0]), self._means(by_real * dzeta.real + by_imag * dzeta.imag).T

    def _means(self, values: Floats) -> Floats:
        return values.reshape(*values.shape[:-1], -1, self.samples).mean(axis=-1)


def solved(problem: Problem, start: Floats, free: int, loose: float = 1.0) -> Floats:
    """Damped Gauss-Newton over the first `free` unknowns, tolerances widened by `loose`; shape of `start`.

    Every step is a non-negative least-squares problem; parameters may fall below zero and enter as the
    difference of two unknowns. A few steps do.
    """
    from scipy.optimize import nnls  # late: import is slow

    n, x, cost, damping = problem.usual.size, start, problem.cost(start, loose), 0.1
    none, unit = np.zeros(free), np.eye(free)
    for _ in range(40):
        absorbed, slopes = problem.slopes(x)
        slopes = slopes[:, :free] / (loose * problem.tolerance)[:, None]
        wanted = (problem.target - absorbed) / (loose * problem.tolerance) + slopes @ x[:free]
        while True:
            matrix = np.vstack([slopes, unit, np.sqrt(damping) * unit])
            right = np.concatenate([wanted, none, np.sqrt(damping) * x[:free]])
            found = nnls(np.hstack([matrix, -matrix[:, :n]]), right)[0]
            new = x.copy()
            new[:free] = found[:free]
            new[:n] -= found[free:]
            new_cost = problem.cost(new, loose)
            if new_cost < cost:
                break
            if damping > 1e6:
                return x
            damping *= 8
        gain, x, cost, damping = cost - new_cost, new, new_cost, damping / 8
        if gain < 1e-2 + 1e-3 * cost:
            break
    return x
