"""Compiled search for visible image sources in a room of planar faces: scalars and arrays only.

Images are made by mirroring the source in one face after the other, depth first. What leaves an image through the
part of its face that it can reach (its window) is a beam; a face inside the beam, clipped by it, is the window of the
next image. A listener inside a beam is tried by going back from face to face: every point of reflection must lie on
its face, and nothing may stand between two of them.

No image is followed that lies farther from every listener than sound that counts, or whose window does: by the triangle
inequality no path by way of it is shorter. Windows are convex hulls on faces that are not convex, and nothing is cut
away from them where something stands in front, unless a single face hides them whole: beams may be too wide, so that
more is tried, but nothing is missed.

Jitted functions that call each other stay in this file.
"""

from __future__ import annotations

from functools import partial

import numpy as np

from .compiled import jit

_jit = partial(jit, error_model="numpy")


MOST_HITS = 120
"""No path has more; one that would have is as good as over the budget."""

MOST_CORNERS = 64
"""Of a window."""

COLUMNS = 8
"""Of a found path: x, y, z of the image; direction in which the source sends it; length; length to the middle."""

_ON_PLANE_M = 1e-9


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
def _on_face(k, x, y, z, origin, axis_u, axis_v, corners, corner_start):
    """Whether a point of the plane of face k lies on the face."""
    px, py, pz = x - origin[k, 0], y - origin[k, 1], z - origin[k, 2]
    u = px * axis_u[k, 0] + py * axis_u[k, 1] + pz * axis_u[k, 2]
    v = px * axis_v[k, 0] + py * axis_v[k, 1] + pz * axis_v[k, 2]
    return _in_polygon(u, v, corners, corner_start[k], corner_start[k + 1])


@_jit()
def blocked(ax, ay, az, bx, by, bz, leaves, ends, normal, offset, origin, axis_u, axis_v, corners, corner_start):
    """Whether a face stands between two points; `leaves` and `ends` are the faces on which they lie, -1 for none."""
    dx, dy, dz = bx - ax, by - ay, bz - az
    for k in range(offset.size):
        if k in (leaves, ends):
            continue
        towards = dx * normal[k, 0] + dy * normal[k, 1] + dz * normal[k, 2]
        if towards >= 0.0:
            continue
        t = (offset[k] - ax * normal[k, 0] - ay * normal[k, 1] - az * normal[k, 2]) / towards
        if t <= 1e-12 or t >= 1.0 - 1e-12:
            continue
        if _on_face(k, ax + t * dx, ay + t * dy, az + t * dz, origin, axis_u, axis_v, corners, corner_start):
            return True
    return False


@_jit()
def _clipped(points, n, out, mx, my, mz, limit):
    """Clip a polygon (n, 3) to m·x ≥ limit, into `out`; how many corners are left."""
    count = 0
    px, py, pz = points[n - 1, 0], points[n - 1, 1], points[n - 1, 2]
    before = px * mx + py * my + pz * mz - limit
    for i in range(n):
        qx, qy, qz = points[i, 0], points[i, 1], points[i, 2]
        here = qx * mx + qy * my + qz * mz - limit
        if (here > 0.0) != (before > 0.0) and count < out.shape[0]:
            t = before / (before - here)
            out[count, 0], out[count, 1], out[count, 2] = px + t * (qx - px), py + t * (qy - py), pz + t * (qz - pz)
            count += 1
        if here > 0.0 and count < out.shape[0]:
            out[count, 0], out[count, 1], out[count, 2] = qx, qy, qz
            count += 1
        px, py, pz, before = qx, qy, qz, here
    return count


