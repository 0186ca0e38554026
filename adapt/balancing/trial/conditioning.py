"""How well planes can be told apart by what is read, and which of their combinations are known.

Effects are measured in the noise of a reading, so that sensors of any unit stand side by side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import expm

__all__ = ["Conditioning", "Direction", "chance_of_sum", "conditioning_of"]

Complex = npt.NDArray[np.complex128]
Real = npt.NDArray[np.float64]

# The program's own thresholds. Errors of a reading grow by the condition number in the combination
# that is poorly seen: with 10 a tenth of the vibration, wrongly read, asks for the whole weight.
WORST_CONDITION = 10.0
KNOWN_GAIN = 3.0  # a combination's gain over what noise alone makes of it
NO_EFFECT_CHANCE = 0.01  # that noise alone shows as much
_DIGITS = 4  # of an eigenvalue over the largest; what is then 0 adds nothing that counts


@dataclass(frozen=True)
class Direction:
    """One combination of weights in the planes, and what it does to all readings together.

    parts: (plane,) complex weights, each in units that move the readings as much as the others'
    (the strongest plane alone has gain 1 at most sqrt(2) of two planes that look alike); the
    largest part is real and positive. gain: singular value of the effect matrix with columns of
    length 1. certainty: its gain over the gain that noise in the coefficients alone would show;
    inf where they are exact. known: whether a correction may rest on it.
    """

    parts: tuple[complex, ...]
    gain: float
    certainty: float
    known: bool


@dataclass(frozen=True, eq=False)
class Conditioning:
    """How far planes can be told apart.

    planes: names. length: (plane,) what one unit does to all readings together, in noise of a
    reading; the unit of `Direction.parts` is one over it. condition: largest over smallest
    singular value, inf where there are fewer readings than planes. directions: best known first.
    alike: (plane, plane) coherence of effects, complex: amplitude 1 = the same pattern, its angle
    how much plane k's lags plane j's. without_effect: planes whose effects noise alone would show.
    """

    planes: tuple[str, ...]
    length: Real
    condition: float
    directions: tuple[Direction, ...]
    alike: Complex
    without_effect: tuple[str, ...]

    @property
    def is_poor(self) -> bool:
        """Whether some combination of the planes is too poorly known to rest a correction on."""
        return not all(d.known for d in self.directions)

    def known_basis(self) -> Complex:
        """Return the well-known combinations in the planes' own units, (plane, known)."""
        columns = [np.array(d.parts) / self.length for d in self.directions if d.known]
        return np.array(columns, dtype=complex).reshape(-1, len(self.planes)).T


def conditioning_of(
    planes: tuple[str, ...],
    mean: Complex,
    cov: Complex,
    noise: Real,
    together: Complex | None = None,
) -> Conditioning:
    """Return how far planes can be told apart by some channels.

    mean: (channel, plane), cov: (channel, plane, plane), of one unit in each plane; noise:
    (channel,) sd of one reading (square root of E|e|^2), the unit of mean. together: how the errors
    of each plane's effects may go together over the channels, (case, plane, channel, channel),
    correlations: noise must be too small for an effect in every case. None = not at all.
    """
    if together is None:
        together = np.broadcast_to(
            np.eye(len(mean), dtype=complex), (1, len(planes), len(mean), len(mean))
        )
    scaled = mean / noise[:, None]
    own = cov / (noise**2)[:, None, None]
    var = np.einsum("jaa->ja", own).real
    length = np.sqrt((np.abs(scaled) ** 2).sum(axis=0))
    without = tuple(
        plane
        for a, plane in enumerate(planes)
        if _is_noise(scaled[:, a], var[:, a], together[:, a])
    )  # fmt: skip
    safe = np.where(length > 0.0, length, 1.0)
    even = scaled / safe
    # More rows of nothing, so that every combination of planes has its singular value.
    padded = np.vstack([even, np.zeros((max(0, len(planes) - len(even)), len(planes)))])
    _, gains, vectors = np.linalg.svd(padded, full_matrices=False)
    doubt = (own / (safe[:, None] * safe)).sum(axis=0)
    directions = []
    for gain, row in zip(gains, vectors, strict=True):
        parts = row.conj()
        largest = parts[np.argmax(np.abs(parts))]
        parts = parts * (np.conj(largest) / abs(largest))
        # The row turns C x into sum_a C_a x_a: what noise makes of it is x^T doubt conj(x).
        alone = float(np.sqrt(max((parts @ doubt @ parts.conj()).real, 0.0)))
        certainty = float(gain / alone) if alone > 0.0 else np.inf
        known = bool(gain * WORST_CONDITION >= gains[0] > 0.0 and certainty >= KNOWN_GAIN)
        directions.append(Direction(tuple(parts.tolist()), float(gain), certainty, known))
    smallest = gains[-1]
    return Conditioning(
        planes=planes,
        length=safe,
        condition=float(gains[0] / smallest) if smallest > 1e-12 * gains[0] else np.inf,
        directions=tuple(directions),
        alike=np.asarray(even.conj().T @ even),
        without_effect=without,
    )


def chance_of_sum(total: float, together: Complex) -> float:
    """Return the chance that a sum of squares |e|^2 of noise is as large.

    e: circular normal, each of variance 1; together: E[e_j conj(e_k)], (channel, channel). The sum
    is one of independent exponentials whose means are the eigenvalues l: the time that a chain
    takes which waits l_1, then l_2 and so on (a phase-type law), so the chance is that it has not
    ended, a row of the matrix exponential.

    Independent channels give the law of chi squared, channels that are one a single exponential:

    >>> import math
    >>> round(chance_of_sum(6.0, np.eye(2)) / (7.0 * math.exp(-6.0)), 9)
    1.0
    >>> round(chance_of_sum(6.0, np.ones((2, 2))) / math.exp(-3.0), 9)
    1.0
    """
    waits = np.linalg.eigvalsh(together)
    # Rounded, so that equal ones are exactly equal: of those that differ in their last digit alone
    # the exponential of a triangular matrix takes a difference over a difference.
    waits = np.round(waits / waits[-1], _DIGITS) * waits[-1]
    waits = waits[waits > 0.0]
    chain = np.diag(-1.0 / waits) + np.diag(1.0 / waits[:-1], 1)
    return float(min(1.0, expm(chain * total)[0].sum()))


def _is_noise(effect: Complex, var: Real, together: Complex) -> bool:
    """Return whether effects, (channel,), are no larger than noise alone would make them.

    var: (channel,) of the effects; together: (case, channel, channel).
    """
    if not (var > 0.0).all():
        return not np.abs(effect).any()
    total = float((np.abs(effect) ** 2 / var).sum())
    return max(chance_of_sum(total, case) for case in together) >= NO_EFFECT_CHANCE
