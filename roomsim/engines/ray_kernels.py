"""Compiled loop of the ray engine: scalars and arrays only.

A ray carries parts of one per band: what its path takes from the energy does not depend on what sends it. What it
leaves at the listeners is listed, and every channel that starts there adds the list up, each entry times its own
energy in that ray's first direction. So channels share their rays, and designs at one place do.

Bands travel together as long as their dice agree. At every surface one number is drawn; the bands whose
scattering coefficient exceeds it scatter, the others reflect specularly. Where they part, the ray becomes
two: each band follows one path of its own with unit weight, so nothing is reweighted, no band's variance
suffers from another's scattering coefficient, and the cost lies between one path and one per band.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit


def _jit(**options: Any) -> Callable[[Callable[..., Any]], Any]:
    """njit with a cache where there is a place for one, without it elsewhere."""

    def decorate(function: Callable[..., Any]) -> Any:
        try:
            return njit(cache=True, nogil=True, error_model="numpy", **options)(function)
        except RuntimeError:        # neither the package nor the home folder can be written
            return njit(nogil=True, error_model="numpy", **options)(function)

    return decorate


WALLS, AIR, FURNITURE, TRAVELLING, DROPPED, LOST = range(6)
"""Rows of the ledger: absorbed by surfaces, air, furniture; on its way at the end; given up as negligible;
in rays that found no surface (rounding at an edge)."""

LEDGER_ROWS = 6


@_jit(inline="always")
def _uniform(state):
    """Next number in (0, 1): the splitmix64 generator on a counter."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) + 0.5) * (1.0 / 9007199254740992.0)


@_jit()
def _in_polygon(u, v, corners, first, last):
    """Whether a point lies inside a polygon (crossings of a half line), corners (n, 2)."""
    inside = False
    j = last - 1
    for i in range(first, last):
        ui, vi, uj, vj = corners[i, 0], corners[i, 1], corners[j, 0], corners[j, 1]
        if (vi > v) != (vj > v) and u < (uj - ui) * (v - vi) / (vj - vi) + ui:
            inside = not inside
        j = i
    return inside


@_jit()
def next_face(x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start):
    """Face that a ray meets first and the distance to it; face -1 for none."""
    best, face = np.inf, -1
    for k in range(offset.size):
        towards = dx * normal[k, 0] + dy * normal[k, 1] + dz * normal[k, 2]
        if towards >= 0.0:
            continue
        t = (offset[k] - x * normal[k, 0] - y * normal[k, 1] - z * normal[k, 2]) / towards
        if t >= best:
            continue
        if not convex:
            if t < -1e-9:
                continue
            px, py, pz = x + t * dx - origin[k, 0], y + t * dy - origin[k, 1], z + t * dz - origin[k, 2]
            u = px * axis_u[k, 0] + py * axis_u[k, 1] + pz * axis_u[k, 2]
            v = px * axis_v[k, 0] + py * axis_v[k, 1] + pz * axis_v[k, 2]
            if not _in_polygon(u, v, corners, corner_start[k], corner_start[k + 1]):
                continue
        best, face = t, k
    return max(best, 0.0), face


@_jit()
def surface_at(face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface):
    """Index of the surface (face or patch) at a point of a face."""
    for p in range(patch_start[face], patch_start[face + 1]):
        px, py, pz = x - origin[face, 0], y - origin[face, 1], z - origin[face, 2]
        u = px * axis_u[face, 0] + py * axis_u[face, 1] + pz * axis_u[face, 2]
        v = px * axis_v[face, 0] + py * axis_v[face, 1] + pz * axis_v[face, 2]
        if patches[p, 0] <= u <= patches[p, 1] and patches[p, 2] <= v <= patches[p, 3]:
            return patch_surface[p]
    return face_surface[face]