@_jit()
def _hull(points, n, out, nx, ny, nz):
    """Convex hull of points in a plane of normal n, counter-clockwise about it, into `out`; how many corners.

    Andrew's monotone chain in the two coordinates that the plane spans best.
    """
    ax, ay, az = abs(nx), abs(ny), abs(nz)
    if az >= ax and az >= ay:
        u, v, up = 0, 1, nz
    elif ay >= ax:
        u, v, up = 2, 0, ny
    else:
        u, v, up = 1, 2, nx
    order = np.empty(n, np.int64)
    for i in range(n):
        j = i
        while j > 0 and (points[order[j - 1], u], points[order[j - 1], v]) > (points[i, u], points[i, v]):
            order[j] = order[j - 1]
            j -= 1
        order[j] = i
    chain = np.empty(2 * n + 1, np.int64)
    count = 0
    for half in range(2):
        least = count + 1
        for i in range(n):
            p = order[i] if half == 0 else order[n - 1 - i]
            while count > least:
                a, b = chain[count - 2], chain[count - 1]
                turn = (points[b, u] - points[a, u]) * (points[p, v] - points[a, v]) - (
                    points[b, v] - points[a, v]) * (points[p, u] - points[a, u])
                if turn > 0.0:
                    break
                count -= 1
            chain[count] = p
            count += 1
        count -= 1                                             # the last point begins the other half
    count = min(count, out.shape[0])
    for i in range(count):
        p = chain[i] if up > 0 else chain[count - 1 - i]
        for c in range(3):
            out[i, c] = points[p, c]
    return count


@_jit()
def _without_doubles(points, n):
    """Leave out corners that lie on the one before; how many are left."""
    count = 0
    for i in range(n):
        j = count - 1 if count > 0 else n - 1
        d = 0.0
        for c in range(3):
            d += (points[i, c] - points[j, c]) ** 2
        if d > 1e-20 or (count == 0 and i == n - 1):
            for c in range(3):
                points[count, c] = points[i, c]
            count += 1
    return count


@_jit()
def _seen_angle(points, n, sx, sy, sz, nx, ny, nz):
    """About the solid angle at which a polygon is seen: area × height / distance³."""
    cx, cy, cz = 0.0, 0.0, 0.0
    for i in range(n):
        cx, cy, cz = cx + points[i, 0] / n, cy + points[i, 1] / n, cz + points[i, 2] / n
    area = 0.0
    for i in range(1, n - 1):
        ex, ey, ez = points[i, 0] - points[0, 0], points[i, 1] - points[0, 1], points[i, 2] - points[0, 2]
        gx = points[i + 1, 0] - points[0, 0]
        gy = points[i + 1, 1] - points[0, 1]
        gz = points[i + 1, 2] - points[0, 2]
        area += 0.5 * ((ey * gz - ez * gy) * nx + (ez * gx - ex * gz) * ny + (ex * gy - ey * gx) * nz)
    dx, dy, dz = cx - sx, cy - sy, cz - sz
    return abs(area) * abs(dx * nx + dy * ny + dz * nz) / (dx * dx + dy * dy + dz * dz) ** 1.5


@_jit()
def _too_far(points, n, tx, ty, tz, listeners, reach, away):
    """Whether no way from an image by way of its window to any listener is short enough."""
    cx, cy, cz = 0.0, 0.0, 0.0
    for i in range(n):
        cx, cy, cz = cx + points[i, 0] / n, cy + points[i, 1] / n, cz + points[i, 2] / n
    size = 0.0
    for i in range(n):
        size = max(size, (points[i, 0] - cx) ** 2 + (points[i, 1] - cy) ** 2 + (points[i, 2] - cz) ** 2)
    # from the image to the window's middle, less twice its radius: once for each part of the way
    before = np.sqrt((cx - tx) ** 2 + (cy - ty) ** 2 + (cz - tz) ** 2) - 2 * np.sqrt(size)
    for m in range(listeners.shape[0]):
        left = reach[m] + away - before
        square = (listeners[m, 0] - cx) ** 2 + (listeners[m, 1] - cy) ** 2 + (listeners[m, 2] - cz) ** 2
        if left >= 0.0 and square <= left * left:
            return False
    return True


