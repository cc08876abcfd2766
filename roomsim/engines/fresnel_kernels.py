"""Compiled loops of the Fresnel weights: scalars and arrays only; functions that call each other stay in this file."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from .compiled import jit

_jit = partial(jit, error_model="numpy")


# erfc(x e^{jπ/4}) e^{jx²} / 2s as a polynomial in 2s - 1, s = 1/(1 + x): our own fit, error below 6e-6.
REAL = (
    0.415591244, 0.258996492, -0.145613637, -0.163672703, 0.191712447, 0.0320103593, -0.206455283, 0.082747749,
    0.133447925, -0.0881326411, -0.043751541, 0.0283213823, 0.00480283547,
)
IMAG = (
    -0.230322116, 0.163790278, 0.216430673, -0.163532216, -0.0971378446, 0.211382936, -0.0597847795, -0.181301832,
    0.154137265, 0.0872113976, -0.114033724, -0.0178142625, 0.0309775023,
)
# 1/(1 + s) for 0 ≤ s ≤ 1 as a polynomial in s: Chebyshev, error below 8e-6.
SERIES = (0.99999253, -0.9992201, 0.98637848, -0.90707579, 0.675347, -0.32929851, 0.07388167)

# sin and cos of 2πt for t in turns, |t| ≤ 1/2: Chebyshev series cut at 1e-7 and 8e-7, in powers of t².
SINE = (
    6.283182793407041, -41.3414193856174, 81.59613875538854, -76.57968785107376, 41.20374363386998, -12.26885994129678,
)
COSINE = (
    0.9999992107823215, -19.738980355764014, 64.92865742103288, -85.27162153428853, 58.79049212006136,
    -21.071105627506473,
)

LEAST_HEIGHT_M = 1e-3
"""Source and receiver are taken to be at least so high above the plane; on it the geometry has no scale."""

NEAR_M = 0.7
"""How much of a plate on either side of the point of reflection tells whether it is grazed."""

AROUND_M = 5.0
"""Mirror images of a patch count to this distance at least from where the path meets its face."""


@_jit()
def _turned(x):
    """e^{jx²} erfc(x e^{jπ/4}) / 2 for x ≥ 0."""
    s = 1.0 / (1.0 + x)
    t = 2.0 * s - 1.0
    real, imag = REAL[12], IMAG[12]
    for n in range(11, -1, -1):
        real = real * t + REAL[n]
        imag = imag * t + IMAG[n]
    return complex(real * s, imag * s)


@_jit()
def _inner_wedge(kappa, a, end):
    """∫_0^a e^{-jκt²/2} / (1 + t²) dt for 0 ≤ a ≤ 1; `end` is e^{-jκa²/2}."""
    square = a * a
    turn = kappa * square
    total_re, total_im = 0.0, 0.0
    if turn > 14.0:             # moments ∫ t^{2n} e^{-jκt²/2} dt by upward recurrence
        gone = _turned(math.sqrt(0.5 * turn)) * end
        root = math.sqrt(math.pi / (4.0 * kappa))
        real, imag = 1.0 - 2.0 * gone.real, -2.0 * gone.imag
        re, im = root * (real + imag), root * (imag - real)
        inverse = 1.0 / kappa
        power = a
        total_re, total_im = SERIES[0] * re, SERIES[0] * im
        for n in range(1, 7):
            x, y = (2 * n - 1) * re - power * end.real, (2 * n - 1) * im - power * end.imag
            re, im = y * inverse, -x * inverse
            power *= square
            total_re += SERIES[n] * re
            total_im += SERIES[n] * im
        return complex(total_re, total_im)
    # Downward where that is stable, begun where the rest no longer counts; moments over a^{2n+1}.
    start = 12 + int(0.8 * turn)
    re, im = end.real / (2 * start + 1), end.imag / (2 * start + 1)
    for n in range(start, 0, -1):
        inverse = 1.0 / (2 * n - 1)
        re, im = (end.real - turn * im) * inverse, (end.imag + turn * re) * inverse
        if n <= 7:              # the moment of order n - 1
            total_re = total_re * square + SERIES[n - 1] * re
            total_im = total_im * square + SERIES[n - 1] * im
    return complex(total_re * a, total_im * a)


@_jit()
def _wedge(kappa, beyond, edge, shadow):
    """wedge with edge = e^{-jκ/2} and shadow = erfc(√(jκ/2)) / 2 known."""
    end = complex(math.cos(0.5 * beyond), -math.sin(0.5 * beyond))
    if beyond <= kappa:
        if beyond <= 0.0:
            return 0j
        return _inner_wedge(kappa, math.sqrt(beyond / kappa), end) * edge * (0.5 / math.pi)
    other = _turned(math.sqrt(0.5 * beyond)) * end
    inner = _inner_wedge(beyond, math.sqrt(kappa / beyond), edge) * end * (0.5 / math.pi)
    return 0.5 * (shadow + other) - shadow * other - inner


@_jit()
def wedge(kappa, beyond):
    """Owen's T(h, a) at h² = jκ, a² = beyond/κ: (1/2π) ∫_0^a e^{-jκ(1+t²)/2} / (1 + t²) dt; κ, beyond ≥ 0.

    References: [owen1956]; the relation for a > 1 is his.
    """
    edge = complex(math.cos(0.5 * kappa), -math.sin(0.5 * kappa))
    return _wedge(kappa, beyond, edge, _turned(math.sqrt(0.5 * kappa)) * edge)


@_jit()
def _edge(fixed, begin, end, ps, qs, hs, pr, qr, hr, length):
    """One edge's detour, those of its two ends, the sides they lie on, and its Kirchhoff coefficient.

    p is the coordinate across the edge, q along it; `length` of the straight path.
    """
    a, b = math.sqrt((fixed - ps) ** 2 + hs * hs), math.sqrt((fixed - pr) ** 2 + hr * hr)
    way = math.sqrt((a + b) ** 2 + (qs - qr) ** 2)
    detour = max(way - length, 0.0)
    foot = qs + (qr - qs) * a / (a + b)
    first = math.sqrt((begin - qs) ** 2 + a * a) + math.sqrt((begin - qr) ** 2 + b * b) - length
    last = math.sqrt((end - qs) ** 2 + a * a) + math.sqrt((end - qr) ** 2 + b * b) - length
    r1, r2 = a * way / (a + b), b * way / (a + b)
    slope = abs((fixed - ps) / r1 + (fixed - pr) / r2)
    coefficient = 1.0
    if detour > 1e-9:
        bend = ((a + b) / way) ** 3 * (1 / a + 1 / b)
        lit = (hs / r1 + hr / r2) / (r1 * r2)
        coefficient = length * lit * math.sqrt(0.5 * detour / bend) / slope
    return (
        detour, max(first - detour, 0.0), max(last - detour, 0.0),
        1.0 if begin > foot else -1.0, 1.0 if end > foot else -1.0, coefficient,
    )


@_jit()
def add_rectangle(out, k, source, receiver, low, high, scale, fade_from, fade_to):
    """Add scale times the weight of a rectangle to out (n_k); see fresnel.rectangle_weights.

    source, receiver : (u, v, height above the plane); low, high : corners; edges fade out where k times their
    detour runs from fade_from to fade_to
    """
    us, vs, hs = source[0], source[1], max(source[2], LEAST_HEIGHT_M)
    ur, vr, hr = receiver[0], receiver[1], max(receiver[2], LEAST_HEIGHT_M)
    length = math.sqrt((us - ur) ** 2 + (vs - vr) ** 2 + (hs + hr) ** 2)
    part = hs / (hs + hr)
    u, v = us + (ur - us) * part, vs + (vr - vs) * part
    inside = low[0] < u < high[0] and low[1] < v < high[1]
    if inside:
        for n in range(k.size):
            out[n] += scale
    for which in range(4):
        axis, side = which // 2, which % 2
        if axis == 0:
            fixed = high[0] if side else low[0]
            detour, first, last, first_side, last_side, weight = _edge(
                fixed, low[1], high[1], us, vs, hs, ur, vr, hr, length)
            inner = u < fixed if side else u > fixed
        else:
            fixed = high[1] if side else low[1]
            detour, first, last, first_side, last_side, weight = _edge(
                fixed, low[0], high[0], vs, us, hs, vr, ur, hr, length)
            inner = v < fixed if side else v > fixed
        weight *= -scale if inner else scale
        for n in range(k.size):
            turned = k[n] * detour
            if turned >= fade_to:
                continue
            share = weight
            if turned > fade_from:
                share *= 0.5 + 0.5 * math.cos(math.pi * (turned - fade_from) / (fade_to - fade_from))
            edge = complex(math.cos(turned), -math.sin(turned))
            shadow = _turned(math.sqrt(turned)) * edge
            out[n] += share * (
                last_side * _wedge(2 * turned, 2 * k[n] * last, edge, shadow)
                - first_side * _wedge(2 * turned, 2 * k[n] * first, edge, shadow)
            )


@_jit(fastmath=True)
def _beyond(real, imag, k, detour, sign, weight, fade_from, fade_to):
    """Add sign and weight · erfc(√(jkd))/2 of an edge with detour d to real and imag (n_k).

    A loop that the compiler can vectorise: the cosine in turns by polynomials, the fade by a cubic step.
    """
    ramp = 1.0 / (fade_to - fade_from)
    for n in range(np.uintp(k.size)):
        turned = k[n] * detour
        left = min(max((fade_to - turned) * ramp, 0.0), 1.0)
        share = weight * left * left * (3.0 - 2.0 * left)
        s = 1.0 / (1.0 + math.sqrt(turned))
        t = 2.0 * s - 1.0
        a, b = REAL[12], IMAG[12]
        a, b = a * t + REAL[11], b * t + IMAG[11]
        a, b = a * t + REAL[10], b * t + IMAG[10]
        a, b = a * t + REAL[9], b * t + IMAG[9]
        a, b = a * t + REAL[8], b * t + IMAG[8]
        a, b = a * t + REAL[7], b * t + IMAG[7]
        a, b = a * t + REAL[6], b * t + IMAG[6]
        a, b = a * t + REAL[5], b * t + IMAG[5]
        a, b = a * t + REAL[4], b * t + IMAG[4]
        a, b = a * t + REAL[3], b * t + IMAG[3]
        a, b = a * t + REAL[2], b * t + IMAG[2]
        a, b = a * t + REAL[1], b * t + IMAG[1]
        a, b = a * t + REAL[0], b * t + IMAG[0]
        u = turned * 0.15915494309189535
        u = u - math.floor(u + 0.5)
        q = u * u
        sine = u * (SINE[0] + q * (SINE[1] + q * (SINE[2] + q * (SINE[3] + q * (SINE[4] + q * SINE[5])))))
        cosine = COSINE[0] + q * (
            COSINE[1] + q * (COSINE[2] + q * (COSINE[3] + q * (COSINE[4] + q * COSINE[5]))))
        scale = share * s
        real[n] += sign + scale * (a * cosine + b * sine)
        imag[n] += scale * (b * cosine - a * sine)


@_jit(fastmath=True)
def _strips(real, imag, k, low, high, size, ps, qs, hs, pr, qr, hr, length, at, fade_from, fade_to):
    """Weight of a strip from low to high and of its mirror images in the walls at 0 and size, where they are near.

    The part of the wave beyond the strip's low edge less the part beyond its high edge; `at` is where the path meets
    the plane across the strip.
    """
    real[:] = 0.0
    imag[:] = 0.0
    cell, around = math.floor(at / size), math.ceil(AROUND_M / size)
    for m in range(cell - around, cell + around + 1):
        begin = m * size + (low if m % 2 == 0 else size - high)
        for which in range(2):
            fixed = begin if which == 0 else begin + high - low
            detour, _, _, _, _, weight = _edge(fixed, 0.0, 0.0, ps, qs, hs, pr, qr, hr, length)
            sign = 1.0 if which == 0 else -1.0
            beyond = at > fixed
            if k.min() * detour < fade_to:
                _beyond(real, imag, k, detour, sign if beyond else 0.0, -sign * weight if beyond else sign * weight,
                        fade_from, fade_to)
            elif beyond:
                real += sign


@_jit()
def patch_weights(out, k, source, receiver, low, high, size, exact, fade_from, fade_to):
    """Weights of a patch and of its mirror images in the faces around it, out (n_path, n_k); see hit_factors.

    source, receiver (n_path, 3) : (u, v, distance from the plane), unfolded; low, high, size (2,) : the patch and
    its face; exact : rectangles by Owen's function, else products of strips
    """
    one_re, one_im = np.empty(k.size), np.empty(k.size)
    two_re, two_im = np.empty(k.size), np.empty(k.size)
    corner, opposite = np.empty(2), np.empty(2)
    for p in range(out.shape[0]):
        us, vs, hs = source[p, 0], source[p, 1], max(source[p, 2], LEAST_HEIGHT_M)
        ur, vr, hr = receiver[p, 0], receiver[p, 1], max(receiver[p, 2], LEAST_HEIGHT_M)
        part = hs / (hs + hr)
        u, v = us + (ur - us) * part, vs + (vr - vs) * part
        out[p] = 0j
        if exact:
            for i in range(-1, 2):
                for j in range(-1, 2):
                    m, n = math.floor(u / size[0]) + i, math.floor(v / size[1]) + j
                    corner[0] = m * size[0] + (low[0] if m % 2 == 0 else size[0] - high[0])
                    corner[1] = n * size[1] + (low[1] if n % 2 == 0 else size[1] - high[1])
                    opposite[0], opposite[1] = corner[0] + high[0] - low[0], corner[1] + high[1] - low[1]
                    add_rectangle(out[p], k, source[p], receiver[p], corner, opposite, 1.0, fade_from, fade_to)
            continue
        length = math.sqrt((us - ur) ** 2 + (vs - vr) ** 2 + (hs + hr) ** 2)
        _strips(one_re, one_im, k, low[0], high[0], size[0], us, vs, hs, ur, vr, hr, length, u, fade_from, fade_to)
        _strips(two_re, two_im, k, low[1], high[1], size[1], vs, us, hs, vr, ur, hr, length, v, fade_from, fade_to)
        for n in range(k.size):
            out[p, n] = complex(
                one_re[n] * two_re[n] - one_im[n] * two_im[n], one_re[n] * two_im[n] + one_im[n] * two_re[n])


@_jit()
def _sums(out, k, sign, detour, first, last, first_side, last_side, fade_from, fade_to):
    """Add sign times one edge's difference of two T functions to out (n_k)."""
    for n in range(k.size):
        turned = k[n] * detour
        if turned >= fade_to:
            continue
        share = sign
        if turned > fade_from:
            share *= 0.5 + 0.5 * math.cos(math.pi * (turned - fade_from) / (fade_to - fade_from))
        edge = complex(math.cos(turned), -math.sin(turned))
        shadow = _turned(math.sqrt(turned)) * edge
        out[n] += share * (
            last_side * _wedge(2 * turned, 2 * k[n] * last, edge, shadow)
            - first_side * _wedge(2 * turned, 2 * k[n] * first, edge, shadow)
        )


