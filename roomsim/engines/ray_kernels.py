"""Compiled loops of the ray engine: scalars and arrays only.

Rays follow mirror paths and throw no dice: a path is the same for all bands and all senders, and what surfaces and
furniture take and scatter out of it is a factor per band. Where scattered sound goes is ray_transfer's.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from .compiled import jit

_jit = partial(jit, error_model="numpy")


WALLS, FURNITURE, DROPPED, LOST, FLYING = range(5)
"""Rows of the ledger: absorbed by surfaces and furniture; given up as negligible; in rays that found no surface
(rounding at an edge); changes of what is on its way unscattered."""

LEDGER_ROWS = 5

MOST_LOSS = 40.0
"""Nepers of energy; what has lost more is as little."""

NEAREST_M2 = 0.04
"""A place that scatters is not taken nearer to a listener than 0.2 m, where one ray could be loud beyond all bounds."""

FAST = {"contract", "reassoc", "nsz", "arcp"}
"""Sums may be reordered and divisions become products; infinities stay what they are."""


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


@_jit(inline="always")
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


@_jit(inline="always")
def surface_at(face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface):
    """Index of the surface (face or patch) at a point of a face."""
    for p in range(patch_start[face], patch_start[face + 1]):
        px, py, pz = x - origin[face, 0], y - origin[face, 1], z - origin[face, 2]
        u = px * axis_u[face, 0] + py * axis_u[face, 1] + pz * axis_u[face, 2]
        v = px * axis_v[face, 0] + py * axis_v[face, 1] + pz * axis_v[face, 2]
        if patches[p, 0] <= u <= patches[p, 1] and patches[p, 2] <= v <= patches[p, 3]:
            return patch_surface[p]
    return face_surface[face]


@_jit(inline="always")
def element_at(surface, face, x, y, z, origin, axis_u, axis_v, lines, grid, first_cell, cell_element):
    """Element of a surface at a point of its face: surfaces are cut along lines, see ray_elements."""
    if first_cell[surface + 1] - first_cell[surface] == 1:
        return cell_element[first_cell[surface]]
    px, py, pz = x - origin[face, 0], y - origin[face, 1], z - origin[face, 2]
    u = px * axis_u[face, 0] + py * axis_u[face, 1] + pz * axis_u[face, 2]
    v = px * axis_v[face, 0] + py * axis_v[face, 1] + pz * axis_v[face, 2]
    along, across, end = grid[surface, 0], grid[surface, 1], grid[surface, 2]
    i, j = 0, 0
    for n in range(along, across):
        if u > lines[n]:
            i += 1
    for n in range(across, end):
        if v > lines[n]:
            j += 1
    return cell_element[first_cell[surface] + i * (end - across + 1) + j]


@_jit()
def elements_of(
    face, points, origin, axis_u, axis_v, corners, corner_start,
    face_surface, patch_start, patches, patch_surface, lines, grid, first_cell, cell_element, found,
):
    """Element under each point (n, 3) of the plane of a face, -1 outside the face; written to `found`."""
    for i in range(points.shape[0]):
        x, y, z = points[i, 0], points[i, 1], points[i, 2]
        px, py, pz = x - origin[face, 0], y - origin[face, 1], z - origin[face, 2]
        u = px * axis_u[face, 0] + py * axis_u[face, 1] + pz * axis_u[face, 2]
        v = px * axis_v[face, 0] + py * axis_v[face, 1] + pz * axis_v[face, 2]
        found[i] = -1
        if _in_polygon(u, v, corners, corner_start[face], corner_start[face + 1]):
            surface = surface_at(
                face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface
            )
            found[i] = element_at(
                surface, face, x, y, z, origin, axis_u, axis_v, lines, grid, first_cell, cell_element
            )


@_jit(inline="always")
def _psi(basis, row, x, y, z):
    """Function of a row at a place: up to the second degree, as ray_elements.monomials."""
    return (
        basis[row, 0]
        + x * (basis[row, 1] + basis[row, 4] * x + basis[row, 7] * y + basis[row, 8] * z)
        + y * (basis[row, 2] + basis[row, 5] * y + basis[row, 9] * z)
        + z * (basis[row, 3] + basis[row, 6] * z)
    )


@_jit(fastmath=FAST)
def _per_band(to, sent, ray, factor):
    """What each sender gives to a ray times a factor per band; `sent` (n_ray, n_sender · n_band)."""
    first, n_band = np.uintp(0), np.uintp(factor.size)
    at = np.uintp(ray)
    for _ in range(to.size // factor.size):
        for b in range(n_band):
            to[first + b] = sent[at, first + b] * factor[b]
        first += n_band


@_jit(fastmath=FAST)
def _add(to, row, node, factor, given):
    """Add to one row and time step: one long loop, which the compiler makes fast."""
    r, n = np.uintp(row), np.uintp(node)
    for i in range(np.uintp(given.size)):
        to[r, n, i] += factor * given[i]


@_jit(fastmath=FAST)
def follow_rays(
    start, directions, dither, sent,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
    face_surface, patch_start, patches, patch_surface, reflect, scatter,
    furniture_per_m, furniture_absorbs, furniture_scatters,
    lines, grid, first_cell, cell_element, first_row, basis,
    listeners, near_m, node_m, floor, backwards, out, seen, ledger,
):
    """Follow rays along their mirror paths and note what surfaces and furniture scatter out of them.

    Parameters
    ----------
    start, directions : (n_ray, 3) each
    dither : (n_ray,), even over 0 to 1: a time t between two nodes goes to the upper one if its place between them
        exceeds 1 - dither, so that the mean over rays is t
    sent : what each sender gives to a ray, (n_ray, n_sender · n_band), bands side by side; so too below
    normal ... corner_start : flattened faces
    face_surface ... patch_surface : which surface a face or patch is
    reflect, scatter : |R|² on even steps of sqrt(cos θ) (n_surface, n_angle, n_band); s (n_surface, n_band)
    furniture_per_m, furniture_absorbs, furniture_scatters : hits per metre, α (n_band,), part that is scattered
    grid ... basis : elements, see ray_elements.Elements; the last element is the room's volume, where furniture is
    listeners : (n_listener, 3)
    near_m : what surfaces scatter within this distance from the start goes to the second half of `out`'s rows, and from
        the very place to the listeners (forwards only); 0 for nothing
    node_m : metres per time step; rays end after as many as `out` has
    floor : a ray is given up when every band holds less than this part of what it left with
    backwards : the rays run from a listener against the sound: they note what would come along them from each element
        (at a surface its weight before it is met; in the volume weight × length), the first surface in the second half
        of `out`'s rows, and nothing is put into the ledger
    out : added to, (n_row or 2 n_row, n_node, n_sender · n_band)
    seen : added to, (n_listener, n_node, n_sender · n_band)
    ledger : added to, (LEDGER_ROWS, n_node, n_sender · n_band); row FLYING holds changes, to be summed over time
    """
    n_node, n_band, n_each = out.shape[1], reflect.shape[2], np.uintp(out.shape[2])
    n_sender = sent.shape[1] // n_band
    reach_m, per_node, n_angle = n_node * node_m, 1.0 / node_m, reflect.shape[1]
    last, half = first_row.size - 2, first_row[first_row.size - 1]
    w, q, lost = np.empty(n_band), np.empty(n_band), np.empty(n_band)
    rate, absorbed = np.empty(n_band), np.empty(n_band)
    given, taken = np.empty(out.shape[2]), np.empty(out.shape[2])
    mean_rate = 0.0
    for b in range(n_band):
        scattered = furniture_per_m * (1.0 - furniture_absorbs[b]) * furniture_scatters
        rate[b] = furniture_per_m * furniture_absorbs[b] + scattered
        absorbed[b] = furniture_per_m * furniture_absorbs[b] / rate[b] if rate[b] > 0.0 else 0.0
        mean_rate += rate[b] / n_band
    state = np.zeros(1, np.uint64)
    for ray in range(directions.shape[0]):
        x, y, z = start[ray, 0], start[ray, 1], start[ray, 2]
        dx, dy, dz = directions[ray, 0], directions[ray, 1], directions[ray, 2]
        shift, distance = dither[ray], 0.0
        state[0] = np.uint64(ray) * np.uint64(0x2545F4914F6CDD1D) + np.uint64(shift * 4294967296.0)
        w[:] = 1.0
        first = True
        if not backwards:
            _add(ledger, FLYING, 0, 1.0, sent[ray])
        while True:
            length, face = next_face(
                x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start
            )
            if face < 0:
                node = min(int(distance * per_node + shift), n_node - 1)
                if not backwards:
                    _per_band(given, sent, ray, w)
                    _add(ledger, LOST, node, 1.0, given)
                    _add(ledger, FLYING, node, -1.0, given)
                break
            ends = distance + length >= reach_m
            if ends:
                length = reach_m - distance
            if mean_rate > 0.0:
                # Where on this flight: even in what the mean band loses.
                along = -np.log(1.0 - _uniform(state) * (1.0 - np.exp(-mean_rate * length))) / mean_rate
                node = int((distance + along) * per_node + shift)
                for b in range(n_band):
                    lost[b] = w[b] * (1.0 - np.exp(-rate[b] * length))
                if node < n_node:
                    px, py, pz = x + along * dx, y + along * dy, z + along * dz
                    for b in range(n_band):
                        if backwards:
                            q[b] = lost[b] / rate[b] if rate[b] > 0.0 else w[b] * length
                        else:
                            q[b] = lost[b] * (1.0 - absorbed[b])
                    _per_band(given, sent, ray, q)
                    for r in range(first_row[last], first_row[last + 1]):
                        _add(out, r, node, _psi(basis, r, px, py, pz), given)
                    if not backwards:
                        _per_band(taken, sent, ray, lost)
                        _add(ledger, FLYING, node, -1.0, taken)
                        for b in range(n_band):
                            q[b] = lost[b] * absorbed[b]
                        _per_band(taken, sent, ray, q)
                        _add(ledger, FURNITURE, node, 1.0, taken)
                for b in range(n_band):
                    w[b] -= lost[b]
            if ends:
                break
            distance += length
            node = int(distance * per_node + shift)
            if node >= n_node:
                break
            x, y, z = x + length * dx, y + length * dy, z + length * dz
            surface = surface_at(
                face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface
            )
            element = element_at(
                surface, face, x, y, z, origin, axis_u, axis_v, lines, grid, first_cell, cell_element
            )
            nx, ny, nz = normal[face, 0], normal[face, 1], normal[face, 2]
            towards = dx * nx + dy * ny + dz * nz
            dx, dy, dz = dx - 2.0 * towards * nx, dy - 2.0 * towards * ny, dz - 2.0 * towards * nz
            step = np.sqrt(min(-towards, 1.0)) * (n_angle - 1)
            k = min(int(step), n_angle - 2)
            part = step - k
            top = 0.0
            for b in range(n_band):
                back = reflect[surface, k, b] + part * (reflect[surface, k + 1, b] - reflect[surface, k, b])
                q[b] = w[b] if backwards else w[b] * back * scatter[surface, b]
                lost[b] = w[b] * (1.0 - back)
                w[b] *= back * (1.0 - scatter[surface, b])
                top = max(top, w[b])
            near = (first if backwards else distance < near_m) and near_m > 0.0
            second = half if near else 0
            first = False
            _per_band(given, sent, ray, q)
            for r in range(first_row[element], first_row[element + 1]):
                _add(out, second + r, node, _psi(basis, r, x, y, z), given)
            if near and not backwards:
                for m in range(listeners.shape[0]):
                    ex, ey, ez = listeners[m, 0] - x, listeners[m, 1] - y, listeners[m, 2] - z
                    away = np.sqrt(ex * ex + ey * ey + ez * ez)
                    up = (ex * nx + ey * ny + ez * nz) / away
                    at = int((distance + away) * per_node + shift)
                    if up <= 0.0 or at >= n_node:
                        continue
                    if not convex:
                        free = next_face(
                            x + 1e-6 * nx, y + 1e-6 * ny, z + 1e-6 * nz, ex / away, ey / away, ez / away,
                            normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
                        )[0]
                        if free < away:
                            continue
                    share = up / (np.pi * max(away * away, NEAREST_M2))
                    if mean_rate > 0.0:
                        for b in range(n_band):
                            kept = np.exp(-rate[b] * away)
                            for p in range(n_sender):
                                seen[m, at, p * n_band + b] += share * kept * given[p * n_band + b]
                    else:
                        _add(seen, m, at, share, given)
            given_up = top < floor
            if not backwards:
                _per_band(taken, sent, ray, lost)
                _add(ledger, WALLS, node, 1.0, taken)
                for i in range(n_each):
                    taken[i] += given[i]
                _add(ledger, FLYING, node, -1.0, taken)
                if given_up:
                    _per_band(taken, sent, ray, w)
                    _add(ledger, DROPPED, node, 1.0, taken)
                    _add(ledger, FLYING, node, -1.0, taken)
            if given_up:
                break


@_jit(fastmath=FAST)
def gather_steps(rows, steps, out):
    """Time steps of the middle axis, so many together: what lies between two of `out`'s goes to both."""
    n = np.uintp(rows.shape[2])
    for r in range(np.uintp(rows.shape[0])):
        for node in range(rows.shape[1]):
            low = node // steps
            high = (node - low * steps) / steps
            i, j, k = np.uintp(low), np.uintp(low + 1), np.uintp(node)
            for c in range(n):
                out[r, i, c] += (1.0 - high) * rows[r, k, c]
            if high > 0.0:
                for c in range(n):
                    out[r, j, c] += high * rows[r, k, c]


