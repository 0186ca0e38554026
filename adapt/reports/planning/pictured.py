"""The plan in pictures: moves on the rotor, readings and track before and after, the trade-off."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapt.planning.plan import Move, Plan, ReadingForecast, TrackForecast
from adapt.reports.layout import Block, Picture, Row
from adapt.reports.pictures.readings import Shift, readings_picture
from adapt.reports.pictures.rotor_plan import rotor_plan
from adapt.reports.pictures.track import Heights, track_picture
from adapt.reports.pictures.tradeoff import tradeoff_picture
from adapt.rotor import Rotor

__all__ = ["forecast_pictures", "moves_picture", "plan_pictures"]


def plan_pictures(plan: Plan, rotor: Rotor) -> Iterable[Block]:
    """Yield all pictures of a plan."""
    if plan.moves:
        yield moves_picture(plan.moves, rotor)
    yield from forecast_pictures(plan.readings, plan.track, rotor, plan.after_run)
    if (tradeoff := tradeoff_picture(plan)) is not None:
        yield tradeoff


def moves_picture(moves: Sequence[Move], rotor: Rotor) -> Picture:
    """Return the moves on the rotor in plan view."""
    return rotor_plan(rotor, moves)


def forecast_pictures(
    readings: Sequence[ReadingForecast],
    track: Sequence[TrackForecast],
    rotor: Rotor,
    after_run: str,
) -> Iterable[Block]:
    """Yield readings, sensor by sensor, and track, as read and as predicted."""
    faces = []
    for sensor in rotor.sensors:
        mine = [
            Shift(r.regime, r.before, r.after, r.limit) for r in readings if r.sensor == sensor.name
        ]
        picture = readings_picture(sensor, mine, f"run {after_run}", "predicted")
        if picture is not None:
            faces.append(picture)
    if faces:
        yield Row(tuple(faces))
    if rotor.track_unit is not None:
        heights = [Heights(t.regime, t.heights_before, t.heights_after, t.limit) for t in track]
        shown = track_picture(
            rotor.blades, rotor.track_unit, heights, f"run {after_run}", "predicted"
        )
        if shown is not None:
            yield shown