@_jit()
def lean_of(source, receiver, low, high):
    """(c² - c'²)/(c² + c'²), c and c' the cosines at which source and receiver see the plate's middle.

    Of a large plate the middle of what lies within NEAR_M of the point of reflection or of the plate's nearest to it.
    """
    part = source[2] / (source[2] + receiver[2] + 1e-12)
    square_s, square_r = 0.0, 0.0
    for i in range(2):
        at = min(max(source[i] + (receiver[i] - source[i]) * part, low[i]), high[i])
        middle = 0.5 * (max(low[i], at - NEAR_M) + min(high[i], at + NEAR_M))
        square_s += (source[i] - middle) ** 2
        square_r += (receiver[i] - middle) ** 2
    c = source[2] ** 2 / (square_s + source[2] ** 2 + 1e-12)
    other = receiver[2] ** 2 / (square_r + receiver[2] ** 2 + 1e-12)
    return (c - other) / (c + other + 1e-12)


@_jit()
def add_plate(mirrored, straight, k, source, receiver, low, high, lean, fade_from, fade_to):
    """Add what a thin rigid plate does to the weights of the mirrored and the straight path; see fresnel.plate_weights.

    mirrored, straight (n_k); source, receiver (u, v, height), on one side of the plate
    """
    us, vs, hs = source[0], source[1], max(source[2], LEAST_HEIGHT_M)
    ur, vr, hr = receiver[0], receiver[1], max(receiver[2], LEAST_HEIGHT_M)
    across = (us - ur) ** 2 + (vs - vr) ** 2
    by_mirror, direct = math.sqrt(across + (hs + hr) ** 2), math.sqrt(across + (hs - hr) ** 2)
    part = hs / (hs + hr)
    u, v = us + (ur - us) * part, vs + (vr - vs) * part
    if low[0] < u < high[0] and low[1] < v < high[1]:
        for n in range(k.size):
            mirrored[n] += 1.0
    optics = lean * lean
    for which in range(4):
        side = which % 2
        if which // 2 == 0:
            fixed, begin, end = (high[0] if side else low[0]), low[1], high[1]
            ps, qs, pr, qr, at = us, vs, ur, vr, u
        else:
            fixed, begin, end = (high[1] if side else low[1]), low[0], high[0]
            ps, qs, pr, qr, at = vs, us, vr, ur, v
        a, b = math.sqrt((fixed - ps) ** 2 + hs * hs), math.sqrt((fixed - pr) ** 2 + hr * hr)
        way = math.sqrt((a + b) ** 2 + (qs - qr) ** 2)
        outward = 1.0 if side else -1.0
        for path in range(2):
            length = by_mirror if path == 0 else direct
            detour, first, last, first_side, last_side, kirchhoff = _edge(
                fixed, begin, end, ps, qs, hs, pr, qr, hr, length)
            half_plane = math.sqrt(2 * length / (length + way))
            if path == 0:
                inner = at < fixed if side else at > fixed
                weight = optics * kirchhoff + (1 - optics) * half_plane
                _sums(mirrored, k, -weight if inner else weight, detour, first, last, first_side, last_side,
                      fade_from, fade_to)
                continue
            r1, r2 = a * way / (a + b), b * way / (a + b)
            slope = outward * ((fixed - ps) / r1 + (fixed - pr) / r2)
            bend = ((a + b) / way) ** 3 * (1 / a + 1 / b)
            uneven = 0.0
            if abs(slope) > 1e-9:
                uneven = length * (hs / r1 - hr / r2) / (r1 * r2) * math.sqrt(0.5 * detour / bend) / slope
            weight = optics * lean * uneven - (1 - optics) * half_plane
            _sums(straight, k, weight, detour, first, last, first_side, last_side, fade_from, fade_to)
