"""Compiled loops of the image engine: scalars and arrays only.

Jitted functions that call each other stay in this file: a cached function does not notice a change in another
one. `fastmath` is harmless here: there are no infinities, no NaN, and no sum whose order matters beyond rounding.
Only where the order of operations is the point (products in parts) is nothing reordered.

Geometry is in double precision, what varies with frequency in single: twice as many numbers fit into a register.
Single precision would lose the phase of a long path, so a product of frequency and delay is taken in parts that are
exact (see `_split`); sums of many paths are emptied into double precision now and then.

Inner loops count in unsigned integers: with signed ones the compiler must think of negative indices, which wrap
round, and then leaves the loop scalar (five times slower).
"""

from __future__ import annotations

import math

import numpy as np

from .compiled import jit

_jit = jit


# sin and cos of 2πt for t in turns, |t| ≤ 1/2: Chebyshev series cut at 1e-7 and 8e-7, in powers of t².
S0, S1, S2 = np.float32(6.283182793407041), np.float32(-41.3414193856174), np.float32(81.59613875538854)
S3, S4, S5 = np.float32(-76.57968785107376), np.float32(41.20374363386998), np.float32(-12.26885994129678)
C0, C1, C2 = np.float32(0.9999992107823215), np.float32(-19.738980355764014), np.float32(64.92865742103288)
C3, C4, C5 = np.float32(-85.27162153428853), np.float32(58.79049212006136), np.float32(-21.071105627506473)

_HALF, _THIRD, _SIXTH = np.float32(0.5), np.float32(1 / 3), np.float32(1 / 6)
_TO_WHOLE = np.float32(3 << 22)
"""Added and taken off again, this rounds single precision up to 2^22 to whole numbers."""
_UPPER_HALF = np.float32(4097)
"""Times this, and the difference taken off again, leaves the upper 12 of 24 bits."""
_IN_ORDER = {"contract", "nnan", "ninf", "nsz", "arcp"}
_EMPTIED = 512
"""So many paths are summed in single precision before they are added to the rest."""


_TERMS = 20
_SCALE = math.sqrt(_TERMS / math.sqrt(2.0))


def _rational_weights() -> np.ndarray:
    """Coefficients of Weideman's rational series for the Faddeeva function, highest power first [weideman1994]."""
    m = 2 * _TERMS
    theta = np.arange(-m + 1, m) * np.pi / m
    t = _SCALE * np.tan(theta / 2)
    sample = np.concatenate([[0.0], np.exp(-(t**2)) * (_SCALE**2 + t**2)])
    return np.ascontiguousarray(np.fft.fft(np.fft.fftshift(sample)).real[1 : _TERMS + 1][::-1] / (2 * m))


_WEIGHTS = _rational_weights()


@_jit(fastmath=True)
def spherical_factors(admittance, cos_incidence, wave_number_times_length, out):
    """Q = R + (1 - R) F(w) of flat arrays; see walls.spherical_factor."""
    for n in range(out.size):
        sum_ = cos_incidence[n] + admittance[n]
        plane = (cos_incidence[n] - admittance[n]) / sum_
        loss = _boundary_loss((0.5 - 0.5j) * math.sqrt(wave_number_times_length[n]) * sum_)
        out[n] = plane + (1 - plane) * loss


@_jit(fastmath=True)
def _boundary_loss(distance):
    """F(w) = 1 - j√π w e^{-w²} erfc(jw), e^{+jωt}, of a spherical wave over a locally reacting plane.

    References: [ingard1951]; in this form [attenborough2007] ch. 2 (from memory).
    """
    w = distance.conjugate()                # the Faddeeva function goes with e^{-iωt}
    if w.imag >= 0 and w.real * w.real + w.imag * w.imag > 16.0:
        # Asymptotic series -Σ (2n-1)!! / (2w²)^n; eight terms leave 3e-6 at |w| = 4.
        q = 0.5 / (w * w)
        series = 1 + 15 * q
        for odd in range(13, 1, -2):
            series = 1 + odd * q * series
        loss = -q * series
    else:
        z = w if w.imag >= 0 else -w
        below = _SCALE - 1j * z
        ratio = (_SCALE + 1j * z) / below
        total = complex(_WEIGHTS[0])
        for k in range(1, _TERMS):
            total = total * ratio + _WEIGHTS[k]
        faddeeva = 2 * total / (below * below) + 0.5641895835477563 / below
        if w.imag < 0:
            faddeeva = 2 * np.exp(-(w * w)) - faddeeva
        loss = 1 + 1.7724538509055159j * w * faddeeva
    return loss.conjugate()


