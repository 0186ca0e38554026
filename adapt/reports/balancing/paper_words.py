"""The words of a paper chart put together: title, keys beside the circle, parts, foot.

Sentences from the values of a page; where they stand and how they are drawn lives in `paper_page`.
"""

from __future__ import annotations

from dataclasses import dataclass

from adapt.balancing.paper.axes import Axis
from adapt.balancing.paper.page import Page
from adapt.coefficients import Coefficients
from adapt.reports.balancing.paper_parts import Part, short
from adapt.reports.balancing.paper_sure import effects, inspect, validity, worked
from adapt.reports.balancing.paper_use import how_to_use, plus_and_minus
from adapt.reports.cautions import SHORT
from adapt.rotor import Rotor

__all__ = ["Words", "words_of"]


@dataclass(frozen=True)
class Words:
    """All words of a page.

    title, under: the head. solid, dashed, ring, clock: the keys beside the circle. parts: under it.
    cautions, sign: the foot.
    """

    title: str
    under: tuple[str, ...]
    solid: tuple[str, ...]
    dashed: tuple[str, ...]
    ring: tuple[str, ...]
    clock: tuple[str, ...]
    parts: tuple[Part, ...]
    cautions: tuple[str, ...]
    sign: tuple[str, ...]


def words_of(page: Page, rotor: Rotor, coefficients: Coefficients, made: str) -> Words:
    """Return the words of a page. made: when it was drawn, as it is to stand there."""
    axes = page.axes
    sensor = rotor.sensor(axes.sensor)
    who = "any rotor of the type" if axes.serial is None else short(axes.serial)
    order = "" if sensor.order == 1 else f", order {sensor.order}"
    return Words(
        title=f"Correction chart: {short(rotor.name)}, {who}",
        under=(
            f"{short(axes.sensor)} in {short(axes.regime)}, {sensor.unit} peak{order}, "
            f"at {_rpm(rotor, axes.regime):g} rpm. Drawn {made}.",
        ),
        solid=("SOLID LINES", *_axis_key(axes.pair[0], rotor)),
        dashed=("DASHED LINES", *_axis_key(axes.pair[1], rotor)),
        ring=_ring_key(page, sensor.unit),
        clock=_clock_key(page, sensor.phase, sensor.order),
        parts=(
            *inspect(page, coefficients),
            how_to_use(page, rotor),
            plus_and_minus(page, rotor),
            effects(page, rotor, coefficients),
            worked(page, rotor),
            validity(page, coefficients),
        ),
        cautions=SHORT,
        sign=("Name", "Signature", "Date"),
    )


def _axis_key(axis: Axis, rotor: Rotor) -> tuple[str, ...]:
    adjuster = rotor.adjuster(axis.adjuster)
    return short(adjuster.name), f"on blade {short(axis.blade)}", f"in {short(adjuster.unit)}"


def _ring_key(page: Page, unit: str) -> tuple[str, ...]:
    step = page.rings[0].amplitude
    told = [f"Rings every {step:g} {unit}", f"Rim {page.full_scale:g} {unit}"]
    if page.limit is None:
        return ("NO LIMIT RING", "no limit in the rotor file here", *told)
    beyond = " (outside the rim)" if page.limit > page.full_scale else ""
    of_set = "" if page.limit_set is None else f", {short(page.limit_set)}"
    return ("DOUBLE RING", f"limit {page.limit:g} {unit}{of_set}{beyond}", *told)


def _clock_key(page: Page, phase: str, order: int) -> tuple[str, ...]:
    sense = "after" if phase == "lag" else "before"
    turn = "" if order == 1 else f"; 12 hours are 1/{order} turn"
    return (
        "CLOCK ANGLE",
        "as this instrument shows it",
        f"(peak {sense} the reference){turn}",
        "short ticks: 10 minutes",
        "cross, arrows: the example",
    )


def _rpm(rotor: Rotor, regime: str) -> float:
    own = {r.name: r.rpm for r in rotor.regimes}[regime]
    return rotor.rpm if own is None else own
