"""Compiled loops of the wave engine: axis roots, guided-mode sums, triple sums for close pairs.

Scalars and arrays only. An axis runs from 0 to `length`; `kb0` and `kb1` are k·β of its two walls [1/m]
with the real wavenumber k. A root is kept as z = q², with Im q ≥ 0, and its mode as the two decaying
exponentials φ(x) = A e^{jqx} + B e^{jq(L-x)}, normalised by ∫φ² dx = 1 (no conjugate). Jitted functions that
call each other stand in this one file, because a cached caller does not notice that a callee has changed.

References: [morse-ingard1968] ch. 9 for the eigenvalue equation.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from .compiled import jit

SURFACE = 8.0
"""A wall with Im(kβ)·L above this binds a wave of its own, which is then solved about q = kβ."""

_SERIES = 0.05


_jit = partial(jit, error_model="numpy")


@_jit()
def expj(real, imag):
    """exp(real + j·imag)."""
    if real < -80.0:
        return 0j
    size = np.exp(real)
    return complex(size * np.cos(imag), size * np.sin(imag))


@_jit()
def root_upper(z):
    """The square root with Im ≥ 0."""
    q = np.sqrt(z)
    return -q if q.imag < 0 else q


@_jit()
def characteristic(z, kb0, kb1, length):
    """h(z) = (z + k²β0β1) sin(qL)/q - jk(β0 + β1) cos(qL) and dh/dz, both times 2e^{jqL} (1 near z = 0).

    h is entire in z = q²: the root q = 0 of the equation in q, which is no mode, is not there, and a rigid
    axis (zeros at (nπ/L)², n = 0 included) is no special case.
    """
    total, product = 1j * (kb0 + kb1), kb0 * kb1
    u = z * length * length
    if abs(u) < _SERIES:
        sine = length * (1 - u / 6 * (1 - u / 20 * (1 - u / 42 * (1 - u / 72))))
        cosine = 1 - u / 2 * (1 - u / 12 * (1 - u / 30 * (1 - u / 56)))
        slope = -(length**3) / 6 * (1 - u / 10 * (1 - u / 28 * (1 - u / 54)))
    else:
        q = root_upper(z)
        turn = expj(-2 * q.imag * length, 2 * q.real * length)
        sine = 1j * (1 - turn) / q
        cosine = 1 + turn
        slope = (length * cosine - sine) / (2 * z)
    value = (z + product) * sine - total * cosine
    return value, sine + (z + product) * slope + total * 0.5 * length * sine


@_jit()
def polish(z, kb0, kb1, length):
    """Newton's method on h; returns the root and whether it settled."""
    scale = 1.0 / (length * length)
    for _ in range(25):
        value, slope = characteristic(z, kb0, kb1, length)
        if slope == 0:
            return z, False
        step = value / slope
        z -= step
        size = abs(step)
        if size < 1e-9 * (abs(z) + scale):      # converges quadratically: the step after is below rounding
            value, slope = characteristic(z, kb0, kb1, length)
            if slope != 0:
                z -= value / slope
            return z, True
        if not size < 1e30:
            return z, False
    return z, False


@_jit()
def count_inside(radius, kb0, kb1, length):
    """Number of zeros of h with |q| < radius, by the argument principle; -1 where it cannot tell.

    h·2e^{jqL} turns slowly except where q is near the real axis, so the steps are fine at both ends of the
    half circle, and halved wherever the argument turns by more than 0.8.
    """
    winding = 0.0
    angle = 0.0
    q = complex(radius, 0.0)
    before, _ = characteristic(q * q, kb0, kb1, length)
    reach = radius * length
    while angle < np.pi:
        near = min(angle, np.pi - angle)
        step = min(0.25, 0.3 * (1.0 / reach + near))
        done = False
        for _ in range(30):
            following = min(np.pi, angle + step)
            q = complex(radius * np.cos(following), radius * np.sin(following))
            value, _ = characteristic(q * q, kb0, kb1, length)
            if before == 0 or value == 0:
                return -1
            turned = np.angle(value / before)
            if abs(turned) < 0.8:
                done = True
                break
            step *= 0.5
        if not done:
            return -1
        winding += turned
        angle, before = following, value
    turns = (winding + 2 * reach) / (2 * np.pi)
    nearest = round(turns)
    return int(nearest) if abs(turns - nearest) < 0.1 else -1


