"""Small linear programs whose many rows are written down only when they are broken.

Unknowns z: the inverse scale sigma, the place tau (3) of the stone's middle in units of the stone, the turn
omega (3) in a basis, and two etas for each body that a square of directions parts from the
stone. See ``placement/bound.py`` for what the rows mean.

Dual simplex over a basis of as many tight rows as unknowns (Lemke 1954; memory): every basis that it
passes has multipliers >= 0, and so gives a lower bound of the cost by weak duality, whatever is broken still.
The bound that is returned is computed from those multipliers and the rows themselves, with what rounding
leaves unbalanced charged at the box's farthest corner: it does not rest on the algorithm.
"""

# mypy: disallow-untyped-defs=False, disallow-untyped-calls=False, disallow-untyped-decorators=False

import numpy as np

from facetrace.kernel.compiling import leaf, serial_entry

DONE, STOPPED, EMPTY = 0, 1, 2
PIVOTS, REFRESH = 400, 40
BROKEN, TINY = 1e-9, 1e-10
# costs that break ties, as shares of the box
TIE = 1e-9


@leaf
def _swing(v, n, basis, k):
    """Component k in the basis of v x n."""
    x = v[1] * n[2] - v[2] * n[1]
    y = v[2] * n[0] - v[0] * n[2]
    z = v[0] * n[1] - v[1] * n[0]
    return x * basis[0, k] + y * basis[1, k] + z * basis[2, k]


@leaf
def _ranges(corners, bodies, square, edges, basis, low, high, found):
    """Least and greatest e_c . (v + omega x v + tau - x sigma) over the box for each pair of corners."""
    row = 0
    for i in range(square[0], square[1]):
        for j in range(square[2], square[3]):
            for c in range(2):
                e = edges[c]
                least, most, x = 0.0, 0.0, 0.0
                for a in range(3):
                    least += e[a] * corners[i, a] + min(e[a] * low[1 + a], e[a] * high[1 + a])
                    most += e[a] * corners[i, a] + max(e[a] * low[1 + a], e[a] * high[1 + a])
                    x -= e[a] * bodies[j, a]
                least += min(x * low[0], x * high[0])
                most += max(x * low[0], x * high[0])
                for k in range(3):
                    turn = _swing(corners[i], e, basis, k)
                    least += min(turn * low[4 + k], turn * high[4 + k])
                    most += max(turn * low[4 + k], turn * high[4 + k])
                found[row, 2 * c] = least
                found[row, 2 * c + 1] = most
            row += 1


@leaf
def _broken_box(z, low, high, best):
    """(excess, limit) of the side of the box that z breaks most; its row in *best*."""
    worst, b = BROKEN, 0.0
    for i in range(len(z)):
        if low[i] - z[i] > worst:
            worst, b = low[i] - z[i], -low[i]
            best[:] = 0.0
            best[i] = -1.0
        elif z[i] - high[i] > worst:
            worst, b = z[i] - high[i], high[i]
            best[:] = 0.0
            best[i] = 1.0
    return worst, b


@leaf
def _broken_row(z, rows, limits, worst, b, best):
    """The same of plain rows; what is broken no more than *worst* changes nothing."""
    at = -1
    for r in range(len(rows)):
        over = -limits[r]
        for i in range(rows.shape[1]):
            over += rows[r, i] * z[i]
        if over > worst:
            worst, at = over, r
    if at >= 0:
        b = limits[at]
        best[:] = 0.0
        best[: rows.shape[1]] = rows[at]
    return worst, b


@leaf
def _leaving(lam, y):
    """(row that leaves the basis, ratio): the multiplier that comes to 0 first, the largest pivot among ties."""
    leave, ratio = -1, np.inf
    for i in range(len(y)):
        if y[i] > TINY:
            share = lam[i] / y[i]
            if share < ratio - 1e-15 or (share <= ratio + 1e-15 and y[i] > y[leave]):
                leave, ratio = i, share
    return leave, ratio


