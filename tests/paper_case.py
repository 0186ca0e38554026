"""Invented rotors with coefficients set by hand, and the chart drawn from them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from invented_job import coefficients_of, one_run

from adapt.balancing.paper.axes import Axes, choose_axes
from adapt.balancing.paper.page import Page, page_of
from adapt.coefficients import Coefficients
from adapt.log import History
from adapt.rotor import Adjuster, Limit, Regime, Rotor, Sensor

WEIGHT = Adjuster("hub weight", "g", 20.0, (0.0, 400.0), largest_move=200.0)
LINK = Adjuster("pitch link", "flats", 1.0, (-10.0, 10.0), kind="pitch link")


@dataclass(frozen=True)
class Case:
    """A rotor, what is known of it, and a log with one run."""

    rotor: Rotor
    coefficients: Coefficients
    history: History

    def axes(self, *named: tuple[str, str], serial: str | None = None) -> Axes:
        sensor, regime = self.rotor.channels[0]
        return choose_axes(self.rotor, self.coefficients, sensor, regime, serial, named)

    def page(self, *named: tuple[str, str], **asked: Any) -> Page:
        return page_of(self.rotor, self.coefficients, self.history, self.axes(*named), **asked)


def case(
    mean: list[complex],
    sd: list[float] | None = None,
    *,
    blades: int = 4,
    adjusters: tuple[Adjuster, ...] = (WEIGHT,),
    phase: Any = "lag",
    order: int = 1,
    limit: float | None = 0.2,
    reading: complex = 0.3j,
    cov: np.ndarray | None = None,
    azimuth_deg: tuple[float, ...] | None = None,
    **noise: float,
) -> Case:
    """Return a rotor with one sensor in one regime; mean: lag, per unit on the first blade.

    sd: per component, 0 unless given; cov: (adjuster, adjuster) in its place. reading: lag.
    """
    rotor = Rotor(
        "main rotor", tuple("ABCDEFG"[:blades]), 392.0,
        (Sensor("cabin lateral", "ips", phase=phase, order=order),), (Regime("hover"),),
        adjusters, () if limit is None else (Limit("cabin lateral", limit),),
        azimuth_deg=azimuth_deg,
    )  # fmt: skip
    if cov is None:
        cov = np.diag(2.0 * np.square(sd or [0.0] * len(mean))).astype(complex)
    return Case(
        rotor,
        coefficients_of(rotor, np.array([mean]), cov[None], **noise),
        one_run(rotor, np.array([reading])),
    )