@_jit()
def _amplitudes(q, kb0, kb1, length):
    """A and B of a root from the end whose condition is the better conditioned, before normalising."""
    across = expj(-q.imag * length, q.real * length)
    if abs(q) * length < 1e-9:
        return 1.0 + 0j, 1.0 + 0j
    if abs(q - kb0) >= abs(q - kb1):
        return across * (q + kb0), q - kb0
    return q - kb1, across * (q + kb1)


@_jit()
def _normalised(q, a, b, length):
    """A and B scaled to ∫φ² dx = 1."""
    across = expj(-q.imag * length, q.real * length)
    y = 2j * q * length
    mean = length * (1 + y / 2 * (1 + y / 3 * (1 + y / 4)))
    if abs(y) > 1e-3:
        mean = (across * across - 1) / (2j * q)
    norm = (a * a + b * b) * mean + 2 * a * b * across * length
    scale = 1 / np.sqrt(norm)
    return a * scale, b * scale


@_jit()
def surface_wave(sign, kb0, kb1, length):
    """Root near kβ0 (sign +1) or kβ1 (-1) of walls that bind a wave, with its amplitudes.

    Solves δ(δ + kβ0 - kβ1) = e^{2jqL}(q + kβ0)(q + kβ1), δ = q - kβ0, for δ itself, so that the nearly
    equal roots of two like walls keep their digits. Returns q, A, B.
    """
    if min(kb0.imag, kb1.imag) * length > 70.0:      # neither feels the other wall any more
        if sign > 0:
            return kb0, 1.0 + 0j, 0j
        return kb1, 0j, 1.0 + 0j
    gap = kb0 - kb1
    middle = 0.5 * (kb0 + kb1)
    across = expj(-middle.imag * length, middle.real * length)
    branch = np.sqrt(0.25 * gap * gap + across * across * (middle + kb0) * (middle + kb1))
    if (branch * np.conj(gap)).real < 0:
        branch = -branch
    q = kb0 if sign > 0 else kb1
    delta = q - kb0
    for _ in range(60):
        across = expj(-q.imag * length, q.real * length)
        root = np.sqrt(0.25 * gap * gap + across * across * (q + kb0) * (q + kb1))
        if (root * np.conj(branch)).real < 0:
            root = -root
        # the two solutions are -gap/2 ± root; the small one is formed without cancellation
        small = across * across * (q + kb0) * (q + kb1) / (0.5 * gap + root)
        updated = small if sign > 0 else -0.5 * gap - root
        moved = abs(updated - delta)
        delta = updated
        q = kb0 + delta
        if moved <= 1e-15 * abs(q):
            break
    across = expj(-q.imag * length, q.real * length)
    if sign > 0:        # δ is small and exact: A (q - kβ1) ... from the far end, B from A
        other = delta + gap
        if abs(other) >= abs(delta):
            a, b = other, across * (q + kb1)
        else:
            a, b = across * (q + kb0), delta
    else:
        other = across * across * (q + kb0) * (q + kb1) / delta      # q - kβ1, exact
        a, b = across * (q + kb0), delta
        if abs(other) > abs(delta):
            a, b = other, across * (q + kb1)
    return q, a, b


@_jit()
def _nearest(z, target, taken):
    best, found = np.inf, -1
    for n in range(z.size):
        distance = abs(root_upper(z[n]) - target)
        if not taken[n] and distance < best:
            best, found = distance, n
    return found