@leaf
def _inverted(matrix, inverse):
    """The inverse of a square matrix (Gauss and Jordan, rows in the order of their pivots); False of a singular one."""
    n = len(matrix)
    left = matrix.copy()
    inverse[:] = 0.0
    for i in range(n):
        inverse[i, i] = 1.0
    for c in range(n):
        best = c
        for r in range(c + 1, n):
            if abs(left[r, c]) > abs(left[best, c]):
                best = r
        if abs(left[best, c]) < 1e-13:
            return False
        for k in range(n):
            left[c, k], left[best, k] = left[best, k], left[c, k]
            inverse[c, k], inverse[best, k] = inverse[best, k], inverse[c, k]
        pivot = left[c, c]
        for k in range(n):
            left[c, k] /= pivot
            inverse[c, k] /= pivot
        for r in range(n):
            share = left[r, c]
            if r != c and share != 0.0:
                for k in range(n):
                    left[r, k] -= share * left[c, k]
                    inverse[r, k] -= share * inverse[c, k]
    return True


@serial_entry
def least_cost(
    cost, low, high, stop, lost, basis, rows, limits,
    parts, part_far, bodies, squares, edges, middles, halves, longest, margins, pool, pool_limits, filled,
):  # fmt: skip
    """(z, bound, state): z with the least cost . z.

    lost: what the first order leaves out of a turn, as a share of a corner's distance; basis (3, 3), in columns: the axes of omega.
    rows (R, 7), limits (R,): plain rows a . z <= b without etas. squares (K, 4):
    first and last + 1 corner of the part among *parts*, and of the body among *bodies*; edges
    (K, 2, 3), middles (K, 3), halves (K, 2), longest (K,), margins (K,): see ``bound._Square``.
    pool (P, size), pool_limits (P,), filled (1,): rows that were broken in earlier programs of
    the same cell, looked at first, and added to. Stops where the bound reaches *stop*; EMPTY: no z is left.
    """
    size = len(cost)
    count = len(squares)
    most_pairs = 0
    for k in range(count):
        n = (squares[k, 1] - squares[k, 0]) * (squares[k, 3] - squares[k, 2])
        most_pairs = max(most_pairs, n)
    ranges = np.zeros((max(count, 1), max(most_pairs, 1), 4))
    for k in range(count):
        _ranges(parts, bodies, squares[k], edges[k], basis, low, high, ranges[k])
    wanted = cost.copy()
    for i in range(size):
        if wanted[i] == 0.0:
            wanted[i] = TIE * (1.0 + 0.37 * i) / (high[i] - low[i] + 1e-12)
    basic = np.zeros((size, size))
    limit = np.zeros(size)
    lam = np.abs(wanted)
    inverse = np.zeros((size, size))
    z = np.zeros(size)
    for i in range(size):
        sign = -1.0 if wanted[i] >= 0.0 else 1.0
        basic[i, i] = sign
        inverse[i, i] = sign
        limit[i] = -low[i] if sign < 0 else high[i]
        z[i] = sign * limit[i]
    row = np.zeros(size)
    best = np.zeros(size)
    y = np.zeros(size)
    state = STOPPED
    for pivot in range(PIVOTS):
        if pivot % REFRESH == REFRESH - 1:
            if not _inverted(basic, inverse):
                break
            z = inverse @ limit
            lam = np.maximum(-(wanted @ inverse), 0.0)
        worst, b = _broken_box(z, low, high, best)
        worst, b = _broken_row(z, pool[: filled[0]], pool_limits, worst, b, best)
        if worst <= BROKEN:
            worst, b = _broken_row(z, rows, limits, worst, b, best)
            for k in range(count):
                found, value, b2 = _square_row(
                    z, worst, parts, part_far, bodies, squares[k], edges[k], middles[k], halves[k],
                    longest[k], margins[k], lost, basis, ranges[k], 7 + 2 * k, row,
                )  # fmt: skip
                if found:
                    worst, b = value, b2
                    best[:] = row
            if worst > BROKEN and filled[0] < len(pool):
                pool[filled[0]] = best
                pool_limits[filled[0]] = b
                filled[0] += 1
        if worst <= BROKEN:
            state = DONE
            break
        for i in range(size):
            y[i] = 0.0
            for r in range(size):
                y[i] += best[r] * inverse[r, i]
        leave, ratio = _leaving(lam, y)
        if leave < 0:
            if worst > 1e3 * BROKEN:
                state = EMPTY
            break
        inverse[:, leave] /= y[leave]
        for i in range(size):
            if i != leave:
                inverse[:, i] -= y[i] * inverse[:, leave]
                lam[i] = max(lam[i] - ratio * y[i], 0.0)
        lam[leave] = ratio
        basic[leave] = best
        limit[leave] = b
        z -= inverse[:, leave] * worst
        if wanted @ z >= stop:
            break
    bound = 0.0
    for i in range(size):
        rest = cost[i]
        for r in range(size):
            rest += lam[r] * basic[r, i]
        bound -= lam[i] * limit[i] + abs(rest) * max(abs(low[i]), abs(high[i]))
    return z, bound, state


