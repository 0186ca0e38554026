"""The learner's linear algebra on certified values of NIST's Statistical Reference Datasets.

Data: the Longley table that statsmodels ships. Certified values:
https://www.itl.nist.gov/div898/strd/lls/data/LINKS/DATA/Longley.dat, typed in from memory and
found the same in the test suites of three independent libraries.

The table's years are taken as the runs of one job: the job's flat level is the intercept, the
regressors are what moves have summed up to, readings scatter and nothing changes from run to run.
"""

import numpy as np
import pytest
from statsmodels.datasets import longley

from adapt.learning.fitting.fleet import Fleet, Prior, Spread, informed_directions, solve_fleet
from adapt.learning.rows.pairs import _rows
from adapt.learning.rows.table import Table

# Deflator, GNP, unemployed, armed forces, population, year; the intercept is the level.
CERTIFIED = np.array(
    [
        (15.0618722713733, 84.9149257747669),
        (-0.358191792925910e-01, 0.334910077722432e-01),
        (-2.02022980381683, 0.488399681651699),
        (-1.03322686717359, 0.214274163161675),
        (-0.511041056535807e-01, 0.226073200069370),
        (1829.15146461355, 455.478499142212),
    ]
)
CERTIFIED_RESIDUAL_SD = 304.854073561965


def learned_from(x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and covariance of coefficients; x: (run, column), y: (run,)."""
    runs, columns = x.shape
    moves = np.diff(x, axis=0, prepend=x[:1])
    cut = np.arange(runs) == 0
    rows = _rows(
        y[:, None, None], np.ones((runs, 1)), moves[None, :, None, :], np.zeros(1, dtype=int), cut,
        np.zeros((runs, 1), dtype=int), 1, None,
    )  # fmt: skip
    table = Table.of(rows, np.zeros((1, columns), dtype=bool), 1)
    prior = Prior(np.zeros((1, columns)), np.full((1, columns), np.inf))
    scatter = np.array([CERTIFIED_RESIDUAL_SD**2])
    fleet: Fleet = solve_fleet(
        table, 1e-14 * scatter, scatter, Spread.independent(np.zeros((1, columns)), 1), prior,
        informed_directions(table, prior),
    )  # fmt: skip
    return fleet.mean[0] / table.scale, fleet.cov[0] / np.outer(table.scale, table.scale)


@pytest.mark.parametrize("order", [[0, 1, 2, 3, 4, 5], [5, 2, 0, 4, 1, 3]])
@pytest.mark.parametrize("exponent", [[0, 0, 0, 0, 0, 0], [6, -3, 5, 2, -6, 4]])
def test_longley_to_eight_digits_in_any_units_and_order(
    order: list[int], exponent: list[int]
) -> None:
    table = longley.load()
    factor = 10.0 ** np.array(exponent)
    x = (table.exog.to_numpy(dtype=float) / factor)[:, order]
    mean, cov = learned_from(x, table.endog.to_numpy(dtype=float))
    unit = factor[order]
    np.testing.assert_allclose(mean / unit, CERTIFIED[order, 0], rtol=1e-8)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)) / unit, CERTIFIED[order, 1], rtol=1e-8)