@_jit(fastmath=True)
def path_sums(
    lattice, slots, direct,
    along, logs, centre, signs, first_row, last_row, rows_per_e, stride, first_plane, last_plane, planes_per_e,
    table_x, table_y, table_z, own, factors,
    air, air_rows_per_m,
    kinds, pattern_first, pattern_rows, pattern_columns, patterns,
    frames, even_axis, even_sign,
    near2, far2, full_m, far_m, turns_per_m,
    layers, runs, grid,
    begin, end, out, counts,
):
    """Add paths to sums of complex pressure; common factors and filters of the drivers removed.

    Parameters (N indices per axis, P paths, E drivers, L listeners, R row length, F slots)
    ----------
    lattice : (P, 3) positions in the axes' index lists
    slots : (P,) which sum an early path goes to; direct : (P, E) true where it goes to sum 0 instead
    along : per axis (N, E, L) signed distance image minus listener; logs : ln of its magnitude
    centre : per axis (N, L) the same for the middle of the channel's drivers
    signs : per axis (N,) -1 where the image is mirrored in that axis, else +1
    first_row, last_row, stride, first_plane, last_plane : per axis (N,), see walls.AxisTable
    table_x, table_y, table_z : (rows, 2, R); air : (2, rows, R) of direct and of other paths
    own : (P, E) row of `factors` (rows, L, 2, R) that stands instead of the tables, -1 for none
    kinds, pattern_first, pattern_rows, pattern_columns : (E,); patterns : (rows, 2, R)
    frames : (E, 3, 3) columns are the driver's axes; even_axis, even_sign : on-wall sources, axis -1 for none
    near2, far2 : (L,) a path counts where near2 < centre distance² ≤ far2
    full_m, far_m : (L,) early paths fade out by half a cosine from the first to the second centre distance
    layers, runs : see NodePlan; grid : (2, F) frequencies and weights
    begin, end : which of the listeners
    out : (sums, E, L, 2, F), added to; counts : (L,) paths that counted, added to
    """
    n_row = air.shape[2]
    gain = np.zeros((2, n_row), np.float32)
    cubic = np.zeros((8, n_row), np.float32)
    weight = np.empty(8, np.float32)
    loss = air.astype(np.float32)
    parts = np.empty((4, grid.shape[1]), np.float32)
    _split_frequencies(parts, grid)
    held = np.zeros((2, grid.shape[1]), np.float32)
    along_x, along_y, along_z = along
    log_x, log_y, log_z = logs
    centre_x, centre_y, centre_z = centre
    sign_x, sign_y, sign_z = signs
    first_x, first_y, first_z = first_row
    last_x, last_y, last_z = last_row
    stride_x, stride_y, stride_z = stride
    plane_x, plane_y, plane_z = first_plane
    planes_x, planes_y, planes_z = last_plane
    start_x, rows_x = _starts(last_x)
    start_y, rows_y = _starts(last_y)
    start_z, rows_z = _starts(last_z)
    work_x = np.empty((rows_x, 2, n_row), np.float32)
    work_y = np.empty((rows_y, 2, n_row), np.float32)
    work_z = np.empty((rows_z, 2, n_row), np.float32)
    for e in range(frames.shape[0]):
        for seat in range(begin, end):
            # The distance along an axis is the same for all paths of an index: tables lose that dimension here.
            _at_distance(work_x, table_x, first_x, last_x, stride_x, plane_x, planes_x, log_x[:, e, seat], planes_per_e)
            _at_distance(work_y, table_y, first_y, last_y, stride_y, plane_y, planes_y, log_y[:, e, seat], planes_per_e)
            _at_distance(work_z, table_z, first_z, last_z, stride_z, plane_z, planes_z, log_z[:, e, seat], planes_per_e)
            holder, waiting = 0, 0
            for p in range(lattice.shape[0]):
                i, j, k = lattice[p, 0], lattice[p, 1], lattice[p, 2]
                middle2 = centre_x[i, seat] ** 2 + centre_y[j, seat] ** 2 + centre_z[k, seat] ** 2
                inside = near2[seat] < middle2 <= far2[seat]
                if inside and e == 0:
                    counts[seat] += 1
                at = slots[p]
                share = 1.0
                air_of = 1
                if direct[p, e]:
                    at = 0
                    air_of = 0
                elif not inside:
                    continue
                elif middle2 > full_m[seat] * full_m[seat]:
                    done = (math.sqrt(middle2) - full_m[seat]) / (far_m[seat] - full_m[seat])
                    share = 0.5 + 0.5 * math.cos(math.pi * done)
                x, y, z = along_x[i, e, seat], along_y[j, e, seat], along_z[k, e, seat]
                r2 = x * x + y * y + z * z
                r = math.sqrt(r2)
                place, row_a = _row(r * air_rows_per_m, air.shape[1] - 1.0)
                wa, spreading = np.float32(place), np.float32(share / r)
                if own[p, e] >= 0:
                    _own_factors(gain, factors[own[p, e], seat], loss[air_of], row_a, wa, spreading)
                else:
                    log_r = 0.5 * math.log(r2)
                    wx, row_x = _row((log_r - log_x[i, e, seat]) * rows_per_e, last_x[i])
                    wy, row_y = _row((log_r - log_y[j, e, seat]) * rows_per_e, last_y[j])
                    wz, row_z = _row((log_r - log_z[k, e, seat]) * rows_per_e, last_z[k])
                    _room_factors(
                        gain, work_x, start_x[i] + row_x, np.float32(wx), work_y, start_y[j] + row_y, np.float32(wy),
                        work_z, start_z[k] + row_z, np.float32(wz), loss[air_of], row_a, wa, spreading,
                    )
                kind = kinds[e]
                if kind != 0:
                    # From the driver to the listener, mirrored back into the driver's own room.
                    ux, uy, uz = -sign_x[i] * x, -sign_y[j] * y, -sign_z[k] * z
                    if even_axis == 0:
                        ux = even_sign * abs(ux)
                    elif even_axis == 1:
                        uy = even_sign * abs(uy)
                    elif even_axis == 2:
                        uz = even_sign * abs(uz)
                    _times_pattern(gain, cubic, weight, kind, ux, uy, uz, frames[e], patterns, pattern_first[e],
                                   pattern_rows[e], pattern_columns[e])
                if waiting == _EMPTIED or (at != holder and waiting > 0):
                    _empty(out[holder, e, seat], held)
                    waiting = 0
                holder = at
                waiting += 1
                _cubic_pieces(cubic, gain)
                _add_layers(held, cubic, layers, parts, r * turns_per_m)
                if runs.shape[0] > 0:
                    _add_runs(held, cubic, runs, parts, r * turns_per_m)
            if waiting > 0:
                _empty(out[holder, e, seat], held)


