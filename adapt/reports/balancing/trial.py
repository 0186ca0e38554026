"""The size of a trial weight as a technician reads it, and as a document for scripts."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from adapt.balancing.trial.asked import Asked
from adapt.balancing.trial.size import TrialWeight
from adapt.reports import cautions
from adapt.reports.layout import Block, Bullets, Heading, Line, table
from adapt.reports.wording import count, number, sure_digits, vibration_decimals
from adapt.rotor import Rotor

__all__ = ["TRIAL_CAUTIONS", "trial_document", "trial_report"]

MOST_BOUNDS = 6  # that a person wants to see

TRIAL_CAUTIONS: tuple[str, ...] = (
    "A trial weight is fitted, secured and inspected like any other: nothing loose, nothing that "
    "can touch. A trial weight that the manual gives comes first, and where it allows none, none "
    "is fitted.",
    "Nobody in the plane of rotation while it runs. Watch the reading from the start; shut down at "
    "the stop amplitude, or when anything is heard or felt that was not there before.",
    *cautions.SHORT[:2],
)


def trial_report(trial: TrialWeight, asked: Asked, rotor: Rotor) -> list[Block]:
    """Return the report of a trial weight."""
    digits = sure_digits(trial.step)
    report: list[Block] = [Heading(f"Trial weight: {trial.adjuster} of {rotor.name}", level=1)]
    if trial.amount > 0.0:
        report.append(
            Line(
                f"At most {trial.amount:.{digits}f} {trial.unit}, in steps of {trial.step:g} "
                f"{trial.unit}, on {f'blade {asked.blade}' if asked.blade else 'one blade'} at "
                f"{asked.radius_mm:g} mm.",
                "bad" if trial.useless else "good",
            )
        )
        report.append(
            Line(
                f"At {asked.rpm:g} rpm it pulls with {trial.force_n:.1f} N, "
                f"{100 * trial.weight_share:.1f} % of the rotor's weight, and is "
                f"{trial.multiple:.1f} times the permissible unbalance of G {asked.grade:g} "
                f"({trial.permissible_g_mm:.0f} g mm)."
            )
        )
    if trial.useless:
        report.append(Line(f"Not advised: {trial.useless}.", "bad"))
    report.append(Line(_decides(trial)))
    report += [
        Heading("What bounds it"),
        table(
            [f">Most [{trial.unit}]", "Because"],
            [(number(b.amount, digits + 1), b.words) for b in trial.bounds[:MOST_BOUNDS]],
        ),
    ]
    if len(trial.bounds) > MOST_BOUNDS:
        more = count(len(trial.bounds) - MOST_BOUNDS, "bound")
        report.append(Line(f"{more} more, all wider.", "faint"))
    report += [Heading("When to shut down"), *_stops(trial, rotor)]
    if trial.shows is not None and trial.wanted is not None:
        report.append(Line(_shows(trial)))
    if trial.notes:
        report += [Heading("What this rests on"), Bullets(trial.notes)]
    report += [Heading("Cautions"), Bullets(TRIAL_CAUTIONS)]
    return report


def _decides(trial: TrialWeight) -> str:
    first = trial.bounds[0]
    return f"What decides: {first.words}."


def _shows(trial: TrialWeight) -> str:
    digits = sure_digits(trial.step)
    if trial.shows:
        return (
            "The trial is sure to show something: a reading changes by 30 % or turns by 30 deg, "
            "and by more than its noise."
        )
    return (
        f"Less than the {trial.wanted:.{digits + 1}f} {trial.unit} at which the trial is sure to "
        "show something (30 % or 30 deg, and more than the noise): in some places it may show "
        "little."
    )


def _stops(trial: TrialWeight, rotor: Rotor) -> list[Block]:
    if not trial.stops:
        return [
            Line("No reading was given: take the amplitude at which to shut down from the manual.")
        ]
    rows = []
    for sensor, regime, amplitude in trial.stops:
        unit = rotor.sensor(sensor).unit
        rows.append((sensor, regime, f"{number(amplitude, vibration_decimals(unit))} {unit}"))
    return [table(["Sensor", "Regime", ">When the reading passes"], rows)]


def trial_document(trial: TrialWeight, asked: Asked, rotor: Rotor) -> dict[str, Any]:
    """Return a trial weight as a document: amounts in the adjuster's unit, force in N."""
    return {
        "rotor": rotor.name,
        **{key: value for key, value in asdict(trial).items() if key != "stops"},
        "usable": trial.usable,
        "asked": asdict(asked),
        "stops": [
            {"sensor": s, "regime": r, "amplitude": a, "unit": rotor.sensor(s).unit}
            for s, r, a in trial.stops
        ],
        "cautions": list(TRIAL_CAUTIONS),
    }