@_jit()
def settle(z, guess, kb0, kb1, length, low, taken):
    """Polish all roots of one axis at one frequency and prove that none is lost.

    `z` (n,) is filled; `guess` (n,) are starts; the first `low` roots are those below the radius inside
    which roots are counted, the rest belong one to one to their neighbourhood of nπ/L. `taken` is scratch.
    Returns True where every root settled, all differ and the count is right.
    """
    taken[:] = False
    if kb0 == 0 and kb1 == 0:
        for n in range(z.size):
            z[n] = (n * np.pi / length) ** 2
        return True
    bound0, bound1 = kb0.imag * length > SURFACE, kb1.imag * length > SURFACE
    lower = guess[:low]
    if bound0:
        n = _nearest(lower, kb0, taken[:low])
        taken[n] = True
        q, _, _ = surface_wave(1, kb0, kb1, length)
        z[n] = q * q
    if bound1:
        n = _nearest(lower, kb1, taken[:low])
        taken[n] = True
        q, _, _ = surface_wave(-1, kb0, kb1, length)
        z[n] = q * q
    for n in range(z.size):
        if taken[n]:
            continue
        z[n], fine = polish(guess[n], kb0, kb1, length)
        if not fine:
            return False
        if n >= low:      # up to the sign of q, which rounding decides on a lossless axis
            q = np.sqrt(z[n])
            if abs(q * length - n * np.pi) > 0.5 * np.pi:
                return False
    closest = 1e-7 / (length * length)
    for n in range(low):
        for m in range(n):
            if not (taken[n] and taken[m]) and abs(z[n] - z[m]) < closest + 1e-9 * abs(z[n]):
                return False
    radius = (low - 0.5) * np.pi / length
    for n in range(low):
        if abs(z[n]) > radius * radius:
            return False
    return count_inside(radius, kb0, kb1, length) == low


@_jit()
def follow(z, first, k, kb0, kb1, length, low, chained):
    """Follow roots along the frequencies `first`, first + 1, …; z (n_frequency, n) is filled.

    The row before `first` must hold roots; `chained` says whether the row before that belongs to the same
    branch, so that it can be used to extrapolate. Returns the index of the first frequency where the proof
    failed, or the number of frequencies.
    """
    count = z.shape[1]
    guess = np.empty(count, np.complex128)
    taken = np.empty(count, np.bool_)
    for f in range(first, k.size):
        for n in range(count):
            if n >= low:
                guess[n] = (n * np.pi / length) ** 2 + 2j * (kb0[f] + kb1[f]) / length
            elif chained:
                guess[n] = z[f - 1, n] + (z[f - 1, n] - z[f - 2, n]) * (
                    (k[f] - k[f - 1]) / (k[f - 1] - k[f - 2])
                )
            else:
                guess[n] = z[f - 1, n]
        if not settle(z[f], guess, kb0[f], kb1[f], length, low, taken):
            return f
        chained = True
    return k.size


@_jit()
def mode_shapes(z, kb0, kb1, length):
    """q, A and B of the roots z (n_frequency, n), same shape, every row by rising real part of q²."""
    q_out = np.empty_like(z)
    a_out = np.empty_like(z)
    b_out = np.empty_like(z)
    free = np.empty(z.shape[1], np.bool_)
    for f in range(z.shape[0]):
        free[:] = False
        for wall in range(2):
            bound = kb0[f] if wall == 0 else kb1[f]
            if bound.imag * length > SURFACE:
                n = _nearest(z[f], bound, free)
                free[n] = True
                q, a, b = surface_wave(1 if wall == 0 else -1, kb0[f], kb1[f], length)
                q_out[f, n] = q
                a_out[f, n], b_out[f, n] = _normalised(q, a, b, length)
        for n in range(z.shape[1]):
            if free[n]:
                continue
            q = root_upper(z[f, n])
            a, b = _amplitudes(q, kb0[f], kb1[f], length)
            q_out[f, n] = q
            a_out[f, n], b_out[f, n] = _normalised(q, a, b, length)
        rising = np.argsort((q_out[f] * q_out[f]).real)
        q_out[f], a_out[f], b_out[f] = q_out[f][rising], a_out[f][rising], b_out[f][rising]
    return q_out, a_out, b_out


@_jit()
def shape_at(q, a, b, length, x):
    """The two exponentials of a mode at x, each with its amplitude."""
    forth = a * expj(-q.imag * x, q.real * x)
    rest = length - x
    back = b * expj(-q.imag * rest, q.real * rest)
    return forth, back