@_jit(fastmath=True)
def _row(place, last):
    """Weight and number of the lower row at a place, held to the table."""
    place = min(max(place, 0.0), last)
    row = int(place)
    if row == last:
        row -= 1
    return place - row, row


@_jit(fastmath=True)
def _lagrange(weight, at, t):
    """Weights of a cubic through -1, 0, 1, 2 at t (0 to 1)."""
    weight[at] = np.float32(-t * (t - 1) * (t - 2) / 6)
    weight[at + 1] = np.float32((t + 1) * (t - 1) * (t - 2) / 2)
    weight[at + 2] = np.float32(-(t + 1) * t * (t - 2) / 2)
    weight[at + 3] = np.float32((t + 1) * t * (t - 1) / 6)


@_jit(fastmath=True)
def _room_factors(
    gain, tx, row_x, wx, ty, row_y, wy, tz, row_z, wz, air, row_a, wa, scale
):
    """Product of the three axes' factors, air and spreading, linear between two rows each."""
    x0, y0, z0, a0 = np.uintp(row_x), np.uintp(row_y), np.uintp(row_z), np.uintp(row_a)
    x1, y1, z1, a1 = np.uintp(row_x + 1), np.uintp(row_y + 1), np.uintp(row_z + 1), np.uintp(row_a + 1)
    for c in range(np.uintp(gain.shape[1])):
        xr = tx[x0, 0, c] + wx * (tx[x1, 0, c] - tx[x0, 0, c])
        xi = tx[x0, 1, c] + wx * (tx[x1, 1, c] - tx[x0, 1, c])
        yr = ty[y0, 0, c] + wy * (ty[y1, 0, c] - ty[y0, 0, c])
        yi = ty[y0, 1, c] + wy * (ty[y1, 1, c] - ty[y0, 1, c])
        zr = tz[z0, 0, c] + wz * (tz[z1, 0, c] - tz[z0, 0, c])
        zi = tz[z0, 1, c] + wz * (tz[z1, 1, c] - tz[z0, 1, c])
        loss = scale * (air[a0, c] + wa * (air[a1, c] - air[a0, c]))
        real, imag = loss * (xr * yr - xi * yi), loss * (xr * yi + xi * yr)
        gain[0, c] = real * zr - imag * zi
        gain[1, c] = real * zi + imag * zr


