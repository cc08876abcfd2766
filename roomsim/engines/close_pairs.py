"""Field of a driver at a seat right beside it, where sums over modes converge badly.

The heat kernel of the box splits its Green's function: G = ∫ e^{k²t} Kx Ky Kz dt. Late times are a triple
sum over modes that dies like a Gaussian; early times are images: the direct path and the wave that each wall
sends back, each in closed form for a locally reacting wall. Together they are exact at any distance.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from . import wave_kernels as kernels
from .multipoles import Multipole
from .roots import AxisModes, axis_modes

_TAIL_NP = 22.0
"""What is left out, images and modes alike, is this many nepers down."""

_NODES = 48


def close_field(
    source: Multipole,
    listener_m: NDArray[np.float64],
    wavenumber: NDArray[np.float64],
    propagation: NDArray[np.complex128],
    k_beta: NDArray[np.complex128],
    size_m: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Pressure of one source at one listener, shape (n_frequency,).

    Parameters
    ----------
    source, listener_m : the pair; the point of the source itself gives infinities
    wavenumber, propagation : real k, complex k [1/m], shape (n_frequency,)
    k_beta : kβ of the walls, shape (3, 2, n_frequency)
    size_m : of the box, shape (3,)

    Notes
    -----
    On one axis with a wall at 0, u' = h u, h = jkβ, the kernel is
    g(x - x0) + g(x + x0) - h exp(h s + h² t) erfc(s/2√t + h√t), s = x + x0, g(x) = exp(-x²/4t)/√(4πt).
    Waves that meet both walls of an axis are e^{-22} down as long as 4t·22 < (2L - |x - x0|)². The split also
    keeps k²t small, so that the two parts do not cancel. References: [carslaw-jaeger1959] ch. 14 (from memory)
    for the kernel before a radiating wall.
    """
    place = np.asarray(source.position_m, float)
    ear = np.asarray(listener_m, float)
    span = np.min(2 * size_m - np.abs(ear - place))
    eta = np.minimum(span**2 / (4 * _TAIL_NP), 6.0 / (wavenumber**2 + 2 * np.abs(k_beta).max(axis=(0, 1)) ** 2))
    even, odd = source.polynomials(2)
    early = _images(even, odd, source.order, place, ear, propagation, k_beta, size_m, eta)
    # neighbours in frequency share η, hence the number of modes; blocks keep low frequencies cheap
    late = np.empty(wavenumber.size, complex)
    reach = _TAIL_NP / eta + wavenumber**2
    for block in np.array_split(np.argsort(reach), max(1, wavenumber.size // 32)):
        block = np.sort(block)
        axes = [
            _axis(wavenumber[block], k_beta[axis][:, block], float(size_m[axis]), float(reach[block].max()))
            for axis in range(3)
        ]
        late[block] = kernels.triple_sum(
            propagation[block], reach[block], eta[block], even[block], odd[block], source.order[block],
            np.asarray(size_m, float), place, ear,
            *(array for modes in axes for array in (modes.q, modes.a, modes.b)),
        )
    return early + late


def _axis(k: NDArray[np.float64], k_beta: NDArray[np.complex128], length: float, reach: float) -> AxisModes:
    off = 2 * float(np.abs(k_beta).sum(axis=0).max()) / length
    count = int(np.ceil(length / np.pi * np.sqrt(reach + off))) + 2
    return axis_modes(k, k_beta[0] / k, k_beta[1] / k, length, count)


def _images(
    even: NDArray[np.complex128],
    odd: NDArray[np.complex128],
    order: NDArray[np.int64],
    place: NDArray[np.float64],
    ear: NDArray[np.float64],
    k: NDArray[np.complex128],
    k_beta: NDArray[np.complex128],
    size_m: NDArray[np.float64],
    eta: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """4π ∫_0^η e^{k²t} D(∇0/jk) Kx Ky Kz dt, Gauss–Legendre in ln t from where the direct path begins."""
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    distance2 = float(np.sum((ear - place) ** 2))
    first = np.minimum(distance2 / (4 * 45.0), eta * 0.5)
    half = 0.5 * np.log(eta / first)
    t = np.exp(np.log(first) + half)[:, None] * np.exp(np.outer(half, nodes))
    measure = weights * half[:, None] * t * np.exp(k[:, None] ** 2 * t)
    top = int(order.max())
    kernel = [
        _axis_kernel(place[axis], ear[axis], float(size_m[axis]), k_beta[axis], t, k,
                     top if axis < 2 else min(top, 1))
        for axis in range(3)
    ]
    total = np.zeros(k.size, complex)
    for i in range(top + 1):
        for j in range(top + 1 - i):
            plane = kernel[0][i] * kernel[1][j] * measure
            total += even[:, i, j] * np.sum(plane * kernel[2][0], axis=1)
            if top:
                total += odd[:, i, j] * np.sum(plane * kernel[2][1], axis=1)
    return 4 * np.pi * total


def _axis_kernel(
    x0: float,
    x: float,
    length: float,
    k_beta: NDArray[np.complex128],
    t: NDArray[np.float64],
    k: NDArray[np.complex128],
    order: int,
) -> list[NDArray[np.complex128]]:
    """(∂/jk)^i of the axis's kernel with respect to x0, i = 0 … order; each (n_frequency, n_node)."""
    direct = _gaussians(x - x0, t, order)
    out = [(-1.0) ** i * direct[i] + 0j for i in range(order + 1)]      # ∂/∂x0 of g(x - x0)
    for wall in range(2):
        s, sign = (x + x0, 1.0) if wall == 0 else (2 * length - x - x0, -1.0)
        waves = _wall_waves(s, 1j * k_beta[wall][:, None], t, order)
        for i in range(order + 1):
            out[i] = out[i] + sign**i * waves[i]
    return [values / (1j * k[:, None]) ** i for i, values in enumerate(out)]


def _gaussians(s: float, t: NDArray[np.float64], order: int) -> list[NDArray[np.float64]]:
    """Derivatives of exp(-s²/4t)/√(4πt) with respect to s, by the Hermite recurrence."""
    out = [np.exp(-s * s / (4 * t)) / np.sqrt(4 * np.pi * t)]
    for i in range(order):
        before = out[i - 1] if i else 0.0
        out.append(-(s * out[i] + i * before) / (2 * t))
    return out


def _wall_waves(
    s: float, h: NDArray[np.complex128], t: NDArray[np.float64], order: int
) -> list[NDArray[np.complex128]]:
    """Derivatives with respect to s of g(s) - h exp(hs + h²t) erfc(s/2√t + h√t), what a wall sends back."""
    from scipy.special import wofz

    root = np.sqrt(t)
    gauss = _gaussians(s, t, order)
    wave = h * np.exp(-s * s / (4 * t)) * wofz(1j * (s / (2 * root) + h * root))
    out = [gauss[0] - wave]
    for i in range(order):
        wave = h * wave - 2 * h * gauss[i]      # d/ds of the erfc term: h times itself less h exp(-s²/4t)/√(πt)
        out.append(gauss[i + 1] - wave)
    return out
