"""The compiled loops of the fleet's mixed model: sums, inverses and products of small matrices.

Each function fills arrays that it is given; letters and shapes are those of `fleet`. A matrix
1 + D H has positive pivots without exchanging
rows.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from adapt.compiling import compiled, reordered

__all__ = [
    "add_cells", "add_information", "cell_errors", "fill_joint", "fill_own", "fill_told",
    "invert_each", "scaled_errors", "share_sums",
]  # fmt: skip

Array = npt.NDArray[Any]


@reordered
def add_cells(
    unit: Array, weight: Array, outer: Array, xd: Array, dd: Array, h: Array, b: Array, e: Array
) -> None:
    """Add the cells' H and b to h and b by unit, and w |d|^2 to e, (channel,)."""
    channels, adjusters = xd.shape[1], xd.shape[2]
    for c in range(len(unit)):
        i = unit[c]
        for j in range(channels):
            w = weight[c, j]
            if w == 0.0:
                continue
            e[j] += w * dd[c, j]
            for x in range(adjusters):
                b[i, j, x] += w * xd[c, j, x]
                for y in range(adjusters):
                    h[i, j, x, y] += w * outer[c, j, x, y]


@compiled
def _invert(m: Array) -> float:
    """Invert a small matrix with positive pivots in place; return the log of its determinant."""
    n = len(m)
    log_det = 0.0
    for p in range(n):
        pivot = m[p, p].real
        log_det += np.log(pivot)
        over = 1.0 / pivot
        m[p, p] = 1.0
        for y in range(n):
            m[p, y] *= over
        for x in range(n):
            if x != p:
                factor = m[x, p]
                m[x, p] = 0.0
                for y in range(n):
                    m[x, y] -= factor * m[p, y]
    return log_det


@reordered
def invert_each(matrices: Array, log_det: Array) -> None:
    """Invert Hermitian matrices in place, scaled to unit diagonals; add logs of determinants."""
    sets, size = matrices.shape[0], matrices.shape[1]
    scale = np.zeros(size)
    for s in range(sets):
        m = matrices[s]
        for x in range(size):
            scale[x] = 1.0 / np.sqrt(max(m[x, x].real, 1e-300))
            log_det[s] -= 2.0 * np.log(scale[x])
        for x in range(size):
            for y in range(size):
                m[x, y] *= scale[x] * scale[y]
        log_det[s] += _invert(m)
        for x in range(size):
            m[x, x] = m[x, x].real * scale[x] ** 2
            for y in range(x):
                mean = 0.5 * (m[x, y] + np.conj(m[y, x])) * scale[x] * scale[y]
                m[x, y] = mean
                m[y, x] = np.conj(mean)


