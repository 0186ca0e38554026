"""Paper charts become a chart in numbers: every plotted chart fitted, wrong points held back.

What is done with one chart's points lives in `fitting` and `wrong_points`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from adapt.balancing.paper.fitting import ChartFit, fit_chart
from adapt.balancing.paper.points import PlottedChart
from adapt.balancing.paper.wrong_points import DoubtedPoint, doubted_points, mirrored
from adapt.chart import SPREAD_OF_AMPLITUDE, Chart
from adapt.problems import BadInput
from adapt.rotor import Rotor

__all__ = ["FromPaper", "PaperFit", "from_paper"]


@dataclass(frozen=True, eq=False)
class PaperFit:
    """One paper chart read in.

    whole: the fit of all points. fit: the same, or that of all but `held_back`, the one point
    that does not go with the others.
    doubted: points to look at again; more than one when it cannot be told which one is wrong.
    mirrored: the points go together only when the chart is read in a mirror.
    """

    whole: ChartFit
    fit: ChartFit
    doubted: tuple[DoubtedPoint, ...]
    held_back: str | None
    mirrored: bool

    @property
    def usable(self) -> bool:
        """Whether the effects can be taken: what is wrong is known, or nothing is."""
        settled = not self.doubted or self.held_back is not None
        return settled and not self.mirrored and self.fit.agreement != "badly"


@dataclass(frozen=True, eq=False)
class FromPaper:
    """A chart in numbers, with what each paper chart said; chart None = not usable as it stands."""

    chart: Chart | None
    fits: tuple[PaperFit, ...]


def from_paper(
    rotor: Rotor, charts: Sequence[PlottedChart], beside: Chart | None = None
) -> FromPaper:
    """Return the effects that paper charts are drawn from, as a chart of a rotor design.

    beside: a chart whose rows are kept where no paper chart says anything. The spread of an effect
    is that of rotors about their chart (25 % of its amplitude) and of reading it off, together. A
    point that does not go with the others is held back. Raises CannotBeMet when points do not tell
    the effects, BadInput when a sensor's chart in a regime stands there twice.
    """
    keys = [(c.sensor, c.regime) for c in charts]
    twice = sorted({key for key in keys if keys.count(key) > 1})
    if twice:
        words = "; ".join(f"{sensor} in {regime}" for sensor, regime in twice)
        raise BadInput(f"one chart for a sensor and regime; given twice: {words}")
    fits = tuple(_fit(rotor, chart) for chart in charts)
    if not all(fit.usable for fit in fits):
        return FromPaper(None, fits)
    shape = len(rotor.channels), len(rotor.adjusters)
    mean, sd = np.full(shape, np.nan, dtype=complex), np.full(shape, np.nan)
    track_mean = np.zeros((len(rotor.regimes), len(rotor.adjusters)))
    track_sd = track_mean.copy()
    if beside is not None:
        mean, sd = beside.mean.copy(), beside.sd.copy()
        track_mean, track_sd = beside.track_mean, beside.track_sd
    for paper in fits:
        channel = rotor.channels.index((paper.fit.chart.sensor, paper.fit.chart.regime))
        at = [rotor.adjuster_names.index(a) for a in paper.fit.adjusters]
        mean[channel, at] = paper.fit.effects
        of_rotors = SPREAD_OF_AMPLITUDE * np.abs(paper.fit.effects)
        sd[channel, at] = np.hypot(of_rotors, paper.fit.sd)
    source = ", ".join(dict.fromkeys(c.source for c in charts if c.source))
    return FromPaper(Chart(mean, sd, track_mean, track_sd, source), fits)


def _fit(rotor: Rotor, chart: PlottedChart) -> PaperFit:
    whole = fit_chart(rotor, chart)
    if mirrored(whole):
        return PaperFit(whole, whole, (), None, True)
    doubted = doubted_points(rotor, whole)
    if len(doubted) != 1:
        return PaperFit(whole, whole, doubted, None, False)
    wrong = doubted[0].point
    rest = replace(chart, points=tuple(p for p in chart.points if p.name != wrong))
    fit = fit_chart(rotor, rest)
    still = doubted_points(rotor, fit)
    if still or fit.adjusters != whole.adjusters:  # more than one is wrong, or it alone tells
        return PaperFit(whole, whole, doubted + still, None, False)
    return PaperFit(whole, fit, doubted, wrong, False)