@_jit(fastmath=True)
def _own_factors(gain, factors, air, row_a, wa, scale):
    """A path's own factor (2, R), air and spreading."""
    a0, a1 = np.uintp(row_a), np.uintp(row_a + 1)
    for c in range(np.uintp(gain.shape[1])):
        loss = scale * (air[a0, c] + wa * (air[a1, c] - air[a0, c]))
        gain[0, c] = loss * factors[0, c]
        gain[1, c] = loss * factors[1, c]


@_jit(fastmath=True)
def _at_distance(work, table, first, last, stride, first_plane, last_plane, log_distance, planes_per_e):
    """Rows of one axis at the distances that one driver's images have from one seat, linear in ln D."""
    row = 0
    for n in range(first.size):
        place, plane = _row(log_distance[n] * planes_per_e - first_plane[n], last_plane[n])
        v = np.float32(place)
        below = first[n] + plane * stride[n]
        above = below + stride[n]
        for _ in range(int(last[n]) + 1):
            to, near, far = np.uintp(row), np.uintp(below), np.uintp(above)
            for part in range(np.uintp(2)):
                for c in range(np.uintp(table.shape[2])):
                    work[to, part, c] = table[near, part, c] + v * (table[far, part, c] - table[near, part, c])
            row, below, above = row + 1, below + 1, above + 1


@_jit(fastmath=True)
def _starts(last):
    """First row of each index where every index has its rows once."""
    start = np.empty(last.size, np.int64)
    row = 0
    for n in range(last.size):
        start[n] = row
        row += int(last[n]) + 1
    return start, np.int64(row)


@_jit(fastmath=True)
def _times_pattern(gain, cubic, weight, kind, ux, uy, uz, frame, patterns, first, rows, columns):
    """Times what a driver with these axes sends in a direction; `cubic` and `weight` are overwritten."""
    ahead = ux * frame[0, 0] + uy * frame[1, 0] + uz * frame[2, 0]
    left = ux * frame[0, 1] + uy * frame[1, 1] + uz * frame[2, 1]
    up = ux * frame[0, 2] + uy * frame[1, 2] + uz * frame[2, 2]
    if kind == 1:
        place = math.atan2(math.sqrt(left * left + up * up), ahead) * rows
        row = int(place)
        _lagrange(weight, 0, place - row)
        _times_axial(gain, patterns, first + row, weight)
    else:
        place = (math.atan2(left, ahead) + math.pi) * rows
        column = int(place)
        _lagrange(weight, 0, place - column)
        place = (math.atan2(up, math.sqrt(ahead * ahead + left * left)) + 0.5 * math.pi) * rows
        row = int(place)
        _lagrange(weight, 4, place - row)
        _times_spherical(gain, cubic, patterns, first + column * columns + row, columns, weight)