@_jit()
def _source_powers(out, q, a, b, length, x, k, order):
    """(∂/jk)^i φ at the source for i = 0 … order: (q/k)^i [A e^{jqx} + (-1)^i B e^{jq(L-x)}]."""
    forth, back = shape_at(q, a, b, length, x)
    u = q / k
    power = 1.0 + 0j
    for i in range(order + 1):
        out[i] = power * (forth + back) if i % 2 == 0 else power * (forth - back)
        power *= u


@_jit()
def guided_sum(
    out, k, cut, even, odd, order,
    qa, aa, ba, length_a, source_a, listener_a,
    qb, ab, bb, length_b, source_b, listener_b,
    kb0, kb1, length_c, level_c, level_of, listener_c, plane,
):  # fmt: skip
    """Sum over guided modes of axes a and b with the closed form along axis c, all frequencies.

    out : (n_source, n_listener, n_frequency), added to
    k : complex wavenumber (n_frequency,); cut (n_frequency,): modes with Re(q_a² + q_b²) above it are left out
    even, odd : (n_source, n_frequency, i, j) coefficients of u^i v^j and w u^i v^j of each source's pattern
    order : (n_source, n_frequency)
    qa, aa, ba : (n_frequency, n) roots and amplitudes, rising real part of q²; the same for b
    source_a … listener_b : coordinates (n_source,), (n_listener,)
    kb0, kb1 : k·β of the closed axis's walls (n_frequency,)
    level_c (n_level,), level_of (n_source,) : distinct source coordinates along c, all at or below `plane`;
    listener_c (n_listener,) : all at or above it
    """
    n_source, n_listener, n_frequency = out.shape
    n_level = level_c.size
    width = even.shape[2]
    pa = np.empty((qa.shape[1], n_listener), np.complex128)
    pb = np.empty((qb.shape[1], n_listener), np.complex128)
    xa = np.empty((qa.shape[1], n_source, width), np.complex128)
    xb = np.empty((qb.shape[1], n_source, width), np.complex128)
    even_b = np.empty((n_source, width), np.complex128)
    odd_b = np.empty((n_source, width), np.complex128)
    down = np.empty(n_level, np.complex128)
    up = np.empty(n_level, np.complex128)
    source = np.empty(n_source, np.complex128)
    total_re = np.empty((n_source, n_listener))
    total_im = np.empty((n_source, n_listener))
    heard_re = np.empty(n_listener)
    heard_im = np.empty(n_listener)
    used = 0
    for f in range(n_frequency):
        kf, top = k[f], cut[f]
        square = kf * kf
        na, nb = 0, 0
        least_a = (qa[f, 0] * qa[f, 0]).real
        least_b = (qb[f, 0] * qb[f, 0]).real
        while na < qa.shape[1] and (qa[f, na] * qa[f, na]).real + least_b <= top:
            na += 1
        while nb < qb.shape[1] and (qb[f, nb] * qb[f, nb]).real + least_a <= top:
            nb += 1
        for m in range(na):
            for i in range(n_listener):
                forth, back = shape_at(qa[f, m], aa[f, m], ba[f, m], length_a, listener_a[i])
                pa[m, i] = forth + back
            for e in range(n_source):
                _source_powers(xa[m, e], qa[f, m], aa[f, m], ba[f, m], length_a, source_a[e], kf, order[e, f])
        for m in range(nb):
            for i in range(n_listener):
                forth, back = shape_at(qb[f, m], ab[f, m], bb[f, m], length_b, listener_b[i])
                pb[m, i] = forth + back
            for e in range(n_source):
                _source_powers(xb[m, e], qb[f, m], ab[f, m], bb[f, m], length_b, source_b[e], kf, order[e, f])
        total_re[:] = 0.0
        total_im[:] = 0.0
        for m in range(na):
            zm = qa[f, m] * qa[f, m]
            for e in range(n_source):
                high = order[e, f]
                for j in range(high + 1):
                    s = 0j
                    t = 0j
                    for i in range(high + 1 - j):
                        s += even[e, f, i, j] * xa[m, e, i]
                        t += odd[e, f, i, j] * xa[m, e, i]
                    even_b[e, j] = s
                    odd_b[e, j] = t
            for n in range(nb):
                zn = qb[f, n] * qb[f, n]
                if (zm + zn).real > top:
                    break
                used += 1
                kc = -root_upper(square - zm - zn)
                if kc.imag == 0 and kc.real < 0:
                    kc = -kc
                loss, turn = kc.imag, -kc.real            # E(d) = exp(d·(loss + j·turn))
                w = kc / kf
                p0, n0, p1, n1 = kc + kb0[f], kc - kb0[f], kc + kb1[f], kc - kb1[f]
                both = expj(2 * length_c * loss, 2 * length_c * turn)
                below = 2j * kc * (p0 * p1 - n0 * n1 * both)
                factor = 4 * np.pi / (below if below != 0 else 1e-300 + 0j)      # a lossless room at resonance
                for level in range(n_level):
                    d = plane - level_c[level]
                    down[level] = p0 * expj(d * loss, d * turn)
                    d = plane + level_c[level]
                    up[level] = n0 * expj(d * loss, d * turn)
                for i in range(n_listener):
                    d = listener_c[i] - plane
                    g = p1 * expj(d * loss, d * turn)
                    d = 2 * length_c - listener_c[i] - plane
                    if d * loss > -45.0:
                        g += n1 * expj(d * loss, d * turn)
                    g *= pa[m, i] * pb[n, i]
                    heard_re[i] = g.real
                    heard_im[i] = g.imag
                for e in range(n_source):
                    s = 0j
                    t = 0j
                    for j in range(order[e, f] + 1):
                        s += even_b[e, j] * xb[n, e, j]
                        t += odd_b[e, j] * xb[n, e, j]
                    t *= w
                    level = level_of[e]
                    source[e] = factor * ((s + t) * down[level] + (s - t) * up[level])
                for e in range(n_source):
                    sr, si = source[e].real, source[e].imag
                    for i in range(n_listener):
                        total_re[e, i] += sr * heard_re[i] - si * heard_im[i]
                        total_im[e, i] += sr * heard_im[i] + si * heard_re[i]
        for e in range(n_source):
            for i in range(n_listener):
                out[e, i, f] += complex(total_re[e, i], total_im[e, i])
    return used


