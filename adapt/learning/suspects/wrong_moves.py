"""Everything that may be wrong with the moves entered between two runs, for many pairs at once.

Arrays, not texts: which mistake is likely is found first, and only what is told is put into words.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from adapt.learning.suspects.mistakes import KINDS_OF_MOVES, SHARES, WRONG_PAIR
from adapt.rotor import Rotor

__all__ = ["ALL", "WrongMoves", "in_words", "unrecorded", "wrong_moves"]

Real = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Truth = npt.NDArray[np.bool_]

NOT_RECORDED = KINDS_OF_MOVES.index("not recorded")
OFF_STEP = 0.05  # how much less likely a move is that the hardware's steps do not allow
USUAL = 0.25  # of what a blade may carry: a large move, when the rotor file does not say
SIZES = np.array([1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40, 50, 64, 80, 100])  # in steps
ALL = -1  # source of a mistake that is made with all moves


@dataclass(frozen=True, eq=False)
class WrongMoves:
    """Mistakes in the moves of some pairs, one row each.

    owner: (mistake,) row of the pair; kind: index in `KINDS_OF_MOVES`; change: (mistake, blade,
    adjuster), moves really made less those entered; log_prior: (mistake,). source, target: place
    (blade * adjusters + adjuster) entered and meant, `ALL` for all; size: amount really made there.
    """

    owner: Whole
    kind: Whole
    change: Real
    log_prior: Real
    source: Whole
    target: Whole
    size: Real

    def __len__(self) -> int:
        return len(self.owner)

    def only(self, chosen: Truth | Whole) -> WrongMoves:
        """Return the chosen mistakes."""
        return WrongMoves(
            self.owner[chosen], self.kind[chosen], self.change[chosen], self.log_prior[chosen],
            self.source[chosen], self.target[chosen], self.size[chosen],
        )  # fmt: skip

    def owned_by(self, owner: Whole) -> WrongMoves:
        """Return the same mistakes in other rows."""
        return replace(self, owner=owner)

    def beside(self, other: WrongMoves) -> WrongMoves:
        """Return both."""
        pairs = ((getattr(self, n), getattr(other, n)) for n in self.__dataclass_fields__)
        return WrongMoves(*(np.concatenate(both) for both in pairs))


def wrong_moves(rotor: Rotor, made: Real) -> WrongMoves:
    """Return every mistake in moves that are entered; made: (pair, blade, adjuster)."""
    blades, adjusters = made.shape[1:]
    fitting = _fitting(rotor)
    owner, b, a = np.nonzero(made)
    amount = made[owner, b, a]
    source = b * adjusters + a
    found: list[tuple[str, Whole, Whole, Whole, Real]] = []
    for shift in range(1, blades):
        kind = "neighbouring blade" if shift in (1, blades - 1) else "other blade"
        other = (b + shift) % blades
        ok = fitting[other, a]
        found.append((kind, owner[ok], source[ok], (other * adjusters + a)[ok], amount[ok]))
    found.append(("sign", owner, source, source, -amount))
    found.append(("not made", owner, source, source, 0.0 * amount))
    found += [("amount", owner, source, source, factor * amount) for factor in (0.1, 10.0)]
    step = np.array([x.step for x in rotor.adjusters])
    for other in range(adjusters):
        ok = (a != other) & fitting[b, other]
        as_steps = amount / step[a] * step[other]
        target = b * adjusters + other
        found.append(("other adjuster", owner[ok], source[ok], target[ok], amount[ok]))
        ok &= np.abs(as_steps - amount) > 1e-9 * np.abs(amount)
        found.append(("other adjuster", owner[ok], source[ok], target[ok], as_steps[ok]))
    single = _single(made, found)
    single = single.only(_possible(rotor, made, single))
    return _with_priors(rotor, made, single.beside(_all_together(made)))


def _single(made: Real, found: list[tuple[str, Whole, Whole, Whole, Real]]) -> WrongMoves:
    """Return mistakes made with one move: what stood at the source was `size` at the target."""
    blades, adjusters = made.shape[1:]
    owner = np.concatenate([f[1] for f in found])
    source = np.concatenate([f[2] for f in found])
    target = np.concatenate([f[3] for f in found])
    size = np.concatenate([f[4] for f in found])
    kind = np.concatenate([np.full(len(f[1]), KINDS_OF_MOVES.index(f[0])) for f in found])
    change = np.zeros((len(owner), blades * adjusters))
    row = np.arange(len(owner))
    change[row, source] -= made.reshape(-1, made.shape[1] * made.shape[2])[owner, source]
    change[row, target] += size
    return WrongMoves(
        owner, kind, change.reshape(-1, blades, adjusters), np.zeros(len(owner)), source, target,
        size,
    )  # fmt: skip


def _possible(rotor: Rotor, made: Real, found: WrongMoves) -> Truth:
    """Return which mistakes leave a move that a blade can take, (mistake,).

    Where what is entered is more than that already, the rotor file says nothing of it.
    """
    most = np.array([x.fitted_range[1] - x.fitted_range[0] for x in rotor.adjusters])
    most = np.maximum(most, [x.largest_move or 0.0 for x in rotor.adjusters]) * (1.0 + 1e-6)
    entered = made.reshape(-1, made.shape[1] * made.shape[2])[found.owner, found.source]
    at = found.target % len(most)
    beyond = np.abs(entered) > most[found.source % len(most)]
    return np.asarray((np.abs(found.size) <= most[at]) | beyond)


def _all_together(made: Real) -> WrongMoves:
    """Return mistakes made with all moves of a pair at once."""
    blades = made.shape[1]
    several = np.flatnonzero((made != 0).sum(axis=(1, 2)) > 1)
    backwards = made[:, (-np.arange(blades)) % blades]
    turned = np.flatnonzero((backwards != made).any(axis=(1, 2))) if blades > 2 else several[:0]
    owner = np.concatenate([several, several, turned])
    names = ["not made"] * len(several) + ["sign"] * len(several) + ["blade order"] * len(turned)
    kind = np.array([KINDS_OF_MOVES.index(name) for name in names], dtype=np.int64)
    change = np.concatenate(
        [-made[several], -2.0 * made[several], backwards[turned] - made[turned]]
    )
    nowhere = np.full(len(owner), ALL)
    nothing = np.zeros(len(owner))
    return WrongMoves(owner, kind, change, nothing, nowhere, nowhere, nothing)


def _with_priors(rotor: Rotor, made: Real, found: WrongMoves) -> WrongMoves:
    """Share each kind's prior among its mistakes of a pair; off the hardware's steps is rare."""
    adjusters = len(rotor.adjusters)
    step = np.array([x.step for x in rotor.adjusters])
    at = np.maximum(found.target, 0)
    ratio = found.size / step[at % adjusters]
    entered = made.reshape(-1, made.shape[1] * made.shape[2])[
        found.owner, np.maximum(found.source, 0)
    ]
    from_step = entered / step[np.maximum(found.source, 0) % adjusters]
    off = (np.abs(ratio - np.rint(ratio)) > 1e-6) & (np.abs(from_step - np.rint(from_step)) <= 1e-6)
    weight = np.where(off & (found.target != ALL), OFF_STEP, 1.0)
    group = found.owner * len(KINDS_OF_MOVES) + found.kind
    total = np.bincount(group, weight, minlength=len(made) * len(KINDS_OF_MOVES))
    share = WRONG_PAIR * np.array([SHARES[kind] for kind in KINDS_OF_MOVES])[found.kind]
    log_prior = np.log(share * weight / total[group])
    return replace(found, log_prior=log_prior)


def unrecorded(rotor: Rotor) -> WrongMoves:
    """Return one more move that nobody wrote down, of every blade, adjuster and likely size.

    Sizes up to the largest move, the smaller the likelier (half normal); owner is 0 throughout.
    """
    blades, adjusters = len(rotor.blades), len(rotor.adjusters)
    fitting = _fitting(rotor)
    target, size, weight = [], [], []
    for a, adjuster in enumerate(rotor.adjusters):
        low, high = adjuster.fitted_range
        usual = max(adjuster.largest_move or USUAL * (high - low), adjuster.step)
        steps = SIZES[SIZES * adjuster.step <= usual * (1 + 1e-6)]
        if not len(steps):
            steps = SIZES[:1]
        width = np.gradient(steps.astype(float)) if len(steps) > 1 else np.ones(1)
        likely = width * np.exp(-0.5 * (steps * adjuster.step / (0.5 * usual)) ** 2)
        likely = likely / (2.0 * likely.sum() * fitting.sum())
        for b in np.flatnonzero(fitting[:, a]):
            for sign in (1.0, -1.0):
                target.append(np.full(len(steps), b * adjusters + a))
                size.append(sign * steps * adjuster.step)
                weight.append(likely)
    place = np.concatenate(target) if target else np.zeros(0, dtype=np.int64)
    amount = np.concatenate(size) if size else np.zeros(0)
    change = np.zeros((len(place), blades * adjusters))
    change[np.arange(len(place)), place] = amount
    prior = WRONG_PAIR * SHARES["not recorded"]
    return WrongMoves(
        owner=np.zeros(len(place), dtype=np.int64),
        kind=np.full(len(place), NOT_RECORDED),
        change=change.reshape(-1, blades, adjusters),
        log_prior=np.log(prior * np.concatenate(weight)) if weight else np.zeros(0),
        source=place,
        target=place,
        size=amount,
    )


def in_words(rotor: Rotor, made: Real, mistakes: WrongMoves, row: int) -> str:
    """Say one mistake in words; made: (blade, adjuster), the moves entered."""
    adjusters = len(rotor.adjusters)
    kind = KINDS_OF_MOVES[mistakes.kind[row]]
    if mistakes.source[row] == ALL:
        return {
            "not made": "none of the moves was made",
            "sign": "all moves had the other sign",
        }.get(kind, f"blades were counted the wrong way round from blade {rotor.blades[0]}")
    b, a = divmod(int(mistakes.source[row]), adjusters)
    to, other = divmod(int(mistakes.target[row]), adjusters)
    adjuster, size = rotor.adjusters[a], float(mistakes.size[row])
    blade = rotor.blades[b]
    if kind == "not recorded":
        return (
            f"a move of {adjuster.name} on blade {blade} was not recorded "
            f"(about {size:+g} {adjuster.unit})"
        )
    what = f"{float(made[b, a]):+g} {adjuster.unit} of {adjuster.name}"
    if kind in ("neighbouring blade", "other blade"):
        return f"{what} was on blade {rotor.blades[to]}, not {blade}"
    if kind == "not made":
        return f"{what} on blade {blade} was not made"
    if kind == "other adjuster":
        meant = rotor.adjusters[other]
        return f"{what} on blade {blade} was {size:+g} {meant.unit} of {meant.name}"
    return f"{what} on blade {blade} was {size:+g}"


def _fitting(rotor: Rotor) -> Truth:
    """Return which blades can take which adjusters, (blade, adjuster)."""
    return np.array([[x.fits(blade) for x in rotor.adjusters] for blade in rotor.blades]).reshape(
        len(rotor.blades), len(rotor.adjusters)
    )