@_jit(fastmath=True)
def _times_axial(gain, table, row, weight):
    """Times a pattern: a cubic through four rows."""
    a, b, c, d = np.uintp(row), np.uintp(row + 1), np.uintp(row + 2), np.uintp(row + 3)
    wa, wb, wc, wd = weight[0], weight[1], weight[2], weight[3]
    for q in range(np.uintp(gain.shape[1])):
        u = wa * table[a, 0, q] + wb * table[b, 0, q] + wc * table[c, 0, q] + wd * table[d, 0, q]
        v = wa * table[a, 1, q] + wb * table[b, 1, q] + wc * table[c, 1, q] + wd * table[d, 1, q]
        real, imag = gain[0, q], gain[1, q]
        gain[0, q] = real * u - imag * v
        gain[1, q] = real * v + imag * u


@_jit(fastmath=True)
def _times_spherical(gain, work, table, row, columns, weight):
    """Times a pattern: cubics through four rows in each of four columns; two rows of `work` are overwritten."""
    n = np.uintp(gain.shape[1])
    for m in range(4):
        a = np.uintp(row + m * columns)
        b, c, d = a + np.uintp(1), a + np.uintp(2), a + np.uintp(3)
        wa, wb = weight[m] * weight[4], weight[m] * weight[5]
        wc, wd = weight[m] * weight[6], weight[m] * weight[7]
        keep = np.float32(0.0 if m == 0 else 1.0)
        for q in range(n):
            u = wa * table[a, 0, q] + wb * table[b, 0, q] + wc * table[c, 0, q] + wd * table[d, 0, q]
            v = wa * table[a, 1, q] + wb * table[b, 1, q] + wc * table[c, 1, q] + wd * table[d, 1, q]
            work[0, q] = keep * work[0, q] + u
            work[1, q] = keep * work[1, q] + v
    for q in range(n):
        real, imag = gain[0, q], gain[1, q]
        gain[0, q] = real * work[0, q] - imag * work[1, q]
        gain[1, q] = real * work[1, q] + imag * work[0, q]


@_jit(fastmath=True)
def _cubic_pieces(cubic, gain):
    """Coefficients of the cubic in every cell: rows 0 to 3 real, 4 to 7 imaginary."""
    one, two, three = np.uintp(1), np.uintp(2), np.uintp(3)
    for c in range(np.uintp(gain.shape[1] - 8)):        # every row ends with 8 entries that begin no cell
        a, b, d, e = gain[0, c], gain[0, c + one], gain[0, c + two], gain[0, c + three]
        cubic[0, c] = b
        cubic[1, c] = d - b * _HALF - a * _THIRD - e * _SIXTH
        cubic[2, c] = (a + d) * _HALF - b
        cubic[3, c] = (e - a) * _SIXTH + (b - d) * _HALF
        a, b, d, e = gain[1, c], gain[1, c + one], gain[1, c + two], gain[1, c + three]
        cubic[4, c] = b
        cubic[5, c] = d - b * _HALF - a * _THIRD - e * _SIXTH
        cubic[6, c] = (a + d) * _HALF - b
        cubic[7, c] = (e - a) * _SIXTH + (b - d) * _HALF


@_jit(fastmath=True)
def _empty(out, held):
    """Add what is held in single precision to the sums and begin anew."""
    for part in range(np.uintp(2)):
        for c in range(np.uintp(held.shape[1])):
            out[part, c] += held[part, c]
            held[part, c] = np.float32(0)


@_jit(fastmath=_IN_ORDER)
def _split(value):
    """A number as upper part of 12 bits, and the rest, in single precision; products of upper parts are exact."""
    single = np.float32(value)
    scaled = single * _UPPER_HALF
    upper = scaled - (scaled - single)
    return upper, np.float32(np.float64(value) - np.float64(upper)), single


@_jit(fastmath=_IN_ORDER)
def _split_frequencies(parts, grid):
    """Rows for the loops over slots: upper part of the frequency, the rest, both, position in the cell."""
    for c in range(grid.shape[1]):
        parts[0, c], parts[1, c], parts[2, c] = _split(grid[0, c])
        parts[3, c] = np.float32(grid[1, c])


