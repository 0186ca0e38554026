"""A paper chart read in, against statsmodels' generalised least squares.

Source: statsmodels, `statsmodels.api.GLS` (general-purpose library). The plotted points are those
of the demo and invented ones.
"""

from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.linalg import block_diag

import adapt
from adapt.balancing.paper.fitting import ChartFit, fit_chart
from adapt.balancing.paper.points import read_points
from tests.balancing.plotted import around, plotted, rotor_of

DEMO = Path(__file__).parents[2] / "datasets" / "demo"


def _fits() -> list[ChartFit]:
    tail = adapt.read_rotor(DEMO / "tail-rotor.toml")
    fits = [fit_chart(tail, chart) for chart in read_points(DEMO / "tail-points.csv", tail)]
    three = rotor_of(3, 1)
    axes = [("A", "weight 1"), ("B", "weight 1")]
    rng = np.random.default_rng(2)
    chart = plotted(three, np.array([0.02 - 0.01j]), axes, around(6, 0.4), rng, share=0.03)
    return [*fits, fit_chart(three, chart)]


@pytest.mark.parametrize("fit", _fits())
def test_effects_scatter_and_covariance_are_those_of_generalised_least_squares(
    fit: ChartFit,
) -> None:
    eqs = fit.equations
    sums = eqs.sums
    rows, wanted = [], []
    for i, reading in enumerate(eqs.reading):
        rows += [
            [*sums[i].real, *(-sums[i].imag)],
            [*sums[i].imag, *sums[i].real],
        ]
        wanted += [-reading.real, -reading.imag]
    covariance = block_diag(*eqs.scatter(fit.effects))
    result = sm.GLS(np.array(wanted), np.array(rows), sigma=covariance).fit()
    found = np.concatenate([fit.effects.real, fit.effects.imag])
    np.testing.assert_allclose(found, result.params, rtol=1e-6, atol=1e-9)
    assert fit.share_of_points == pytest.approx(np.sqrt(result.scale), rel=1e-5)
    stated = fit.covariance / fit.share**2
    np.testing.assert_allclose(
        stated, result.normalized_cov_params, rtol=1e-5, atol=1e-9 * np.max(np.abs(stated))
    )