@reordered
def fill_told(
    h: Array,
    b: Array,
    rest: Array,
    loading: Array,
    root: Array,
    f: Array,
    w: Array,
    told: Array,
    heard: Array,
    lean: Array,
    info: Array,
    cov: Array,
    share_heard: Array,
    by_channel: Array,
    by_group: Array,
) -> None:
    """Fill what units say of the type.

    root: (group, adjuster, adjuster), R with S = R R'. by_channel: (channel,) gets log det(1 + D H)
    - b' W b; by_group: (group,) gets log det(1 + S K) - k' V k; both summed over units.
    """
    units, channels, adjusters = b.shape
    groups = root.shape[0]
    regimes = channels // groups
    small, part = np.zeros_like(root[0]), np.zeros_like(root[0])
    zero = b.dtype.type(0)
    for i in range(units):
        for s in range(groups):
            for g in range(regimes):
                j = s * regimes + g
                m = f[i, j]
                for x in range(adjusters):
                    for y in range(adjusters):
                        m[x, y] = rest[j, x] * h[i, j, x, y]
                    m[x, x] += 1.0
                by_channel[j] += _invert(m)
                for x in range(adjusters):
                    for y in range(adjusters):
                        w[i, j, x, y] = m[x, y] * rest[j, y]
                        total = zero
                        for z in range(adjusters):
                            total += h[i, j, x, z] * m[z, y]
                        told[i, j, x, y] = total
                for x in range(adjusters):
                    told[i, j, x, x] = told[i, j, x, x].real
                    for y in range(x):
                        mean = 0.5 * (told[i, j, x, y] + np.conj(told[i, j, y, x]))
                        told[i, j, x, y] = mean
                        told[i, j, y, x] = np.conj(mean)
                    total = zero
                    through = zero
                    for y in range(adjusters):
                        total += np.conj(m[y, x]) * b[i, j, y]
                        through += w[i, j, x, y] * b[i, j, y]
                    heard[i, j, x] = total
                    by_channel[j] -= (np.conj(b[i, j, x]) * through).real
                    share_heard[i, s, x] += np.conj(loading[j, x]) * total
                    for y in range(adjusters):
                        product = told[i, j, x, y] * loading[j, y]
                        lean[i, s, g * adjusters + x, y] = product
                        info[i, s, x, y] += np.conj(loading[j, x]) * product
            # V = R (1 + R' K R)^-1 R'
            r = root[s]
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += info[i, s, x, z] * r[z, y]
                    part[x, y] = total
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += np.conj(r[z, x]) * part[z, y]
                    small[x, y] = total
                small[x, x] += 1.0
            by_group[s] += _invert(small)
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += small[x, z] * np.conj(r[y, z])
                    part[x, y] = total
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += r[x, z] * part[z, y]
                    cov[i, s, x, y] = total
            for x in range(adjusters):
                cov[i, s, x, x] = cov[i, s, x, x].real
                for y in range(x):
                    mean = 0.5 * (cov[i, s, x, y] + np.conj(cov[i, s, y, x]))
                    cov[i, s, x, y] = mean
                    cov[i, s, y, x] = np.conj(mean)
            for x in range(adjusters):
                for y in range(adjusters):
                    product = np.conj(share_heard[i, s, x]) * cov[i, s, x, y]
                    by_group[s] -= (product * share_heard[i, s, y]).real


@reordered
def add_information(
    told: Array, heard: Array, lean: Array, cov: Array, share_heard: Array, of: Array, info: Array,
    right: Array,
) -> None:  # fmt: skip
    """Add to info (set, group, size, size) and right what units say of c; of: (unit,) its set."""
    units, channels, adjusters = heard.shape
    groups, size = lean.shape[1], lean.shape[2]
    regimes = channels // groups
    weighed = np.zeros((size, adjusters), lean.dtype)
    zero = lean.dtype.type(0)
    for i in range(units):
        n = of[i]
        for s in range(groups):
            for x in range(size):
                g, a = x // adjusters, x % adjusters
                j = s * regimes + g
                total = heard[i, j, a]
                for y in range(adjusters):
                    product = zero
                    for z in range(adjusters):
                        product += lean[i, s, x, z] * cov[i, s, z, y]
                    weighed[x, y] = product
                    total -= product * share_heard[i, s, y]
                right[n, s, x] += total
                for y in range(adjusters):
                    info[n, s, x, g * adjusters + y] += told[i, j, a, y]
                for y in range(x + 1):
                    total = zero
                    for z in range(adjusters):
                        total += weighed[x, z] * np.conj(lean[i, s, y, z])
                    info[n, s, x, y] -= total
                    if y < x:
                        info[n, s, y, x] -= np.conj(total)


