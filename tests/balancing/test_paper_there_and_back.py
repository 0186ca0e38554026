"""A paper chart read in, learned with, drawn out and read back gives the same coefficients.

All from the demo's tail rotor, by the commands that a user types.
"""

from pathlib import Path

import numpy as np
import pytest

import adapt
from adapt.balancing.paper.fitting import fit_chart
from adapt.balancing.paper.points import PlottedChart, PlottedPoint
from adapt.cli import main
from adapt.phasor import clock_to_deg, to_complex
from tests.balancing.page_read_back import read_back

DEMO = Path(__file__).parents[2] / "datasets" / "demo"
ROTOR, LOG = str(DEMO / "tail-rotor.toml"), str(DEMO / "log")
CLOCKS = ("12:20", "2:45", "5:10", "7:35", "10:00")


def read_off(svg: str, sensor: str, regime: str) -> PlottedChart:
    """Return what a technician plots and reads between the drawn lines, without knowing more."""
    amounts_at = read_back(svg)["amounts"]
    axes = [("1", "span weight"), ("1", "chord weight")]
    points = tuple(
        PlottedPoint(
            str(i),
            complex(to_complex(0.31, clock_to_deg(clock))),
            dict(zip(axes, map(float, amounts_at(0.31, clock)), strict=True)),
        )
        for i, clock in enumerate(CLOCKS)
    )
    return PlottedChart(sensor, regime, points)


@pytest.mark.parametrize("serial", ["TR-304", None])
def test_points_chart_learning_page_points_give_the_same_coefficients(
    tmp_path: Path, serial: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    chart, learned, page = (str(tmp_path / n) for n in ("chart.csv", "learned.json", "page.svg"))
    words = ["from-paper", ROTOR, str(DEMO / "tail-points.csv"), "--output", chart]
    assert main([*words, "--chart", str(DEMO / "tail-chart.csv")]) == 0
    assert main(["learn", ROTOR, LOG, "--chart", chart, "--output", learned]) == 0
    asked = ["--sensor", "gearbox radial", "--regime", "hover", "--coefficients", learned]
    asked += [] if serial is None else ["--serial", serial]
    assert main(["to-paper", ROTOR, LOG, *asked, "--output", page]) == 0
    capsys.readouterr()

    rotor = adapt.read_rotor(ROTOR)
    known = adapt.read_coefficients(learned, rotor)
    posterior = known.unseen if serial is None else known.of(serial)
    effects = posterior.mean[rotor.channels.index(("gearbox radial", "hover")), :2]
    svg = Path(page).read_text("utf-8")
    fit = fit_chart(rotor, read_off(svg, "gearbox radial", "hover"))
    assert np.max(np.abs(fit.effects / effects - 1.0)) < 2e-3  # a tenth of a millimetre on the rim
    assert fit.share_of_points is not None
    assert fit.share_of_points < 2e-3
