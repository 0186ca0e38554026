"""The fleet's mixed model against statsmodels: MixedLM where it can do the model, GLS elsewhere.

MixedLM knows no covariance between neighbouring rows, so it is asked at r = 0, where the rows of a
log are independent with variance q. Complex rows are stacked as real ones, each component with half
the variance; spreads of rotors are variance components of columns multiplied by the type's
coefficients: one common to all adjusters, one of each adjuster common to regimes, and the rest.
Track is the same with real rows.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import block_diag
from scipy.optimize import minimize
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMResults, VCSpec

from adapt.learning.fitting.fleet import Fleet, Prior, Spread, informed_directions, solve_fleet
from adapt.learning.fitting.noise import restricted_log_likelihood
from adapt.learning.rows.pairs import Rows
from adapt.learning.rows.table import Table

ROTORS, PAIRS, ADJUSTERS = 14, 9, 2
SIZE = np.array([0.002, 0.06])  # ips per g and per flat, so that columns differ in scale


@dataclass
class Drawn:
    """A fleet's independent rows in every regime of one sensor, and the type that drew them."""

    type_: np.ndarray  # (regime, adjuster)
    unit: np.ndarray  # (row,)
    x: np.ndarray  # (row, adjuster)
    lam: np.ndarray  # (row,)
    d: np.ndarray  # (row, regime)

    @property
    def regimes(self) -> int:
        return len(self.type_)

    @property
    def components(self) -> int:
        """Real numbers in a reading: 2, of track 1."""
        return 2 if np.iscomplexobj(self.d) else 1

    def table(self) -> Table:
        rows, regimes = self.d.shape
        shape = (rows, regimes)
        moved = np.full((ROTORS, regimes, ADJUSTERS), PAIRS)
        x = np.repeat(self.x[:, None], regimes, axis=1)
        lam = np.repeat(self.lam[:, None], regimes, axis=1)
        live = np.ones(shape, dtype=bool)
        whole = Rows(ROTORS, self.unit, live, lam, x, self.d, moved, ())
        return Table.of(whole, np.zeros((regimes, ADJUSTERS), dtype=bool), 1)

    def spread(self, gain: float, adjuster: float, rest: float, scale: np.ndarray) -> Spread:
        """Return the program's spread from sds per component, in its scaled columns."""
        c = self.type_ * scale
        share = adjuster**2 * np.eye(ADJUSTERS) + gain**2
        n = self.components
        return Spread(n * rest**2 * np.abs(c) ** 2, c, n * share)

    def covariance(self, gain: float, adjuster: float, rest: float) -> np.ndarray:
        """Return that of d_i of all regimes, regime by regime, written out."""
        c = self.type_.ravel()
        same = np.tile(np.arange(ADJUSTERS), self.regimes)
        alike = gain**2 + adjuster**2 * (same[:, None] == same)
        own = np.diag(rest**2 * np.abs(c) ** 2)
        return self.components * (np.outer(c, c.conj()) * alike + own)

    def design(self, rotor: int | None = None) -> np.ndarray:
        """Return X of all regimes, regime by regime, of all rotors or one."""
        x = self.x if rotor is None else self.x[self.unit == rotor]
        return block_diag(*[x] * self.regimes)

    def readings(self, rotor: int | None = None) -> np.ndarray:
        return (self.d if rotor is None else self.d[self.unit == rotor]).T.ravel()


def drawn(seed: int, regimes: int, r: float = 0.0, track: bool = False) -> Drawn:
    rng = np.random.default_rng(seed)

    def circular(*shape: int) -> np.ndarray:
        real = rng.standard_normal(shape)
        return real if track else real + 1j * rng.standard_normal(shape)

    type_ = SIZE * (1.0 if track else np.exp(2j * np.pi * rng.random((regimes, ADJUSTERS))))
    type_ = np.broadcast_to(type_, (regimes, ADJUSTERS))
    type_ = type_ * rng.uniform(0.7, 1.4, type_.shape)
    unit = np.repeat(np.arange(ROTORS), PAIRS)
    x = 0.03 / SIZE * circular(len(unit), ADJUSTERS)
    lam = rng.uniform(0.1, 3.9, len(unit))
    share = 1 + 0.25 * circular(ROTORS, 1, 1) + 0.2 * circular(ROTORS, 1, ADJUSTERS)
    own = type_ * (share + 0.15 * circular(ROTORS, regimes, ADJUSTERS))
    noise = np.sqrt(0.015**2 + r / 2 * lam)[:, None] * circular(len(unit), regimes)
    return Drawn(type_, unit, x, lam, np.einsum("ra,rga->rg", x, own[unit]) + noise)