@leaf
def _square_row(
    z, worst, parts, part_far, bodies, square, edges, middle, half, longest, margin, lost, basis,
    ranges, first, row,
):  # fmt: skip
    """(found, excess, limit) of the row broken most, beyond *worst*, of a body in a square; its coefficients in *row*."""
    w0 = basis[0, 0] * z[4] + basis[0, 1] * z[5] + basis[0, 2] * z[6]
    w1 = basis[1, 0] * z[4] + basis[1, 1] * z[5] + basis[1, 2] * z[6]
    w2 = basis[2, 0] * z[4] + basis[2, 1] * z[5] + basis[2, 2] * z[6]
    top, at_i, at_j, at = worst, -1, -1, 0
    y = np.zeros(3)
    pair = 0
    for i in range(square[0], square[1]):
        v0, v1, v2 = parts[i, 0], parts[i, 1], parts[i, 2]
        p0 = v0 + w1 * v2 - w2 * v1 + z[1]
        p1 = v1 + w2 * v0 - w0 * v2 + z[2]
        p2 = v2 + w0 * v1 - w1 * v0 + z[3]
        for j in range(square[2], square[3]):
            y[0] = p0 - bodies[j, 0] * z[0]
            y[1] = p1 - bodies[j, 1] * z[0]
            y[2] = p2 - bodies[j, 2] * z[0]
            over = (
                middle[0] * y[0] + middle[1] * y[1] + middle[2] * y[2]
                + margin * z[0] - longest * lost * part_far[i]
            )  # fmt: skip
            for c in range(2):
                q = edges[c, 0] * y[0] + edges[c, 1] * y[1] + edges[c, 2] * y[2]
                eta = z[first + c]
                least, most = ranges[pair, 2 * c], ranges[pair, 2 * c + 1]
                # McCormick 1976 (memory): the least that a product over a box can be
                over += max(
                    least * eta - half[c] * q + half[c] * least,
                    most * eta + half[c] * q - half[c] * most,
                )
            if over > top:
                top, at_i, at_j, at = over, i, j, pair
            pair += 1
    if at_i < 0:
        return False, 0.0, 0.0
    v, x = parts[at_i], bodies[at_j]
    u = np.zeros(3)
    row[:] = 0.0
    limit = longest * lost * part_far[at_i]
    for a in range(3):
        u[a] = middle[a]
    y[0] = v[0] + w1 * v[2] - w2 * v[1] + z[1] - x[0] * z[0]
    y[1] = v[1] + w2 * v[0] - w0 * v[2] + z[2] - x[1] * z[0]
    y[2] = v[2] + w0 * v[1] - w1 * v[0] + z[3] - x[2] * z[0]
    for c in range(2):
        q = edges[c, 0] * y[0] + edges[c, 1] * y[1] + edges[c, 2] * y[2]
        eta = z[first + c]
        least, most = ranges[at, 2 * c], ranges[at, 2 * c + 1]
        one = least * eta - half[c] * q + half[c] * least
        two = most * eta + half[c] * q - half[c] * most
        side, end = (-1.0, least) if one >= two else (1.0, most)
        row[first + c] = end
        limit += side * half[c] * end
        for a in range(3):
            u[a] += side * half[c] * edges[c, a]
    # (middle +- half e) . (v + omega x v + tau - x sigma)
    limit -= u[0] * v[0] + u[1] * v[1] + u[2] * v[2]
    row[0] = margin - (u[0] * x[0] + u[1] * x[1] + u[2] * x[2])
    for a in range(3):
        row[1 + a] = u[a]
        row[4 + a] = _swing(v, u, basis, a)
    return True, top, limit
