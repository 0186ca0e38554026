"""Work on one job that takes longer than a page may, begun where it was not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from adapt.pages import tasks
from adapt.pages.work import Work

if TYPE_CHECKING:
    from adapt.logbook.jobs import Job
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["holding_by_hand", "looking_back", "planning_of"]


def planning_of(shop: Shop, state: State, job: Job, asked: tasks.Asked) -> Work:
    """Return the work of planning a job."""
    return shop.works.begin(
        f"Planning job {job.job}", tasks.plan_job, shop.fleet.place, state.planned_as_of(job),
        job.job, asked,
    )  # fmt: skip


def holding_by_hand(
    shop: Shop, state: State, job: Job, asked: tasks.Asked, moves: Sequence[tuple[str, str, float]]
) -> Work:
    """Return the work of finding out what moves by hand are expected to do."""
    return shop.works.begin(
        f"Moves by hand for job {job.job}", tasks.hold_by_hand, shop.fleet.place,
        state.planned_as_of(job), job.job, asked, tuple(moves), quick=True,
    )  # fmt: skip


def looking_back(shop: Shop, state: State, job: Job) -> Work:
    """Return the work of looking back on a job."""
    return shop.works.begin(
        f"Looking back on job {job.job}", tasks.look_back_on, shop.fleet.place, state.change,
        job.job,
    )  # fmt: skip