@reordered
def fill_own(
    f: Array,
    w: Array,
    b: Array,
    lean: Array,
    v: Array,
    share_heard: Array,
    loading: Array,
    mean: Array,
    joint: Array,
    shared: bool,
    share_mean: Array,
    share_doubt: Array,
    middle_mean: Array,
    middle_cov: Array,
    own_mean: Array,
    own_cov: Array,
) -> None:
    """Fill units' posteriors given that of c; mean, joint: one set for all units, or one each."""
    units, channels, adjusters = b.shape
    groups, size = lean.shape[1], lean.shape[2]
    regimes = channels // groups
    bc, vbc = np.zeros((adjusters, size), v.dtype), np.zeros((adjusters, size), v.dtype)
    part, half = (
        np.zeros((adjusters, adjusters), v.dtype),
        np.zeros((adjusters, adjusters), v.dtype),
    )
    zero = v.dtype.type(0)
    for i in range(units):
        n = i if len(mean) > 1 else 0
        for s in range(groups):
            if shared:
                for x in range(adjusters):
                    total = share_heard[i, s, x]
                    for z in range(size):
                        total -= np.conj(lean[i, s, z, x]) * mean[n, s, z]
                    part[0, x] = total
                for x in range(adjusters):
                    total = zero
                    for y in range(adjusters):
                        total += v[i, s, x, y] * part[0, y]
                    share_mean[i, s, x] = total
                bc[:] = zero
                for z in range(size):
                    for x in range(adjusters):
                        factor = np.conj(lean[i, s, z, x])
                        for y in range(size):
                            bc[x, y] += factor * joint[n, s, z, y]
                for x in range(adjusters):
                    for y in range(size):
                        total = zero
                        for z in range(adjusters):
                            total += v[i, s, x, z] * bc[z, y]
                        vbc[x, y] = total
                for x in range(adjusters):
                    for y in range(adjusters):
                        total = zero
                        for z in range(size):
                            total += vbc[x, z] * lean[i, s, z, y]
                        part[x, y] = total
                for x in range(adjusters):
                    for y in range(adjusters):
                        total = v[i, s, x, y]
                        for z in range(adjusters):
                            total += part[x, z] * v[i, s, z, y]
                        share_doubt[i, s, x, y] = total
            for g in range(regimes):
                j = s * regimes + g
                low = g * adjusters
                for x in range(adjusters):
                    middle_mean[i, j, x] = mean[n, s, low + x] + loading[j, x] * share_mean[i, s, x]
                    for y in range(adjusters):
                        total = joint[n, s, low + x, low + y]
                        if shared:
                            total -= loading[j, x] * vbc[x, low + y]
                            total -= np.conj(loading[j, y] * vbc[y, low + x])
                            doubt = share_doubt[i, s, x, y] * np.conj(loading[j, y])
                            total += loading[j, x] * doubt
                        middle_cov[i, j, x, y] = total
                for x in range(adjusters):
                    total = zero
                    for y in range(adjusters):
                        total += f[i, j, x, y] * middle_mean[i, j, y] + w[i, j, x, y] * b[i, j, y]
                    own_mean[i, j, x] = total
                    for y in range(adjusters):
                        total = zero
                        for z in range(adjusters):
                            total += f[i, j, x, z] * middle_cov[i, j, z, y]
                        half[x, y] = total
                for x in range(adjusters):
                    for y in range(adjusters):
                        total = w[i, j, x, y]
                        for z in range(adjusters):
                            total += half[x, z] * np.conj(f[i, j, y, z])
                        own_cov[i, j, x, y] = total


@reordered
def cell_errors(
    unit: Array, outer: Array, xd: Array, dd: Array, mean: Array, cov: Array, error: Array,
    doubt: Array,
) -> None:  # fmt: skip
    """Fill cells' sums of squared residuals from their units' means, and of their variances."""
    channels, adjusters = xd.shape[1], xd.shape[2]
    zero = xd.dtype.type(0)
    for c in range(len(unit)):
        i = unit[c]
        for j in range(channels):
            left = dd[c, j]
            unsure = 0.0
            for x in range(adjusters):
                fitted = zero
                for y in range(adjusters):
                    fitted += outer[c, j, x, y] * mean[i, j, y]
                    unsure += (outer[c, j, x, y] * cov[i, j, y, x]).real
                left -= (np.conj(mean[i, j, x]) * (2.0 * xd[c, j, x] - fitted)).real
            error[c, j] = max(left, 0.0)
            doubt[c, j] = unsure