@_jit()
def walk_rays(
    start, directions, seed,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
    face_surface, patch_start, patches, patch_surface, reflect, scatter,
    furniture_per_m, furniture_absorbs, furniture_scatters, air, air_step_m,
    listeners, radius2, weight, n_bin, bin_m, floor,
    entry_at, entry_from, entry_part, spent,
):
    """Trace rays and list what they leave at the listeners.

    Parameters
    ----------
    start, directions : (3,), (n_ray, 3)
    normal ... corner_start : flattened faces; corners in the face's own coordinates (only used if not convex)
    face_surface ... patch_surface : which surface a face or patch is; patches (n_patch, 4) as u0, u1, v0, v1
    reflect, scatter : |R|² on even steps of sqrt(cos θ) (n_surface, n_angle, n_band); s (n_surface, n_band)
    furniture_per_m, furniture_absorbs, furniture_scatters : hits per metre, α (n_band,), part that is scattered
    air, air_step_m : what the air leaves after k steps of distance (n_step, n_band)
    listeners, radius2, weight : (n_listener, 3), squared detector radii, 1 / detector volume
    n_bin, bin_m : rays end after so many time bins of so many metres
    floor : a band is given up below this part of what it left with
    entry_at, entry_from, entry_part : written to, shape (n_entry,): place in an array (2, n_listener, n_bin, n_band),
        with 0 for unscattered and 1 for scattered; place in (n_ray, n_band); part of the energy times 1 / m²
    spent : written to, shape (n_ray, LEDGER_ROWS, n_band)

    Returns
    -------
    how many entries there are; those that find no room are not written
    """
    n_band, n_listener, room_for = spent.shape[2], listeners.shape[0], entry_at.size
    reach_m, size, count = n_bin * bin_m, n_listener * n_bin * n_band, 0
    n_angle, last_air = reflect.shape[1], air.shape[0] - 2
    per_bin, per_air = 1.0 / bin_m, 1.0 / air_step_m
    state = np.zeros(1, np.uint64)
    state[0] = seed
    # Rays that wait: position, direction, distance, 1 if scattered; their bands and energies, packed.
    waiting = np.empty((n_band + 1, 8))
    waiting_count = np.zeros(n_band + 1, np.int64)
    waiting_band = np.zeros((n_band + 1, n_band), np.int64)
    waiting_energy = np.empty((n_band + 1, n_band))
    band, e, here = np.zeros(n_band, np.int64), np.empty(n_band), np.empty(n_band)
    seat_x, seat_y, seat_z = listeners[:, 0].copy(), listeners[:, 1].copy(), listeners[:, 2].copy()
    foot, half2 = np.empty(n_listener), np.empty(n_listener)
    spent[:] = 0.0
    for ray in range(directions.shape[0]):
        n_waiting = 1
        for i in range(3):
            waiting[0, i] = start[i]
            waiting[0, 3 + i] = directions[ray, i]
        waiting[0, 6], waiting[0, 7] = 0.0, 0.0
        for b in range(n_band):
            waiting_band[0, b], waiting_energy[0, b] = b, 1.0
        waiting_count[0] = n_band
        while n_waiting > 0:
            n_waiting -= 1
            x, y, z = waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2]
            dx, dy, dz = waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5]
            distance, is_scattered = waiting[n_waiting, 6], waiting[n_waiting, 7] > 0.5
            n = waiting_count[n_waiting]
            step = distance * per_air
            k = min(int(step), last_air)
            part = step - k
            for i in range(n):
                b = waiting_band[n_waiting, i]
                band[i], e[i] = b, waiting_energy[n_waiting, i]
                here[i] = air[k, b] + part * (air[k + 1, b] - air[k, b])
            while n > 0:
                length, face = next_face(
                    x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start
                )
                if face < 0:
                    for i in range(n):
                        spent[ray, 5, band[i]] += e[i] * here[i]
                    break
                meets = False
                if furniture_per_m > 0.0:
                    free = -np.log(_uniform(state)) / furniture_per_m
                    if free < length:
                        length, meets = free, True
                ends = distance + length >= reach_m
                if ends:
                    length = reach_m - distance

                for m in range(n_listener):
                    vx, vy, vz = seat_x[m] - x, seat_y[m] - y, seat_z[m] - z
                    foot[m] = vx * dx + vy * dy + vz * dz
                    half2[m] = radius2[m] - (vx * vx + vy * vy + vz * vz - foot[m] * foot[m])
                for m in range(n_listener):
                    if half2[m] <= 0.0:
                        continue
                    half = np.sqrt(half2[m])
                    chord = min(foot[m] + half, length) - max(foot[m] - half, 0.0)
                    if chord <= 0.0:
                        continue
                    at = max(distance + foot[m], 0.0)         # when its front passes the centre
                    index = int(at * per_bin)
                    if index >= n_bin:
                        continue
                    share = chord * weight[m]
                    step = at * per_air
                    k = min(int(step), last_air)
                    part = step - k
                    base = (size if is_scattered else 0) + (m * n_bin + index) * n_band
                    for i in range(n):
                        b = band[i]
                        if count < room_for:
                            entry_at[count] = base + b
                            entry_from[count] = ray * n_band + b
                            entry_part[count] = share * e[i] * (air[k, b] + part * (air[k + 1, b] - air[k, b]))
                        count += 1

                distance += length
                step = distance * per_air
                k = min(int(step), last_air)
                part = step - k
                for i in range(n):
                    b = band[i]
                    there = air[k, b] + part * (air[k + 1, b] - air[k, b])
                    spent[ray, 1, b] += e[i] * (here[i] - there)
                    here[i] = there
                if ends:
                    for i in range(n):
                        spent[ray, 3, band[i]] += e[i] * here[i]
                    break
                x, y, z = x + length * dx, y + length * dy, z + length * dz

                if meets:
                    for i in range(n):
                        spent[ray, 2, band[i]] += e[i] * here[i] * furniture_absorbs[band[i]]
                        e[i] *= 1.0 - furniture_absorbs[band[i]]
                    if _uniform(state) < furniture_scatters:
                        dz = 2.0 * _uniform(state) - 1.0
                        flat, turn = np.sqrt(1.0 - dz * dz), 2.0 * np.pi * _uniform(state)
                        dx, dy = flat * np.cos(turn), flat * np.sin(turn)
                        is_scattered = True
                    continue

                nx, ny, nz = normal[face, 0], normal[face, 1], normal[face, 2]
                towards = dx * nx + dy * ny + dz * nz
                surface = surface_at(
                    face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface
                )
                step = np.sqrt(min(-towards, 1.0)) * (n_angle - 1)
                k = min(int(step), n_angle - 2)
                part = step - k
                draw = _uniform(state)
                sx, sy, sz = dx - 2.0 * towards * nx, dy - 2.0 * towards * ny, dz - 2.0 * towards * nz
                alive, n_specular = 0, 0
                for i in range(n):
                    b = band[i]
                    back = reflect[surface, k, b] + part * (reflect[surface, k + 1, b] - reflect[surface, k, b])
                    arrived = e[i] * here[i]
                    spent[ray, 0, b] += arrived * (1.0 - back)
                    if arrived * back <= floor:
                        spent[ray, 4, b] += arrived * back
                        continue
                    kept = e[i] * back
                    if draw < scatter[surface, b]:
                        band[alive], e[alive], here[alive] = b, kept, here[i]
                        alive += 1
                    else:                                     # specular bands wait, should others scatter
                        waiting_band[n_waiting, n_specular] = b
                        waiting_energy[n_waiting, n_specular] = kept
                        n_specular += 1
                if alive == 0:                                # all go on specularly
                    for i in range(n_specular):
                        b = waiting_band[n_waiting, i]
                        band[i], e[i] = b, waiting_energy[n_waiting, i]
                    if n_specular < n:
                        step = distance * per_air
                        k = min(int(step), last_air)
                        part = step - k
                        for i in range(n_specular):
                            b = band[i]
                            here[i] = air[k, b] + part * (air[k + 1, b] - air[k, b])
                    n = n_specular
                    dx, dy, dz = sx, sy, sz
                    continue
                if n_specular > 0:
                    waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2] = x, y, z
                    waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5] = sx, sy, sz
                    waiting[n_waiting, 6] = distance
                    waiting[n_waiting, 7] = 1.0 if is_scattered else 0.0
                    waiting_count[n_waiting] = n_specular
                    n_waiting += 1
                n = alive
                c2 = _uniform(state)                          # Lambert: cos² θ is even over 0 to 1
                up, flat, turn = np.sqrt(c2), np.sqrt(1.0 - c2), 2.0 * np.pi * _uniform(state)
                a, c = flat * np.cos(turn), flat * np.sin(turn)
                dx = up * nx + a * axis_u[face, 0] + c * axis_v[face, 0]
                dy = up * ny + a * axis_u[face, 1] + c * axis_v[face, 1]
                dz = up * nz + a * axis_u[face, 2] + c * axis_v[face, 2]
                is_scattered = True
    return count