def stacked(x: np.ndarray) -> np.ndarray:
    if not np.iscomplexobj(x):
        return x
    return np.block([[x.real, -x.imag], [x.imag, x.real]])


def parts(values: np.ndarray) -> np.ndarray:
    if not np.iscomplexobj(values):
        return values
    return np.concatenate([values.real, values.imag])


def dense_reml(f: Drawn, q: float, between: np.ndarray) -> float:
    """Harville's restricted likelihood (Biometrika 61, 1974, from memory) of the stacked model."""
    x, y = stacked(f.design()), parts(f.readings())
    n = f.components
    owner = np.tile(f.unit, n * f.regimes)
    v = x @ (stacked(between) / n) @ x.T * (owner[:, None] == owner) + q / n * np.eye(len(y))
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    rest = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
    logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
    count = len(y) - x.shape[1]
    return float(-0.5 * (logs + rest @ inverse @ rest + count * np.log(2 * np.pi)))


def ours(f: Drawn, table: Table, q: float, gain: float, adjuster: float, rest: float) -> float:
    """Return the program's restricted log-likelihood with the constants that it leaves out."""
    n = f.components
    count = f.d.size - f.type_.size
    columns = n * f.regimes * np.log(table.scale).sum()
    q_of = np.full(f.regimes, q)
    spread = f.spread(gain, adjuster, rest, table.scale)
    found = restricted_log_likelihood(table, q_of, np.zeros(f.regimes), spread, flat(f))
    return float(found.sum() - columns - count * n / 2 * np.log(2 * np.pi / n))


def flat(f: Drawn) -> Prior:
    return Prior(np.zeros_like(f.type_), np.full(f.type_.shape, np.inf))


def solved(f: Drawn, table: Table, q: float, r: float, spread: Spread) -> Fleet:
    known = informed_directions(table, flat(f))
    ones = np.ones(f.regimes)
    return solve_fleet(table, q * ones, r * ones, spread, flat(f), known)


def mixed_lm(f: Drawn, components: tuple[str, ...]) -> MixedLMResults:
    """Fit the stacked model by MixedLM; every component has one variance."""

    def matrix(rotor: int, name: str) -> np.ndarray:
        x = f.design(rotor)
        c = f.type_
        loads = {
            "gain": c.reshape(-1, 1),
            "adjuster": np.concatenate([np.diag(row) for row in c]),
            # Circular: multiplying by a phase leaves the law as it is.
            "rest": np.diag(c.ravel()),
        }
        return stacked(x @ loads[name])

    y = np.concatenate([parts(f.readings(i)) for i in range(ROTORS)])
    x = np.concatenate([stacked(f.design(i)) for i in range(ROTORS)])
    groups = np.repeat(np.arange(ROTORS), len(y) // ROTORS)
    mats = [[matrix(i, name) for i in range(ROTORS)] for name in components]
    labels = [[[str(k) for k in range(m.shape[1])] for m in each] for each in mats]
    # Without exog_re it would add an intercept for each rotor.
    model = MixedLM(
        y, x, groups, exog_re=np.zeros((len(y), 0)), exog_vc=VCSpec(list(components), labels, mats)
    )
    return model.fit(reml=True, method="bfgs", gtol=1e-6)


CASES = [(1, ("rest",)), (1, ("gain", "rest")), (3, ("gain", "adjuster", "rest"))]


@pytest.mark.parametrize("track", [False, True])
@pytest.mark.parametrize(("regimes", "components"), CASES)
def test_the_restricted_likelihood_is_that_of_mixedlm_and_of_dense_algebra(
    regimes: int, components: tuple[str, ...], track: bool
) -> None:
    f = drawn(3, regimes, track=track)
    table = f.table()
    theirs = mixed_lm(f, components)
    q = f.components * theirs.scale
    sds = dict(zip(components, np.sqrt(theirs.vcomp), strict=True))
    shares = [sds.get(name, 0.0) for name in ("gain", "adjuster", "rest")]
    assert dense_reml(f, q, f.covariance(*shares)) == pytest.approx(theirs.llf, abs=1e-6)
    assert ours(f, table, q, *shares) == pytest.approx(theirs.llf, abs=1e-6)
    for other in ((2 * q, *shares), (q, *(0.3 * s for s in shares)), (q, 0.0, 0.0, 0.1)):
        dense = dense_reml(f, other[0], f.covariance(*other[1:]))
        assert ours(f, table, *other) == pytest.approx(dense, abs=1e-6)


@pytest.mark.parametrize(("regimes", "components"), CASES)
def test_the_optimum_is_that_of_mixedlm(regimes: int, components: tuple[str, ...]) -> None:
    f = drawn(5, regimes)
    table = f.table()
    theirs = mixed_lm(f, components)

    def given(theta: np.ndarray) -> tuple[float, float, float, float]:
        sds = dict(zip(components, np.exp(theta[1:]), strict=True))
        return (
            float(np.exp(theta[0])), sds.get("gain", 0.0), sds.get("adjuster", 0.0),
            sds.get("rest", 0.0),
        )  # fmt: skip

    start = np.log([2 * 0.02**2, *[0.1] * len(components)])
    best = minimize(
        lambda theta: -ours(f, table, *given(theta)), start, method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 5000, "maxfev": 5000},
    )  # fmt: skip
    q, *shares = given(best.x)
    assert -best.fun == pytest.approx(theirs.llf, abs=1e-4)
    assert q == pytest.approx(2 * theirs.scale, rel=1e-3)
    found = dict(zip(("gain", "adjuster", "rest"), shares, strict=True))
    for name, variance in zip(components, theirs.vcomp, strict=True):
        assert found[name] == pytest.approx(np.sqrt(variance), rel=1e-2, abs=1e-3)

    fleet = solved(f, table, q, 0.0, f.spread(*shares, table.scale))
    mean = (fleet.mean / table.scale).ravel()
    sd = np.sqrt(np.einsum("jaa->ja", fleet.cov).real / 2) / table.scale
    size = np.tile(np.abs(f.type_).ravel(), 2)
    np.testing.assert_allclose(parts(mean) / size, theirs.fe_params / size, atol=1e-3)
    np.testing.assert_allclose(np.tile(sd.ravel(), 2), theirs.bse_fe, rtol=1e-3)