@reordered
def share_sums(
    f: Array,
    w: Array,
    told: Array,
    lean: Array,
    k: Array,
    v: Array,
    rest: Array,
    size: Array,
    middle_mean: Array,
    middle_cov: Array,
    own_mean: Array,
    by_channel: Array,
    traces: Array,
) -> None:
    """Sum over units what the scores of the rest and the information of shares need.

    size: (channel, adjuster), D where it counts, else 0. by_channel: (channel,) gets the sum of
    E|d|^2 / D - 1. traces: (group, 6) gets tr(T V T V) of the parts of a unit's covariance, without
    their sizes: gain with itself, with adjuster, adjuster with itself, gain with rest, adjuster
    with rest, rest with itself.
    """
    units, channels, adjusters = own_mean.shape
    groups = lean.shape[1]
    regimes = channels // groups
    square_of = (adjusters, adjusters)
    left, shared = np.zeros(square_of, v.dtype), np.zeros(square_of, v.dtype)
    gram, inner = np.zeros(square_of, v.dtype), np.zeros(square_of, v.dtype)
    turned = np.zeros(square_of, v.dtype)
    zero = v.dtype.type(0)
    for i in range(units):
        for s in range(groups):
            # T L = B (1 - V K), L' T L = K (1 - V K); with D^1/2 T D^1/2 = A~ - B~ V B~'
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total -= v[i, s, x, z] * k[i, s, z, y]
                    left[x, y] = total
                left[x, x] += 1.0
            whole = zero
            for x in range(adjusters):
                row = zero
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += k[i, s, x, z] * left[z, y]
                    row += total
                    traces[s, 2] += total.real**2 + total.imag**2
                traces[s, 1] += row.real**2 + row.imag**2
                whole += row
            traces[s, 0] += whole.real**2 + whole.imag**2
            gram[:] = zero
            turned[:] = zero
            for g in range(regimes):
                j = s * regimes + g
                low = g * adjusters
                for x in range(adjusters):
                    row = zero
                    d = rest[j, x]
                    for y in range(adjusters):
                        total = zero
                        for z in range(adjusters):
                            total += lean[i, s, low + x, z] * left[z, y]
                        row += total
                        traces[s, 4] += d * (total.real**2 + total.imag**2)
                        a = told[i, j, x, y]
                        traces[s, 5] += d * rest[j, y] * (a.real**2 + a.imag**2)
                        for z in range(adjusters):
                            product = d * np.conj(lean[i, s, low + x, y])
                            gram[y, z] += product * lean[i, s, low + x, z]
                    traces[s, 3] += d * (row.real**2 + row.imag**2)
                    # A~ B~, into shared
                    for y in range(adjusters):
                        total = zero
                        for z in range(adjusters):
                            total += told[i, j, x, z] * rest[j, z] * lean[i, s, low + z, y]
                        shared[x, y] = total
                for x in range(adjusters):
                    for y in range(adjusters):
                        for z in range(adjusters):
                            product = rest[j, z] * np.conj(lean[i, s, low + z, x])
                            turned[x, y] += product * shared[z, y]
                for x in range(adjusters):
                    d = size[j, x]
                    if d <= 0.0:
                        continue
                    away = own_mean[i, j, x] - middle_mean[i, j, x]
                    square = away.real**2 + away.imag**2 + w[i, j, x, x].real
                    for y in range(adjusters):
                        one = (1.0 if x == y else 0.0) - f[i, j, x, y]
                        for z in range(adjusters):
                            other = (1.0 if x == z else 0.0) - np.conj(f[i, j, x, z])
                            square += (one * middle_cov[i, j, y, z] * other).real
                    by_channel[j] += square / d - 1.0
            for x in range(adjusters):
                for y in range(adjusters):
                    total = zero
                    for z in range(adjusters):
                        total += v[i, s, x, z] * gram[z, y]
                    inner[x, y] = total
            for x in range(adjusters):
                for y in range(adjusters):
                    traces[s, 5] -= 2.0 * (v[i, s, x, y] * turned[y, x]).real
                    traces[s, 5] += (inner[x, y] * inner[y, x]).real