@_jit(fastmath=_IN_ORDER)
def _add_layers(out, cubic, layers, parts, turns):
    """Add g(f)·exp(-2πj f·turns) where each cell holds few frequencies; loops over cells are contiguous."""
    upper, rest, whole = _split(turns)
    for s in range(layers.shape[0]):
        first, width, slot = np.uintp(layers[s, 0]), np.uintp(layers[s, 1]), np.uintp(layers[s, 3])
        for layer in range(np.uintp(layers[s, 2])):
            at = slot + layer * width
            for c in range(width):
                t = _turns(parts[0, at + c], parts[1, at + c], upper, rest, whole)
                q = t * t
                sine, cosine = _sine(t, q), _cosine(q)
                w = parts[3, at + c]
                k = first + c
                a = cubic[0, k] + w * (cubic[1, k] + w * (cubic[2, k] + w * cubic[3, k]))
                b = cubic[4, k] + w * (cubic[5, k] + w * (cubic[6, k] + w * cubic[7, k]))
                out[0, at + c] += a * cosine + b * sine
                out[1, at + c] += b * cosine - a * sine


@_jit(fastmath=_IN_ORDER)
def _turns(f_upper, f_rest, upper, rest, whole):
    """Frequency times delay less its nearest whole number."""
    t = f_upper * upper
    t = t - ((t + _TO_WHOLE) - _TO_WHOLE)
    t = t + (f_upper * rest + f_rest * whole)
    return t - ((t + _TO_WHOLE) - _TO_WHOLE)


@_jit(fastmath=_IN_ORDER)
def _sine(t, q):
    return t * (S0 + q * (S1 + q * (S2 + q * (S3 + q * (S4 + q * S5)))))


@_jit(fastmath=_IN_ORDER)
def _cosine(q):
    return C0 + q * (C1 + q * (C2 + q * (C3 + q * (C4 + q * C5))))


@_jit(fastmath=_IN_ORDER)
def _add_runs(out, cubic, runs, parts, turns):
    """The same for cells with many frequencies; loops over frequencies are contiguous."""
    upper, rest, whole = _split(turns)
    for s in range(runs.shape[0]):
        k, at = np.uintp(runs[s, 0]), np.uintp(runs[s, 1])
        a0, a1, a2, a3 = cubic[0, k], cubic[1, k], cubic[2, k], cubic[3, k]
        b0, b1, b2, b3 = cubic[4, k], cubic[5, k], cubic[6, k], cubic[7, k]
        for c in range(np.uintp(runs[s, 2])):
            t = _turns(parts[0, at + c], parts[1, at + c], upper, rest, whole)
            q = t * t
            sine, cosine = _sine(t, q), _cosine(q)
            w = parts[3, at + c]
            a = a0 + w * (a1 + w * (a2 + w * a3))
            b = b0 + w * (b1 + w * (b2 + w * b3))
            out[0, at + c] += a * cosine + b * sine
            out[1, at + c] += b * cosine - a * sine


