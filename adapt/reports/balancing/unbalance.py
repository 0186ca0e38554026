"""Residual unbalance and the grade that it meets, for people and for scripts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from adapt.balancing.residual import Machine, PlaneUnbalance, Residual
from adapt.reports import cautions
from adapt.reports.balancing.places import IN_PASSING_ORDER, place
from adapt.reports.layout import Block, Bullets, Heading, Line, Table, table, without_blank_columns
from adapt.reports.wording import number
from adapt.rotor import Rotor

__all__ = ["RESIDUAL_CAUTIONS", "residual_document", "residual_report"]

RESIDUAL_CAUTIONS: tuple[str, ...] = (
    "Grades of ISO 21940-11 (2016, from memory) are for rotors that behave as rigid. They are "
    "never the limits of a helicopter's rotors: those are the maintenance manual's.",
    *cautions.SHORT[1:],
)


def residual_report(
    found: Residual, machine: Machine, rotor: Rotor, job: str, after_run: str, origin: str
) -> list[Block]:
    """Return the report of a residual unbalance; origin: where the coefficients came from."""
    report: list[Block] = [
        Heading(f"Residual unbalance of {rotor.name}, job {job}", 1),
        Line(f"From run {after_run}. Coefficients: {origin}."),
        Line(
            f"{found.g_mm:.0f} g mm ({_between(found.low_g_mm, found.high_g_mm, 0)}, 95 %): with "
            f"{machine.mass_kg:g} kg at {machine.rpm:g} rpm a grade of {number(found.grade_mm_s)} "
            f"mm/s ({_between(found.low_mm_s, found.high_mm_s, 2)})."
        ),
        *_verdict(found),
        Heading("By plane"),
        _planes(found.planes, rotor),
        Line(IN_PASSING_ORDER),
    ]
    if found.bearings:
        report += [Heading("The same seen at the bearings"), _planes(found.bearings, rotor)]
    if found.notes:
        report += [Heading("What this rests on"), Bullets(found.notes)]
    report += [Heading("Cautions"), Bullets(RESIDUAL_CAUTIONS)]
    return report


def _verdict(found: Residual) -> Iterable[Block]:
    if found.meets is None:
        yield Line("It is not known to meet any named grade.", "bad")
    else:
        yield Line(f"It meets G {found.meets:g}, its doubt included.")
    if found.grade is None or found.permissible_g_mm is None:
        return
    asked = f"G {found.grade:g} permits {found.permissible_g_mm:.0f} g mm"
    if found.inside is True:
        yield Line(f"{asked}: inside.", "good")
    elif found.inside is False:
        yield Line(f"{asked}: not inside.", "bad")
    elif len(found.planes) > 1 and not found.bearings:
        yield Line(
            f"{asked}: not known without the places of bearings and planes (--bearings and "
            "--plane-at).",
            "bad",
        )
    else:
        yield Line(
            f"{asked}: not known, the interval holds it. A larger trial weight or more readings "
            "make it narrower.",
            "bad",
        )


def _planes(planes: tuple[PlaneUnbalance, ...], rotor: Rotor) -> Table:
    whole = table(
        ["Plane", ">Unbalance [g mm]", ">95 %", ">Angle [deg]", "Which is", ">Permissible"],
        [
            (
                p.plane,
                number(p.g_mm, 0),
                _between(p.low_g_mm, p.high_g_mm, 0),
                number(p.angle_deg, 0),
                place(rotor, p.angle_deg),
                number(p.permissible_g_mm, 0),
            )
            for p in planes
        ],
    )
    return without_blank_columns(whole, ["Permissible"])


def _between(low: float, high: float, digits: int) -> str:
    return f"{number(low, digits)} to {number(high, digits)}"


def residual_document(
    found: Residual, machine: Machine, rotor: Rotor, job: str, after_run: str, origin: str
) -> dict[str, Any]:
    """Return a residual unbalance as a document."""
    return {
        "rotor": rotor.name,
        "job": job,
        "after_run": after_run,
        "coefficients_from": origin,
        **asdict(found),
        "machine": {**asdict(machine), "radius_mm": dict(machine.radius_mm)},
        "cautions": list(RESIDUAL_CAUTIONS),
    }