@_jit()
def add_up(entry_at, entry_from, entry_part, energy, out):
    """Add a list of what rays leave, times the energy that a channel gives them.

    Parameters
    ----------
    entry_at, entry_from, entry_part : from walk_rays
    energy : of each ray and band, flat
    out : added to, flat
    """
    for i in range(entry_at.size):
        out[entry_at[i]] += entry_part[i] * energy[entry_from[i]]


@_jit()
def visible_volume(
    centre, radius, directions,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
):
    """Volume of the part of a sphere that lies inside the room: ∫ dΩ ∫ r² dr along even directions.

    Along each direction the room's inside and outside alternate at the faces (from inside at the centre).
    """
    total = 0.0
    crossing = np.empty(offset.size)
    for i in range(directions.shape[0]):
        dx, dy, dz = directions[i, 0], directions[i, 1], directions[i, 2]
        n = 0
        for k in range(offset.size):
            towards = dx * normal[k, 0] + dy * normal[k, 1] + dz * normal[k, 2]
            if towards == 0.0:
                continue
            t = (offset[k] - centre[0] * normal[k, 0] - centre[1] * normal[k, 1] - centre[2] * normal[k, 2]) / towards
            if t <= 0.0 or t >= radius or (convex and towards > 0.0):
                continue
            if not convex:
                px = centre[0] + t * dx - origin[k, 0]
                py = centre[1] + t * dy - origin[k, 1]
                pz = centre[2] + t * dz - origin[k, 2]
                u = px * axis_u[k, 0] + py * axis_u[k, 1] + pz * axis_u[k, 2]
                v = px * axis_v[k, 0] + py * axis_v[k, 1] + pz * axis_v[k, 2]
                if not _in_polygon(u, v, corners, corner_start[k], corner_start[k + 1]):
                    continue
            crossing[n] = t
            n += 1
        if convex:
            end = radius
            for k in range(n):
                end = min(end, crossing[k])
            total += end**3
        else:
            ordered = np.sort(crossing[:n])
            begin, inside = 0.0, True
            for k in range(n):
                if inside:
                    total += ordered[k] ** 3 - begin**3
                begin, inside = ordered[k], not inside
            if inside:
                total += radius**3 - begin**3
    return total * 4.0 * np.pi / 3.0 / directions.shape[0]
