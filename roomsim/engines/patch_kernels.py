"""Compiled loops of the patch solver: overlaps of guided modes with a patch, waves that run to and from its wall.

Scalars and arrays only; jitted functions that call each other stand in this one file. Conventions of
wave_kernels.py: E(d) = exp(-j kc d), Im kc ≤ 0; a mode is φ(x) = a e^{jqx} + b e^{jq(L-x)}.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from .compiled import jit

NEGLIGIBLE_NP = 14.0
"""Waves that have fallen by so many nepers (to 1e-6) are left out."""


_jit = partial(jit, error_model="numpy")


@_jit()
def _exp(z):
    if z.real < -80.0:
        return 0j
    size = np.exp(z.real)
    return complex(size * np.cos(z.imag), size * np.sin(z.imag))


@_jit()
def bessel_row(out, z):
    """Spherical Bessel functions j_l(z) exp(-|Im z|), l = 0 … out.size - 1; by downward recurrence."""
    count = out.size
    size = abs(z)
    if size < 1e-8:
        out[:] = 0j
        out[0] = 1.0
        return
    inverse = 1 / z
    start = count + 12 + int(1.1 * size + 3 * size ** (1 / 3))
    above, here = 0j, 1e-30 + 0j
    for order in range(start, 0, -1):
        if order < count:
            out[order] = here
        below = (2 * order + 1) * inverse * here - above
        above, here = here, below
        if abs(here.real) + abs(here.imag) > 1e200:
            here *= 1e-200
            above *= 1e-200
            for n in range(order, count):
                out[n] *= 1e-200
    out[0] = here
    # the larger of j_0 and j_1 gives the scale; sin z and cos z times exp(-|Im z|)
    away = abs(z.imag)
    plus, minus = _exp(complex(-z.imag - away, z.real)), _exp(complex(z.imag - away, -z.real))
    sine, cosine = (plus - minus) / 2j, (plus + minus) / 2
    zero = sine * inverse
    one = (zero - cosine) * inverse
    if size < 0.5:      # j_1 by its series: the difference loses its digits
        u = z * z
        one = z / 3 * (1 - u / 10 * (1 - u / 28 * (1 - u / 54))) * np.exp(-away)
    scale = one / above if abs(one) > abs(zero) else zero / here
    for n in range(count):
        out[n] *= scale


@_jit()
def overlaps(q, a, b, length, low, high, orders):
    """∫ φ_m(u) P̂_l(u) du over low … high, P̂_l orthonormal Legendre polynomials; shape (n_mode, orders)."""
    out = np.empty((q.size, orders), np.complex128)
    row = np.empty(orders, np.complex128)
    span, middle = high - low, 0.5 * (high + low)
    for m in range(q.size):
        z = 0.5 * span * q[m]
        bessel_row(row, z)
        grow = abs(z.imag)
        forth = a[m] * _exp(1j * q[m] * middle + grow)
        back = b[m] * _exp(1j * q[m] * (length - middle) + grow)
        turn = 1.0 + 0j
        for n in range(orders):
            out[m, n] = np.sqrt((2 * n + 1) * span) * row[n] * turn * (forth + back if n % 2 == 0 else forth - back)
            turn *= 1j
    return out


@_jit()
def closing(qa, qb, k, kb_near, kb_far, length):
    """Waves of the guided modes along the third axis, whose near wall holds the patch.

    Returns, each (n_a, n_b): kc; 1 / j(p0 p1 - n0 n1 E(2L)) with p = kc + kβ, n = kc - kβ; the closed form g with
    source and listener on the near wall; and g from wall to wall.
    """
    kc = np.empty((qa.size, qb.size), np.complex128)
    inverse = np.empty_like(kc)
    own = np.empty_like(kc)
    across = np.empty_like(kc)
    for m in range(qa.size):
        rest = k * k - qa[m] * qa[m]
        for n in range(qb.size):
            w = np.sqrt(rest - qb[n] * qb[n])
            if w.imag > 0 or (w.imag == 0 and w.real < 0):
                w = -w
            once = _exp(-1j * w * length)
            twice = once * once
            pf, nf = w + kb_far, w - kb_far
            below = 1j * ((w + kb_near) * pf - (w - kb_near) * nf * twice)
            one = 1 / (below if below != 0 else 1e-300 + 0j)      # a lossless room at resonance
            kc[m, n], inverse[m, n] = w, one
            own[m, n] = (pf + nf * twice) * one
            across[m, n] = 2 * w * once * one
    return kc, inverse, own, across


@_jit()
def along_wall(kc, inverse, kb_far, length, low, high, orders):
    """∫ g(c) P̂_l(c) dc over low … high (distances from the near wall, where the source is): (n_b, n_a, orders)."""
    out = np.empty((kc.shape[1], kc.shape[0], orders), np.complex128)
    row = np.empty(orders, np.complex128)
    span, middle = high - low, 0.5 * (high + low)
    weight = np.empty(orders)
    for order in range(orders):
        weight[order] = np.sqrt((2 * order + 1) * span)
    for m in range(kc.shape[0]):
        for n in range(kc.shape[1]):
            w = kc[m, n]
            if -w.imag * low > NEGLIGIBLE_NP:
                out[n, m, :] = 0j
                continue
            z = 0.5 * span * w
            bessel_row(row, z)
            grow = abs(z.imag)
            away = (w + kb_far) * _exp(-1j * w * middle + grow) * inverse[m, n]
            back = (w - kb_far) * _exp(-1j * w * (2 * length - middle) + grow) * inverse[m, n]
            turn = 1.0 + 0j
            for order in range(orders):     # e^{-jkc c} turns by (-j)^l, e^{+jkc c} by j^l
                value = away + back if order % 2 == 0 else away - back
                out[n, m, order] = weight[order] * row[order] * turn * value
                turn *= -1j
    return out


@_jit()
def arriving(out, kc, inverse, k, kb_far, length, even, odd, order, xa, xb, level, blur):
    """Amplitude of each guided mode at the near wall, from one source; out (n_a, n_b) is added to.

    even, odd (i, j) : of u^i v^j and w u^i v^j, w positive away from the near wall; level : distance from it
    xa (n_a, i), xb (n_b, j) : the source's powers (q/k)^i times its mode shapes
    blur [m²] : evanescent modes are weakened by exp(-blur·κ²)
    """
    part_even = np.empty(order + 1, np.complex128)
    part_odd = np.empty(order + 1, np.complex128)
    for m in range(kc.shape[0]):
        for j in range(order + 1):
            s = 0j
            t = 0j
            for i in range(order + 1 - j):
                s += even[i, j] * xa[m, i]
                t += odd[i, j] * xa[m, i]
            part_even[j], part_odd[j] = s, t
        for n in range(kc.shape[1]):
            w = kc[m, n]
            decay = -w.imag
            loss = decay * level + max(blur * (decay * decay - w.real * w.real), 0.0)
            if loss > NEGLIGIBLE_NP:
                continue
            s = 0j
            t = 0j
            for j in range(order + 1):
                s += part_even[j] * xb[n, j]
                t += part_odd[j] * xb[n, j]
            t *= w / k
            towards = _exp(complex(-loss, -w.real * level))
            far = 2 * length - level
            back = _exp(complex(-decay * far, -w.real * far))
            out[m, n] += 4 * np.pi * inverse[m, n] * (
                (s - t) * (w + kb_far) * towards + (s + t) * (w - kb_far) * back
            )


@_jit()
def powers(q, a, b, length, x, k, order):
    """(∂/jk)^i φ_m at x for i = 0 … order, shape (n_mode, order + 1)."""
    out = np.empty((q.size, order + 1), np.complex128)
    for m in range(q.size):
        forth = a[m] * _exp(1j * q[m] * x)
        back = b[m] * _exp(1j * q[m] * (length - x))
        power = 1.0 + 0j
        for i in range(order + 1):
            out[m, i] = power * (forth + back) if i % 2 == 0 else power * (forth - back)
            power *= q[m] / k
    return out


@_jit()
def shapes(q, a, b, length, x):
    """φ_m at points x (n,), shape (n_mode, n)."""
    out = np.empty((q.size, x.size), np.complex128)
    for m in range(q.size):
        for e in range(x.size):
            out[m, e] = a[m] * _exp(1j * q[m] * x[e]) + b[m] * _exp(1j * q[m] * (length - x[e]))
    return out


@_jit()
def add_heard(out, strength, kc, inverse, kb_far, length, pa, pb, levels):
    """Field at listeners of modal sources on the near wall, added to out (n_channel, n_ear).

    strength (n_channel, n_a, n_b); pa (n_a, n_ear), pb (n_b, n_ear) : mode shapes at the listeners; levels :
    their distances from the near wall
    """
    for m in range(kc.shape[0]):
        for n in range(kc.shape[1]):
            w = kc[m, n]
            pf, nf = w + kb_far, w - kb_far
            for e in range(levels.size):
                if -w.imag * levels[e] > NEGLIGIBLE_NP:
                    continue
                away = _exp(-1j * w * levels[e])
                back = _exp(-1j * w * (2 * length - levels[e]))
                wave = inverse[m, n] * pa[m, e] * pb[n, e] * (pf * away + nf * back)
                for s in range(strength.shape[0]):
                    out[s, e] += strength[s, m, n] * wave