@_jit(fastmath=FAST)
def detect_rays(
    start, directions, sent,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start,
    face_surface, patch_start, patches, patch_surface, reflect, scatter,
    furniture_per_m, furniture_absorbs, furniture_scatters,
    listeners, radius2, weight, bin_m, floor, out,
):
    """Follow rays along their mirror paths and add up what crosses the listeners' spheres after the first surface.

    Parameters
    ----------
    start, directions : (3,), (n_ray, 3)
    sent : energy that each channel gives to a ray, (n_ray, n_channel, n_band)
    normal ... furniture_scatters : as in follow_rays
    listeners, radius2, weight : (n_listener, 3), squared radii, 1 / volume of the sphere inside the room
    bin_m : metres per time bin; rays end after as many as `out` has
    floor : a ray is given up when every band holds less than this part of what it left with
    out : added to, (n_listener, n_bin, n_channel, n_band)
    """
    n_listener, n_bin, n_channel, n_band = out.shape
    reach_m, per_bin, n_angle = n_bin * bin_m, 1.0 / bin_m, reflect.shape[1]
    seat_x, seat_y, seat_z = listeners[:, 0].copy(), listeners[:, 1].copy(), listeners[:, 2].copy()
    foot, half2 = np.empty(n_listener), np.empty(n_listener)
    w, q, rate = np.empty(n_band), np.empty(n_band), np.empty(n_band)
    for b in range(n_band):
        rate[b] = furniture_per_m * (1.0 - (1.0 - furniture_absorbs[b]) * (1.0 - furniture_scatters))
    for ray in range(directions.shape[0]):
        x, y, z = start[0], start[1], start[2]
        dx, dy, dz = directions[ray, 0], directions[ray, 1], directions[ray, 2]
        distance, first = 0.0, True
        w[:] = 1.0
        while True:
            length, face = next_face(
                x, y, z, dx, dy, dz, normal, offset, convex, origin, axis_u, axis_v, corners, corner_start
            )
            if face < 0:
                break
            ends = distance + length >= reach_m
            if ends:
                length = reach_m - distance
            if not first:
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
                    index = int(max(distance + foot[m], 0.0) * per_bin)   # when its front passes the centre
                    if index >= n_bin:
                        continue
                    share, along = chord * weight[m], min(max(foot[m], 0.0), length)
                    for b in range(n_band):
                        q[b] = share * w[b]
                        if furniture_per_m > 0.0:
                            q[b] *= np.exp(-rate[b] * along)
                    for p in range(n_channel):
                        for b in range(n_band):
                            out[m, index, p, b] += sent[ray, p, b] * q[b]
            if ends:
                break
            first = False
            distance += length
            x, y, z = x + length * dx, y + length * dy, z + length * dz
            surface = surface_at(
                face, x, y, z, origin, axis_u, axis_v, face_surface, patch_start, patches, patch_surface
            )
            nx, ny, nz = normal[face, 0], normal[face, 1], normal[face, 2]
            towards = dx * nx + dy * ny + dz * nz
            dx, dy, dz = dx - 2.0 * towards * nx, dy - 2.0 * towards * ny, dz - 2.0 * towards * nz
            step = np.sqrt(min(-towards, 1.0)) * (n_angle - 1)
            k = min(int(step), n_angle - 2)
            part = step - k
            top = 0.0
            for b in range(n_band):
                back = reflect[surface, k, b] + part * (reflect[surface, k + 1, b] - reflect[surface, k, b])
                w[b] *= back * (1.0 - scatter[surface, b])
                if furniture_per_m > 0.0:
                    w[b] *= np.exp(-rate[b] * length)
                top = max(top, w[b])
            if top < floor:
                break


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


