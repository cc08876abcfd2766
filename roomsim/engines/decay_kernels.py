"""Compiled loop of the room's decay: scalars and arrays only, and nothing of other files that is compiled.

Energy is followed from everywhere in all directions and summed over the whole room, so every ray tells something at
every moment and few of them tell much. A path depends on scattering but not on absorption: several variants of the
surfaces' absorption share it.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from .compiled import jit

_jit = partial(jit, error_model="numpy")


@_jit()
def _draw(state):
    """Next number in 0 to 1 of a 64-bit counter, mixed (splitmix64; public domain, from memory)."""
    state[0] += np.uint64(0x9E3779B97F4A7C15)
    z = state[0]
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return (float(z >> np.uint64(11)) + 0.5) * (1.0 / 9007199254740992.0)


@_jit()
def _face_ahead(x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start):
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
            inside, j = False, corner_start[k + 1] - 1
            for i in range(corner_start[k], corner_start[k + 1]):
                ui, vi, uj, vj = corners[i, 0], corners[i, 1], corners[j, 0], corners[j, 1]
                if (vi > v) != (vj > v) and u < (uj - ui) * (v - vi) / (vj - vi) + ui:
                    inside = not inside
                j = i
            if not inside:
                continue
        best, face = t, k
    return max(best, 0.0), face


LEAST_SHARE, MOST_SHARE, DEPTH, MOST_PARTED = 0.4, 2.5, 24, 400


@_jit()
def walk_energy(
    positions, directions, seeds,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
    patch_start, patches, patch_surface, reflect, scatter,
    furniture_per_m, furniture_keeps, furniture_scatters, air_per_bin, bin_m, expected, out,
):
    """Follow rays in one band and add up their energy over time.

    Parameters
    ----------
    positions, directions, seeds : where each ray starts, which way, and its own random numbers; (n_ray, 3), (n_ray,)
    normal ... corner_start : flattened faces, as in ray_surfaces.RayGeometry
    patch_start, patches, patch_surface : patches of face k are rows patch_start[k] to patch_start[k + 1] as u0, u1,
        v0, v1; face k itself is surface k
    reflect : part of the energy that comes back at even steps of sqrt(cos θ), shape (n_surface, n_angle, n_variant)
    scatter : scattering coefficient, shape (n_surface,)
    furniture_per_m, furniture_keeps, furniture_scatters : hits per metre, part kept at a hit (n_variant,), part of
        that which goes on in a random direction
    air_per_bin : part that the air leaves at the middle of each time bin, shape (n_bin,)
    bin_m : metres per time bin
    expected : mean energy of a ray in each time bin, without air, shape (n_bin,). A ray that holds much more is
        followed as two with half of it each, one that holds much less ends or, by the same chance, goes on with twice
        as much: the mean stays, and all rays tell about as much. Nothing of it where it is 0
    out : added to, energy in the middle of each bin, shape (n_group, n_bin, n_variant); ray r belongs to group
        r % n_group
    """
    n_angle, n_variant, n_bin = reflect.shape[1], reflect.shape[2], out.shape[1]
    state, energy = np.zeros(1, np.uint64), np.empty(n_variant)
    waiting, waiting_index = np.empty((DEPTH, 7)), np.zeros(DEPTH, np.int64)
    waiting_energy = np.empty((DEPTH, n_variant))
    for ray in range(positions.shape[0]):
        state[0] = seeds[ray]
        group = ray % out.shape[0]
        waiting[0, :3], waiting[0, 3:6], waiting[0, 6] = positions[ray], directions[ray], 0.0
        waiting_energy[0], waiting_index[0] = 1.0, 0
        n_waiting, parted = 1, 0
        while n_waiting > 0:
            n_waiting -= 1
            x, y, z = waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2]
            dx, dy, dz = waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5]
            distance, index = waiting[n_waiting, 6], waiting_index[n_waiting]
            energy[:] = waiting_energy[n_waiting]
            while True:
                length, face = _face_ahead(
                    x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start
                )
                if face < 0:                                      # rounding at an edge
                    break
                meets = False
                if furniture_per_m > 0.0:
                    free = -np.log(_draw(state)) / furniture_per_m
                    if free < length:
                        length, meets = free, True
                distance += length
                while index < n_bin and (index + 0.5) * bin_m <= distance:
                    for v in range(n_variant):
                        out[group, index, v] += energy[v] * air_per_bin[index]
                    index += 1
                if index >= n_bin:
                    break
                x, y, z = x + length * dx, y + length * dy, z + length * dz
                if meets:
                    for v in range(n_variant):
                        energy[v] *= furniture_keeps[v]
                    if _draw(state) < furniture_scatters:
                        dz = 2.0 * _draw(state) - 1.0
                        flat, turn = np.sqrt(1.0 - dz * dz), 2.0 * np.pi * _draw(state)
                        dx, dy = flat * np.cos(turn), flat * np.sin(turn)
                    continue
                nx, ny, nz = normal[face, 0], normal[face, 1], normal[face, 2]
                towards = dx * nx + dy * ny + dz * nz
                surface = face
                if patch_start[face + 1] > patch_start[face]:
                    px, py, pz = x - origin[face, 0], y - origin[face, 1], z - origin[face, 2]
                    u = px * axis_u[face, 0] + py * axis_u[face, 1] + pz * axis_u[face, 2]
                    v_at = px * axis_v[face, 0] + py * axis_v[face, 1] + pz * axis_v[face, 2]
                    for p in range(patch_start[face], patch_start[face + 1]):
                        if patches[p, 0] <= u <= patches[p, 1] and patches[p, 2] <= v_at <= patches[p, 3]:
                            surface = patch_surface[p]
                            break
                step = np.sqrt(min(-towards, 1.0)) * (n_angle - 1)
                k = min(int(step), n_angle - 2)
                part = step - k
                for v in range(n_variant):
                    energy[v] *= reflect[surface, k, v] + part * (reflect[surface, k + 1, v] - reflect[surface, k, v])
                if _draw(state) < scatter[surface]:
                    c2 = _draw(state)                             # Lambert: cos² θ is even over 0 to 1
                    up, flat, turn = np.sqrt(c2), np.sqrt(1.0 - c2), 2.0 * np.pi * _draw(state)
                    a, c = flat * np.cos(turn), flat * np.sin(turn)
                    dx = up * nx + a * axis_u[face, 0] + c * axis_v[face, 0]
                    dy = up * ny + a * axis_u[face, 1] + c * axis_v[face, 1]
                    dz = up * nz + a * axis_u[face, 2] + c * axis_v[face, 2]
                else:
                    dx, dy, dz = dx - 2.0 * towards * nx, dy - 2.0 * towards * ny, dz - 2.0 * towards * nz
                if expected[index] <= 0.0:
                    continue
                mean = 0.0
                for v in range(n_variant):
                    mean += energy[v]
                share = mean / n_variant / expected[index]
                if share < LEAST_SHARE:
                    if _draw(state) < 0.5:
                        break
                    for v in range(n_variant):
                        energy[v] *= 2.0
                elif share > MOST_SHARE and n_waiting < DEPTH and parted < MOST_PARTED:
                    parted += 1
                    for v in range(n_variant):
                        energy[v] *= 0.5
                    waiting[n_waiting, 0], waiting[n_waiting, 1], waiting[n_waiting, 2] = x, y, z
                    waiting[n_waiting, 3], waiting[n_waiting, 4], waiting[n_waiting, 5] = dx, dy, dz
                    waiting[n_waiting, 6] = distance
                    waiting_energy[n_waiting], waiting_index[n_waiting] = energy, index
                    n_waiting += 1