def test_rotors_own_coefficients_are_mixedlms_predictions() -> None:
    f = drawn(7, 3)
    table = f.table()
    components = ("gain", "adjuster", "rest")
    theirs = mixed_lm(f, components)
    spread = f.spread(*np.sqrt(theirs.vcomp), table.scale)
    fleet = solved(f, table, 2 * theirs.scale, 0.0, spread)
    for i in range(ROTORS):
        effects = theirs.random_effects[i].to_numpy()
        ends = np.cumsum([0, 2, 2 * ADJUSTERS, 2 * f.type_.size])
        s, t, e = (effects[low:high] for low, high in pairwise(ends))
        s, t, e = (v[: len(v) // 2] + 1j * v[len(v) // 2 :] for v in (s, t, e))
        fixed = theirs.fe_params[: f.type_.size] + 1j * theirs.fe_params[f.type_.size :]
        own = fixed.reshape(f.type_.shape) + f.type_ * (s + t + e.reshape(f.type_.shape))
        np.testing.assert_allclose(
            fleet.unit_mean[i] / table.scale / f.type_, own / f.type_, atol=1e-6
        )


@pytest.mark.parametrize("shares", [(0.0, 0.0, 0.1), (0.1, 0.08, 0.05), (0.0, 0.0, 0.0)])
def test_estimates_and_standard_errors_at_given_variances_are_those_of_gls(
    shares: tuple[float, float, float],
) -> None:
    """With reading scatter too, which MixedLM cannot do: rows of variance q + r lambda."""
    q, r = 2 * 0.015**2, 2 * 0.02**2
    f = drawn(11, 3, r)
    table = f.table()
    fleet = solved(f, table, q, r, f.spread(*shares, table.scale))
    x, y = stacked(f.design()), parts(f.readings())
    owner = np.tile(f.unit, 2 * f.regimes)
    between = x @ (stacked(f.covariance(*shares)) / 2) @ x.T * (owner[:, None] == owner)
    noise = np.diag(np.tile((q + r * f.lam) / 2, 2 * f.regimes))
    theirs = sm.GLS(y, x, sigma=between + noise).fit()
    scale = np.tile(table.scale, f.regimes)
    size = np.tile(np.abs(f.type_).ravel(), 2)
    mean = fleet.mean.ravel() / scale
    np.testing.assert_allclose(parts(mean) / size, theirs.params / size, atol=1e-8)
    cov = stacked(fleet.joint[0] / np.outer(scale, scale)) / 2
    np.testing.assert_allclose(
        cov / np.outer(size, size),
        theirs.normalized_cov_params / np.outer(size, size),
        atol=1e-10 * (cov / np.outer(size, size)).max() + 1e-12,
    )