@_jit()
def triple_sum(
    k, reach, eta, even, odd, order, lengths, source, listener,
    qx, ax, bx, qy, ay, by, qz, az, bz,
):  # fmt: skip
    """4π Σ over the room's modes of ψ(r) D(∇0/jk)ψ(r0) exp(-(Q² - k²)η) / (Q² - k²), one pair.

    `even`, `odd` (n_frequency, i, j) with u, v, w along x, y, z; `eta` and `reach` (n_frequency,): modes with
    Re Q² above reach are left out. Returns (n_frequency,).
    """
    out = np.empty(k.size, np.complex128)
    width = even.shape[1]
    powers = np.empty(width + 1, np.complex128)
    sx = np.empty((qx.shape[1], width), np.complex128)
    sy = np.empty((qy.shape[1], width), np.complex128)
    s0 = np.empty(qz.shape[1], np.complex128)
    s1 = np.empty(qz.shape[1], np.complex128)
    for f in range(k.size):
        kf, high, t = k[f], order[f], eta[f]
        square = kf * kf
        for n in range(qx.shape[1]):
            _source_powers(powers, qx[f, n], ax[f, n], bx[f, n], lengths[0], source[0], kf, high)
            forth, back = shape_at(qx[f, n], ax[f, n], bx[f, n], lengths[0], listener[0])
            sx[n, : high + 1] = powers[: high + 1] * (forth + back) * np.exp(-qx[f, n] * qx[f, n] * t)
        for n in range(qy.shape[1]):
            _source_powers(powers, qy[f, n], ay[f, n], by[f, n], lengths[1], source[1], kf, high)
            forth, back = shape_at(qy[f, n], ay[f, n], by[f, n], lengths[1], listener[1])
            sy[n, : high + 1] = powers[: high + 1] * (forth + back) * np.exp(-qy[f, n] * qy[f, n] * t)
        for n in range(qz.shape[1]):
            _source_powers(powers, qz[f, n], az[f, n], bz[f, n], lengths[2], source[2], kf, 1)
            forth, back = shape_at(qz[f, n], az[f, n], bz[f, n], lengths[2], listener[2])
            damp = (forth + back) * np.exp((square - qz[f, n] * qz[f, n]) * t)
            s0[n], s1[n] = powers[0] * damp, powers[1] * damp
        total = 0j
        least = (qz[f, 0] * qz[f, 0]).real
        for nx in range(qx.shape[1]):
            zx = qx[f, nx] * qx[f, nx]
            for ny in range(qy.shape[1]):
                zxy = zx + qy[f, ny] * qy[f, ny]
                if zxy.real + least > reach[f]:
                    break
                e = 0j
                o = 0j
                for i in range(high + 1):
                    for j in range(high + 1 - i):
                        product = sx[nx, i] * sy[ny, j]
                        e += even[f, i, j] * product
                        o += odd[f, i, j] * product
                rest = zxy - square
                for nz in range(qz.shape[1]):
                    below = rest + qz[f, nz] * qz[f, nz]
                    if below.real > reach[f] - square.real:
                        break
                    total += (e * s0[nz] + o * s1[nz]) / below
        out[f] = 4 * np.pi * total
    return out


