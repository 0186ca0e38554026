"""The least-squares core on certified values of NIST's Statistical Reference Datasets.

Data: the Longley table that statsmodels ships. Certified values:
https://www.itl.nist.gov/div898/strd/lls/data/LINKS/DATA/Longley.dat, typed in from memory and
found the same in the test suites of three independent libraries.
"""

import numpy as np
from statsmodels.datasets import longley

from adapt.learning.gls import gls

# Intercept, deflator, GNP, unemployed, armed forces, population, year.
CERTIFIED = [
    (-3482258.63459582, 890420.383607373),
    (15.0618722713733, 84.9149257747669),
    (-0.358191792925910e-01, 0.334910077722432e-01),
    (-2.02022980381683, 0.488399681651699),
    (-1.03322686717359, 0.214274163161675),
    (-0.511041056535807e-01, 0.226073200069370),
    (1829.15146461355, 455.478499142212),
]
CERTIFIED_RESIDUAL_SD = 304.854073561965


def test_longley_to_nine_digits() -> None:
    table = longley.load()
    x = np.column_stack([np.ones(16), table.exog.to_numpy(dtype=float)])
    y = table.endog.to_numpy(dtype=float)
    fit = gls(x, y, np.ones(16))
    sd = np.sqrt(np.diag(fit.cov_unscaled) * fit.sigma2)
    certified = np.array(CERTIFIED)
    np.testing.assert_allclose(fit.estimate, certified[:, 0], rtol=5e-10)
    np.testing.assert_allclose(sd, certified[:, 1], rtol=5e-10)
    np.testing.assert_allclose(np.sqrt(fit.sigma2), CERTIFIED_RESIDUAL_SD, rtol=5e-10)
    assert fit.dof == 9


def test_longley_does_not_mind_units_or_column_order() -> None:
    table = longley.load()
    x = np.column_stack([np.ones(16), table.exog.to_numpy(dtype=float)])
    y = table.endog.to_numpy(dtype=float)
    factor = 10.0 ** np.array([6, -3, 5, 2, -6, 4, 1])
    order = np.array([6, 2, 0, 5, 1, 4, 3])
    fit = gls((x / factor)[:, order], y, np.full(16, 4.0))
    np.testing.assert_allclose(
        fit.estimate / factor[order], np.array(CERTIFIED)[order, 0], rtol=5e-10
    )