@_jit(fastmath=FAST)
def mirror_energy(
    source, listeners, size, loss, order, furniture_rate, table, into, bin_m, exact_m, least, out, shared,
):
    """Energy of all mirror images of a box's listeners but the direct sound: what infinitely many rays would leave.

    Parameters
    ----------
    source, listeners, size : (3,), (n_listener, 3), extents of the box
    loss : -ln of what goes on specularly at each wall (at 0 and at L of x, y, z), on even steps of sqrt(cos θ),
        (6, n_angle, n_band)
    order : axes from the outer to the inner loop; the inner one is left when two images in a row have lost too much
    furniture_rate : loss per metre, (n_band,)
    table : energy sent per direction, (n_channel, n_row, n_column, n_band), as emission.Emission.table
    into : normal of a wall that nothing is sent into, zeros for none
    bin_m : metres per time bin; images end after as many as `out` has
    exact_m : images farther away are evaluated for one listener only, each in turn, and go to `shared`: their mean over
        the listeners, but for a few milliseconds
    least : images that keep less than this in every band are left out
    out, shared : added to, (n_channel, n_listener, n_bin, n_band), (n_channel, n_bin, n_band)
    """
    n_channel, n_listener, n_bin, n_band = out.shape
    n_angle, n_rows, n_columns = loss.shape[1], table.shape[1], table.shape[2]
    reach = n_bin * bin_m
    most = -np.log(least)
    a0, a1, a2 = order[0], order[1], order[2]
    d = np.empty(3)
    cell = np.zeros(3, np.int64)
    n_all = np.uintp(n_band)
    total = np.empty(n_band)
    reach2, exact2 = reach * reach, exact_m * exact_m
    for m in range(n_listener):
        k0_most, k1_most = int(reach / size[a0]) + 1, int(reach / size[a1]) + 1
        for k0 in range(-k0_most, k0_most + 1):
            cell[a0] = k0
            d[a0] = (k0 * size[a0] + listeners[m, a0] if k0 % 2 == 0 else (k0 + 1) * size[a0] - listeners[m, a0]
                     ) - source[a0]
            if d[a0] * d[a0] >= reach2:
                continue
            for k1 in range(-k1_most, k1_most + 1):
                cell[a1] = k1
                d[a1] = (k1 * size[a1] + listeners[m, a1] if k1 % 2 == 0 else
                         (k1 + 1) * size[a1] - listeners[m, a1]) - source[a1]
                flat2 = d[a0] * d[a0] + d[a1] * d[a1]
                if flat2 >= reach2:
                    continue
                own = ((k0 * 73856093) ^ (k1 * 19349663)) % n_listener == m
                if not own and flat2 >= exact2:
                    continue
                for sign in range(2):
                    k2, missed = (0 if sign == 0 else -1), 0
                    while missed < 2:
                        cell[a2] = k2
                        d[a2] = (k2 * size[a2] + listeners[m, a2] if k2 % 2 == 0 else
                                 (k2 + 1) * size[a2] - listeners[m, a2]) - source[a2]
                        k2 += 1 if sign == 0 else -1
                        r2 = flat2 + d[a2] * d[a2]
                        if r2 >= reach2 or (not own and r2 >= exact2):
                            break
                        if cell[0] == 0 and cell[1] == 0 and cell[2] == 0:
                            continue
                        if d[0] * into[0] + d[1] * into[1] + d[2] * into[2] < 0.0:
                            continue
                        r = np.sqrt(r2)
                        per_r = 1.0 / r
                        for b in range(n_band):
                            total[b] = furniture_rate[b] * r
                        for axis in range(3):
                            k = cell[axis]
                            if k == 0:
                                continue
                            n = abs(k)
                            if k > 0:
                                at_zero, at_end = float(n // 2), float((n + 1) // 2)
                            else:
                                at_zero, at_end = float((n + 1) // 2), float(n // 2)
                            step = np.sqrt(min(abs(d[axis]) * per_r, 1.0)) * (n_angle - 1)
                            i = min(int(step), n_angle - 2)
                            part = step - i
                            low, high = 1.0 - part, part
                            for b in range(n_band):
                                total[b] += (
                                    at_zero * (low * loss[2 * axis, i, b] + high * loss[2 * axis, i + 1, b])
                                    + at_end * (low * loss[2 * axis + 1, i, b] + high * loss[2 * axis + 1, i + 1, b])
                                )
                        smallest = total[0]
                        for b in range(1, n_band):
                            smallest = min(smallest, total[b])
                        if smallest > most:
                            missed += 1
                            continue
                        missed = 0
                        # e^-t = (e^(-t/256))^256, in operations that the compiler does for all bands at once.
                        for b in range(n_all):
                            q = min(total[b], MOST_LOSS) * (-1.0 / 256.0)
                            q = 1.0 + q * (1.0 + q * (1 / 2 + q * (1 / 6 + q * (1 / 24 + q / 120))))
                            q *= q
                            q *= q
                            q *= q
                            q *= q
                            q *= q
                            q *= q
                            q *= q
                            total[b] = q * q * per_r * per_r
                        up = np.arcsin(min(max(d[2] * per_r, -1.0), 1.0)) / np.pi + 0.5
                        row = min(max(up * n_rows - 0.5, 0.0), n_rows - 1.0)
                        column = np.arctan2(d[1], d[0]) / (2.0 * np.pi) * n_columns - 0.5
                        column -= np.floor(column / n_columns) * n_columns
                        i, j = min(int(row), n_rows - 2), int(column) % n_columns
                        u, v, k = row - i, column - np.floor(column), (j + 1) % n_columns
                        index = int(r / bin_m)
                        for c in range(n_channel):
                            for b in range(n_band):
                                sent = (1.0 - u) * ((1.0 - v) * table[c, i, j, b] + v * table[c, i, k, b]) + u * (
                                    (1.0 - v) * table[c, i + 1, j, b] + v * table[c, i + 1, k, b]
                                )
                                if r2 < exact2:
                                    out[c, m, index, b] += sent * total[b]
                                else:
                                    shared[c, index, b] += sent * total[b]
