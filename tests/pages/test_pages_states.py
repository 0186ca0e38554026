"""States of a logbook: what is read of one is of that one, and is kept while it holds."""

from __future__ import annotations

import numpy as np
import pytest
from flask.testing import FlaskClient
from page_texts import said
from waited import waited

from adapt.logbook.entering import EnteredRow, enter
from adapt.logbook.importing.taking_in import take_in
from adapt.logbook.jobs import jobs_of
from adapt.logbook.publishing import publish
from adapt.pages.application import Shop
from adapt.tables import Column, Table


@pytest.fixture
def published(shop: Shop) -> Shop:
    publish(shop.fleet.to_write(), "2026-11", "tester", design="tail rotor")
    return shop


def a_run(shop: Shop, job: str) -> None:
    """Enter a run without readings into a job."""
    found = shop.fleet.state().job(job)
    row = EnteredRow(
        "runs", {"job": job, "run": "77"},
        {"rotor": found.rotor, "design": found.design, "started": "2026-11-26T10:00"},
    )  # fmt: skip
    assert enter(shop.fleet.to_write(), [row], "tester").change is not None


def test_jobs_are_those_of_their_state(shop: Shop) -> None:
    before = shop.fleet.state()
    a_run(shop, "J-057")
    # Read now, of the state before.
    assert "77" not in before.job("J-057").runs
    assert "77" in shop.fleet.state().job("J-057").runs
    assert [j.runs for j in jobs_of(before.book, change=before.change)] == [
        j.runs for j in before.jobs().values()
    ]


def test_with_a_set_another_rotors_runs_make_no_new_plan(published: Shop) -> None:
    state = published.fleet.state()
    mine, other = state.job("J-057"), state.job("J-055")
    assert mine.rotor != other.rotor
    assert state.planned_as_of(mine) == state.change
    a_run(published, "J-055")
    later = published.fleet.state()
    assert later.planned_as_of(mine) == state.change
    assert later.planned_as_of(later.job("J-055")) == later.change
    a_run(published, "J-057")
    assert published.fleet.state().planned_as_of(mine) == later.change + 1


def test_what_is_learned_from_all_is_learned_anew_with_each_change(shop: Shop) -> None:
    job = shop.fleet.state().job("J-057")
    a_run(shop, "J-055")
    assert shop.fleet.state().planned_as_of(job) == shop.fleet.state().change


def test_a_new_set_is_planned_with_from_then_on(published: Shop) -> None:
    state = published.fleet.state()
    publish(published.fleet.to_write(), "2026-12", "tester", design="tail rotor")
    later = published.fleet.state()
    in_use = later.set_in_use(later.rotors()["tail rotor"])
    assert in_use is not None
    assert in_use.label == "2026-12"
    assert later.planned_as_of(later.job("J-057")) == later.change
    before = state.set_in_use(state.rotors()["tail rotor"])
    assert before is not None
    assert before.label == "2026-11"


def test_rotor_files_are_read_once_while_none_is_kept(published: Shop) -> None:
    state = published.fleet.state()
    rotor = state.rotors()["tail rotor"]
    a_run(published, "J-055")
    later = published.fleet.state()
    assert later.rotors()["tail rotor"] is rotor


def test_a_review_elsewhere_since_a_set_was_published_is_told_and_no_plan_made(
    published: Shop, client: FlaskClient
) -> None:
    """As the command does: what taught the set is not what the log says any more."""
    plan = waited(client, "/job/plan?job=J-057")
    assert "the published set 2026-11" in said(plan)
    state = published.fleet.state()
    rotor = state.rotors()["tail rotor"]
    history = state.history(rotor)
    moved = history.moves[history.moves["job"] != "J-057"]
    moved = moved[moved["job"].map(lambda j: state.job(j).rotor != state.job("J-057").rotor)]
    job, after = str(moved["job"].iloc[0]), str(moved["after_run"].iloc[0])
    run = state.job(job).runs[state.job(job).runs.index(after) + 1]
    cells = {
        "review": "1", "job": job, "table": "moves", "after_run": after, "run": run,
        "decision": "exclude", "by": "tester", "decided": "2026-11-26T10:00:00+00:00",
    }  # fmt: skip
    row = Table(
        "reviews", {c: Column(c, np.zeros(1, dtype=np.intp), (t,)) for c, t in cells.items()},
        np.array([2]),
    )  # fmt: skip
    writing = published.fleet.to_write()
    taken = take_in(writing, [("reviews", row)], "elsewhere", "tester", rotors=[rotor])
    assert taken.change is not None, taken
    text = said(waited(client, "/job/plan?job=J-057"))
    assert "The plan" not in text
    assert "review" in text