@_jit()
def _hidden(
    points, n, sx, sy, sz, leaves, ends, is_convex_face,
    normal, offset, origin, axis_u, axis_v, corners, corner_start,
):
    """Whether one convex face stands before all of a window, seen from an image through the face it leaves."""
    for j in range(offset.size):
        if j in (leaves, ends) or not is_convex_face[j]:
            continue
        height = sx * normal[j, 0] + sy * normal[j, 1] + sz * normal[j, 2] - offset[j]
        if height <= 0.0:
            continue
        all_behind = True
        for i in range(n):
            dx, dy, dz = points[i, 0] - sx, points[i, 1] - sy, points[i, 2] - sz
            towards = dx * normal[j, 0] + dy * normal[j, 1] + dz * normal[j, 2]
            if towards >= 0.0 or -height <= towards * (1.0 - 1e-9):
                all_behind = False
                break
            t = -height / towards
            x, y, z = sx + t * dx, sy + t * dy, sz + t * dz
            if leaves >= 0 and (
                x * normal[leaves, 0] + y * normal[leaves, 1] + z * normal[leaves, 2] - offset[leaves] <= 1e-9
            ):
                all_behind = False
                break
            if not _on_face(j, x, y, z, origin, axis_u, axis_v, corners, corner_start):
                all_behind = False
                break
        if all_behind:
            return True
    return False


@_jit()
def _went_back(
    hits, image, face_of, px, py, pz, normal, offset, origin, axis_u, axis_v, corners, corner_start, convex,
):
    """Go from a listener back to the source; False where a point of reflection is off its face or hidden."""
    last = -1
    for k in range(hits, 0, -1):
        face = face_of[k]
        dx, dy, dz = image[k, 0] - px, image[k, 1] - py, image[k, 2] - pz
        towards = dx * normal[face, 0] + dy * normal[face, 1] + dz * normal[face, 2]
        if towards >= -1e-15:
            return False
        t = (offset[face] - px * normal[face, 0] - py * normal[face, 1] - pz * normal[face, 2]) / towards
        if t < 0.0 or t > 1.0:
            return False
        qx, qy, qz = px + t * dx, py + t * dy, pz + t * dz
        if not _on_face(face, qx, qy, qz, origin, axis_u, axis_v, corners, corner_start):
            return False
        if not convex and blocked(
            px, py, pz, qx, qy, qz, last, face, normal, offset, origin, axis_u, axis_v, corners, corner_start
        ):
            return False
        px, py, pz, last = qx, qy, qz, face
    return convex or not blocked(
        px, py, pz, image[0, 0], image[0, 1], image[0, 2], last, -1,
        normal, offset, origin, axis_u, axis_v, corners, corner_start,
    )