@reordered
def scaled_errors(
    first: int,
    unit: Array,
    live: Array,
    lam: Array,
    x: Array,
    d: Array,
    over: Array,
    mean: Array,
    cov: Array,
    run_var: Array,
    reading_var: Array,
    most: float,
    z: Array,
) -> None:
    """Fill z (row, channel), residuals of rows from `first` on over their sds, cut at `most` sds.

    over: (channel, adjuster), what x is multiplied by; mean, cov: of units' coefficients.
    """
    channels, adjusters = x.shape[1], x.shape[2]
    part = np.zeros(adjusters, x.dtype)
    for n in range(len(z)):
        m = first + n
        i = unit[m]
        for j in range(channels):
            if not live[m, j]:
                continue
            error = d[m, j]
            for a in range(adjusters):
                part[a] = x[m, j, a] * over[j, a]
                error -= part[a] * mean[i, j, a]
            doubt = 0.0
            for a in range(adjusters):
                for b in range(adjusters):
                    doubt += (part[a] * cov[i, j, a, b] * np.conj(part[b])).real
            var = run_var[j] + reading_var[j] * lam[m, j] + max(doubt, 0.0)
            found = error / np.sqrt(max(var, 1e-300))
            size = np.sqrt(found.real**2 + found.imag**2)
            z[n, j] = found * (most / max(size, most))


@reordered
def fill_joint(
    unit: Array, f: Array, w: Array, lean: Array, v: Array, loading: Array, joint: Array, cov: Array
) -> None:
    """Fill the joint covariance of a rotor's coefficients at each sensor, see `fleet.joint_cov`.

    unit: (group,), the rotor's unit; joint: C.
    """
    groups, size, adjusters = lean.shape[1], lean.shape[2], lean.shape[3]
    zero = v.dtype.type(0)
    bc, vbc = np.zeros((adjusters, size), v.dtype), np.zeros((adjusters, size), v.dtype)
    part, doubt = (
        np.zeros((adjusters, adjusters), v.dtype),
        np.zeros((adjusters, adjusters), v.dtype),
    )
    middle, half = np.zeros((size, size), v.dtype), np.zeros((size, size), v.dtype)
    for s in range(groups):
        i = unit[s]
        first = s * (size // adjusters)
        bc[:] = zero
        for z in range(size):
            for x in range(adjusters):
                factor = np.conj(lean[i, s, z, x])
                for y in range(size):
                    bc[x, y] += factor * joint[s, z, y]
        for x in range(adjusters):
            for y in range(size):
                total = zero
                for z in range(adjusters):
                    total += v[i, s, x, z] * bc[z, y]
                vbc[x, y] = total
        for x in range(adjusters):
            for y in range(adjusters):
                total = zero
                for z in range(size):
                    total += vbc[x, z] * lean[i, s, z, y]
                part[x, y] = total
        for x in range(adjusters):
            for y in range(adjusters):
                total = v[i, s, x, y]
                for z in range(adjusters):
                    total += part[x, z] * v[i, s, z, y]
                doubt[x, y] = total
        for x in range(size):
            j, a = first + x // adjusters, x % adjusters
            for y in range(size):
                k, b = first + y // adjusters, y % adjusters
                total = joint[s, x, y] - loading[j, a] * vbc[a, y]
                total -= np.conj(loading[k, b] * vbc[b, x])
                middle[x, y] = total + loading[j, a] * doubt[a, b] * np.conj(loading[k, b])
        for x in range(size):
            g, a = x // adjusters, x % adjusters
            for y in range(size):
                total = zero
                for z in range(adjusters):
                    total += f[i, first + g, a, z] * middle[g * adjusters + z, y]
                half[x, y] = total
        for x in range(size):
            for y in range(x + 1):
                g, b = y // adjusters, y % adjusters
                total = zero
                for z in range(adjusters):
                    total += half[x, g * adjusters + z] * np.conj(f[i, first + g, b, z])
                if x // adjusters == g:
                    total += w[i, first + g, x % adjusters, b]
                cov[s, x, y] = total
                cov[s, y, x] = np.conj(total)
            cov[s, x, x] = cov[s, x, x].real