@_jit()
def eigenfrequencies(k, z, beta, lengths, offset):
    """Complex wavenumbers k of room modes with k² + offset = z_x + z_y + z_z, admittances held; in place.

    k (n_mode,), z (3, n_mode) : starts, overwritten; beta (3, 2, n_mode); lengths (3,); offset (n_mode,) lets a
    caller come to the damped mode (offset 0) in steps from where k is real. Returns which settled.
    Newton's method on k² + offset - Σ z(kβ), dz/dk from the axis equation.
    """
    fine = np.zeros(k.size, np.bool_)
    for n in range(k.size):
        for _ in range(40):
            total = 0j
            slope = 0j
            settled = True
            for axis in range(3):
                kb0, kb1 = k[n] * beta[axis, 0, n], k[n] * beta[axis, 1, n]
                if kb0 == 0 and kb1 == 0:
                    total += z[axis, n]
                    continue
                z[axis, n], good = polish(z[axis, n], kb0, kb1, lengths[axis])
                settled = settled and good
                total += z[axis, n]
                slope += _root_slope(z[axis, n], kb0, kb1, lengths[axis]) / k[n]
            step = (k[n] * k[n] + offset[n] - total) / (2 * k[n] - slope)
            k[n] -= step
            if abs(step) < 1e-12 * abs(k[n]):
                fine[n] = settled
                break
            if not abs(step) < 1e3:
                break
    return fine


@_jit()
def _root_slope(z, kb0, kb1, length):
    """k dz/dk of a root with β held."""
    _, slope = characteristic(z, kb0, kb1, length)
    u = z * length * length
    if abs(u) < _SERIES:
        sine = length * (1 - u / 6 * (1 - u / 20 * (1 - u / 42 * (1 - u / 72))))
        cosine = 1 - u / 2 * (1 - u / 12 * (1 - u / 30 * (1 - u / 56)))
    else:
        q = root_upper(z)
        turn = expj(-2 * q.imag * length, 2 * q.real * length)
        sine = 1j * (1 - turn) / q
        cosine = 1 + turn
    return -(2 * kb0 * kb1 * sine - 1j * (kb0 + kb1) * cosine) / slope


@_jit()
def single_shapes(z, kb0, kb1, length):
    """q, A and B of separate roots, each with its own kβ; shape (n,)."""
    q = np.empty(z.size, np.complex128)
    a = np.empty(z.size, np.complex128)
    b = np.empty(z.size, np.complex128)
    for n in range(z.size):
        q[n] = root_upper(z[n])
        first, second = _amplitudes(q[n], kb0[n], kb1[n], length)
        a[n], b[n] = _normalised(q[n], first, second, length)
    return q, a, b