@_jit()
def grow_tree(
    source, middle, listeners, reach, aside, mount, least_angle, budget,
    normal, offset, convex, origin, axis_u, axis_v, corners, corner_start, space, is_convex_face,
    out, out_listener, out_start, hit_face, hit_cosine,
):
    """Find every path from a source to the listeners.

    Parameters
    ----------
    source, middle : (3,) the source, and the point to whose images `reach` is measured
    listeners, reach : (n_listener, 3), (n_listener,)
    aside : small displacement of listeners by which visibility is decided: a path that meets an edge is seen by way
        of one of its faces and not of both or none
    mount : face that no path may hit first (the source is in it), -1 for none
    least_angle : beams narrower than this solid angle are dropped
    budget : windows that are tried at most
    normal ... corner_start : flattened faces, corners in the face's own coordinates; `space` the same corners (n, 3)
    is_convex_face : (n_face,)
    out : written to, (n_path, COLUMNS); out_listener (n_path,); out_start (n_path + 1,): first hit of each
    hit_face, hit_cosine : written to, (n_hit,): faces from the source on, cosine of incidence

    Returns
    -------
    paths, hits (more than there is room for where they exceed it), windows tried (-1 where the budget did not do),
    solid angle of dropped beams
    """
    n_face = offset.size
    image = np.empty((MOST_HITS + 2, 3))
    mirror = np.empty((MOST_HITS + 2, 3, 3))
    face_of = np.full(MOST_HITS + 2, -1)
    try_next = np.zeros(MOST_HITS + 2, np.int64)
    count_of = np.zeros(MOST_HITS + 2, np.int64)
    side = np.empty((MOST_HITS + 2, MOST_CORNERS, 3))
    one, two = np.empty((MOST_CORNERS, 3)), np.empty((MOST_CORNERS, 3))
    paths, n_hit, tried, dropped = 0, 0, 0, 0.0
    away = np.sqrt((source[0] - middle[0]) ** 2 + (source[1] - middle[1]) ** 2 + (source[2] - middle[2]) ** 2)
    for c in range(3):
        image[0, c] = source[c]
        for d in range(3):
            mirror[0, c, d] = 1.0 if c == d else 0.0
    depth = 0
    arrived = True
    while depth >= 0:
        if arrived:                                            # a new image: who hears it?
            try_next[depth] = 0
            face = face_of[depth]
            for m in range(listeners.shape[0]):
                px, py, pz = listeners[m, 0], listeners[m, 1], listeners[m, 2]
                dx, dy, dz = px - image[depth, 0], py - image[depth, 1], pz - image[depth, 2]
                far = np.sqrt(dx * dx + dy * dy + dz * dz)
                if far > reach[m] + away:
                    continue
                vx, vy, vz = px + aside[0], py + aside[1], pz + aside[2]
                if depth > 0:
                    if vx * normal[face, 0] + vy * normal[face, 1] + vz * normal[face, 2] <= offset[face]:
                        continue
                    wx, wy, wz = vx - image[depth, 0], vy - image[depth, 1], vz - image[depth, 2]
                    inside = True
                    for i in range(count_of[depth]):
                        if wx * side[depth, i, 0] + wy * side[depth, i, 1] + wz * side[depth, i, 2] < -1e-7:
                            inside = False
                            break
                    if not inside:
                        continue
                # The middle's image: |p - (s_k + M (middle - source))|
                square = 0.0
                for c in range(3):
                    at = image[depth, c] - listeners[m, c]
                    for d in range(3):
                        at += mirror[depth, c, d] * (middle[d] - source[d])
                    square += at * at
                if square > reach[m] * reach[m]:
                    continue
                if not _went_back(
                    depth, image, face_of, vx, vy, vz, normal, offset, origin, axis_u, axis_v, corners, corner_start,
                    convex,
                ):
                    continue
                if paths < out.shape[0] and n_hit + depth <= hit_face.size:
                    for c in range(3):
                        out[paths, c] = image[depth, c]
                        out[paths, 3 + c] = (
                            mirror[depth, 0, c] * dx + mirror[depth, 1, c] * dy + mirror[depth, 2, c] * dz) / far
                    out[paths, 6], out[paths, 7] = far, np.sqrt(square)
                    out_listener[paths], out_start[paths] = m, n_hit
                    ex, ey, ez = out[paths, 3], out[paths, 4], out[paths, 5]
                    for k in range(depth):
                        hit = face_of[k + 1]
                        along = ex * normal[hit, 0] + ey * normal[hit, 1] + ez * normal[hit, 2]
                        ex, ey, ez = ex - 2 * along * normal[hit, 0], ey - 2 * along * normal[hit, 1], (
                            ez - 2 * along * normal[hit, 2])
                        hit_face[n_hit + k], hit_cosine[n_hit + k] = hit, abs(along)
                paths += 1
                n_hit += depth
            arrived = False
        if try_next[depth] >= n_face or depth >= MOST_HITS:
            if depth >= MOST_HITS and try_next[depth] < n_face:
                return paths, n_hit, -1, dropped
            depth -= 1
            continue
        k = try_next[depth]
        try_next[depth] += 1
        face = face_of[depth]
        if k == face or (depth == 0 and k == mount):
            continue
        sx, sy, sz = image[depth, 0], image[depth, 1], image[depth, 2]
        height = sx * normal[k, 0] + sy * normal[k, 1] + sz * normal[k, 2] - offset[k]
        if height <= _ON_PLANE_M:
            continue
        # Its own image: farther from all listeners than what counts?
        tx, ty, tz = sx - 2 * height * normal[k, 0], sy - 2 * height * normal[k, 1], sz - 2 * height * normal[k, 2]
        near = False
        for m in range(listeners.shape[0]):
            square = (listeners[m, 0] - tx) ** 2 + (listeners[m, 1] - ty) ** 2 + (listeners[m, 2] - tz) ** 2
            if square <= (reach[m] + away) ** 2:
                near = True
                break
        if not near:
            continue
        tried += 1
        if tried > budget:
            return paths, n_hit, -1, dropped
        n = corner_start[k + 1] - corner_start[k]
        for i in range(n):
            for c in range(3):
                one[i, c] = space[corner_start[k] + i, c]
        if depth > 0:
            n = _clipped(one, n, two, normal[face, 0], normal[face, 1], normal[face, 2], offset[face] + 1e-12)
            flipped = True
            for i in range(count_of[depth]):
                if n < 3:
                    break
                mx, my, mz = side[depth, i, 0], side[depth, i, 1], side[depth, i, 2]
                limit = sx * mx + sy * my + sz * mz - 1e-10
                n = _clipped(two, n, one, mx, my, mz, limit) if flipped else _clipped(one, n, two, mx, my, mz, limit)
                flipped = not flipped
            if n < 3:
                continue
            if flipped:
                for i in range(n):
                    for c in range(3):
                        one[i, c] = two[i, c]
        if not is_convex_face[k]:
            n = _hull(one, n, two, normal[k, 0], normal[k, 1], normal[k, 2])
            for i in range(n):
                for c in range(3):
                    one[i, c] = two[i, c]
        n = _without_doubles(one, n)
        if n < 3:
            continue
        angle = _seen_angle(one, n, sx, sy, sz, normal[k, 0], normal[k, 1], normal[k, 2])
        if angle < least_angle:
            dropped += angle
            continue
        if _too_far(one, n, tx, ty, tz, listeners, reach, away):
            continue
        if not convex and _hidden(
            one, n, sx, sy, sz, face, k, is_convex_face,
            normal, offset, origin, axis_u, axis_v, corners, corner_start,
        ):
            continue
        depth += 1
        image[depth, 0], image[depth, 1], image[depth, 2] = tx, ty, tz
        face_of[depth] = k
        count_of[depth] = n
        for c in range(3):
            for d in range(3):
                along = 0.0
                for e in range(3):
                    along += normal[k, e] * mirror[depth - 1, e, d]
                mirror[depth, c, d] = mirror[depth - 1, c, d] - 2 * normal[k, c] * along
        for i in range(n):
            j = i + 1 if i + 1 < n else 0
            ax, ay, az = one[i, 0] - tx, one[i, 1] - ty, one[i, 2] - tz
            bx, by, bz = one[j, 0] - tx, one[j, 1] - ty, one[j, 2] - tz
            mx, my, mz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
            length = np.sqrt(mx * mx + my * my + mz * mz)
            if length < 1e-14:
                length = 1.0
            side[depth, i, 0], side[depth, i, 1], side[depth, i, 2] = mx / length, my / length, mz / length
        arrived = True
    if paths < out_start.size:
        out_start[min(paths, out.shape[0])] = n_hit
    return paths, n_hit, tried, dropped


@_jit()
def merge_hits(start, hit_face, hit_cosine, mix_of, group_start, group_mix, group_count, group_fall):
    """Join hits of one path that take the same factor: faces of one mix at one angle.

    start : (n_path + 1,); mix_of : (n_face,)
    group_start ... group_fall : written to, (n_path + 1,), (n_hit,) each: mix, how often, -ln cosθ

    Returns
    -------
    how many groups
    """
    count = 0
    for p in range(start.size - 1):
        group_start[p] = count
        for k in range(start[p], start[p + 1]):
            mix, cosine = mix_of[hit_face[k]], hit_cosine[k]
            fall = -np.log(max(cosine, 1e-12))
            known = -1
            for g in range(group_start[p], count):
                if group_mix[g] == mix and abs(group_fall[g] - fall) < 1e-6:
                    known = g
                    break
            if known >= 0:
                group_count[known] += 1
            else:
                group_mix[count], group_count[count], group_fall[count] = mix, 1, fall
                count += 1
    group_start[start.size - 1] = count
    return count