@_jit(fastmath=True)
def listed_sums(
    listener, slots, direct, length, middle, sent, group_start, group_mix, group_count, group_fall, own, factors,
    tables, rows_per_e, planes_per_e, first_plane,
    air, air_rows_per_m,
    kind, pattern_first, pattern_rows, pattern_columns, patterns, frame,
    full_m, far_m, turns_per_m,
    layers, runs, grid,
    out,
):
    """Add listed paths of one driver to sums of complex pressure; its common factor and filter removed.

    Parameters (P paths, G groups of hits, L listeners, R row length, F slots)
    ----------
    listener, slots, direct : (P,) whose path; which sum an early path goes to; true where it goes to sum 0 instead
    length, middle : (P,) of the path, and of that to the middle of the channel's drivers
    sent : (P, 3) direction in which the driver sends it
    group_start : (P + 1,); group_mix, group_count, group_fall : (G,) hits of one kind: which of the tables, how many
        (-1 for a wall that is part of the source, which adds (1 + Q)/2), and -ln cosθ
    own : (P,) row of `factors` (rows, 2, R) that stands instead of the groups, -1 for none
    tables : (n_mix, n_plane, n_row, 2, R) factors on planes of ln length from `first_plane` on and rows of -ln cosθ
    air : (2, rows, R) of direct and of other paths
    kind, pattern_first, pattern_rows, pattern_columns, patterns : as in path_sums, of this driver
    frame : (3, 3) columns are the driver's axes
    full_m, far_m : (L,) early paths fade out from the first to the second length to the middle, and end there
    layers, runs : see NodePlan; grid : (2, F) frequencies and weights
    out : (sums, L, 2, F), added to
    """
    n_row = air.shape[2]
    gain, cubic = np.zeros((2, n_row), np.float32), np.zeros((8, n_row), np.float32)
    factor = np.zeros((2, n_row), np.float32)
    weight = np.empty(8, np.float32)
    loss = air.astype(np.float32)
    parts = np.empty((4, grid.shape[1]), np.float32)
    _split_frequencies(parts, grid)
    held = np.zeros((2, grid.shape[1]), np.float32)
    holder, seat_held, waiting = 0, 0, 0
    for p in range(listener.size):
        seat, at, share, air_of = listener[p], slots[p], 1.0, 1
        if direct[p]:
            at, air_of = 0, 0
        elif middle[p] > far_m[seat]:
            continue
        elif middle[p] > full_m[seat]:
            share = 0.5 + 0.5 * math.cos(math.pi * (middle[p] - full_m[seat]) / (far_m[seat] - full_m[seat]))
        r = length[p]
        place, row_a = _row(r * air_rows_per_m, air.shape[1] - 1.0)
        if own[p] >= 0:
            _own_factors(gain, factors[own[p]], loss[air_of], row_a, np.float32(place), np.float32(share / r))
        else:
            _spread(gain, loss[air_of], row_a, np.float32(place), np.float32(share / r))
            plane_place, plane = _row(math.log(r) * planes_per_e - first_plane, tables.shape[1] - 1.0)
            for g in range(group_start[p], group_start[p + 1]):
                row_place, row = _row(group_fall[g] * rows_per_e, tables.shape[2] - 1.0)
                _times_hits(gain, factor, tables[group_mix[g]], plane, np.float32(plane_place), row,
                            np.float32(row_place), group_count[g])
        if kind != 0:
            _times_pattern(gain, cubic, weight, kind, sent[p, 0], sent[p, 1], sent[p, 2], frame, patterns,
                           pattern_first, pattern_rows, pattern_columns)
        if waiting == _EMPTIED or ((at != holder or seat != seat_held) and waiting > 0):
            _empty(out[holder, seat_held], held)
            waiting = 0
        holder, seat_held = at, seat
        waiting += 1
        _cubic_pieces(cubic, gain)
        _add_layers(held, cubic, layers, parts, r * turns_per_m)
        if runs.shape[0] > 0:
            _add_runs(held, cubic, runs, parts, r * turns_per_m)
    if waiting > 0:
        _empty(out[holder, seat_held], held)


@_jit(fastmath=True)
def _spread(gain, air, row_a, wa, scale):
    """Air and spreading alone."""
    a0, a1 = np.uintp(row_a), np.uintp(row_a + 1)
    for c in range(np.uintp(gain.shape[1])):
        gain[0, c] = scale * (air[a0, c] + wa * (air[a1, c] - air[a0, c]))
        gain[1, c] = np.float32(0)


@_jit(fastmath=True)
def _times_hits(gain, factor, table, plane, v, row, w, count):
    """Times a factor to the power of `count`, bilinear in its table; count -1: times (1 + factor)/2."""
    p0, p1, r0, r1 = np.uintp(plane), np.uintp(plane + 1), np.uintp(row), np.uintp(row + 1)
    n = np.uintp(gain.shape[1])
    for part in range(np.uintp(2)):
        for c in range(n):
            low = table[p0, r0, part, c] + w * (table[p0, r1, part, c] - table[p0, r0, part, c])
            high = table[p1, r0, part, c] + w * (table[p1, r1, part, c] - table[p1, r0, part, c])
            factor[part, c] = low + v * (high - low)
    if count < 0:
        for c in range(n):
            factor[0, c] = _HALF + _HALF * factor[0, c]
            factor[1, c] = _HALF * factor[1, c]
        count = 1
    for _ in range(count):
        for c in range(n):
            real, imag = gain[0, c], gain[1, c]
            gain[0, c] = real * factor[0, c] - imag * factor[1, c]
            gain[1, c] = real * factor[1, c] + imag * factor[0, c]
