"""Pages on which a technician enters what was read, moved and seen."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from flask import Flask, jsonify, redirect, render_template, request, url_for

from adapt.log_columns import EVENT_KINDS
from adapt.logbook.entering import Entering, enter
from adapt.logbook.state import rows_of_job
from adapt.pages.forms import (
    Filled,
    events_filled,
    fitted_filled,
    moves_filled,
    run_filled,
    shown_of,
)
from adapt.pages.jobs import as_json, job_asked_for
from adapt.planning.job.hardware import fitted_now
from adapt.problems import BadInput
from adapt.reports.cautions import checks_for, what_to_do
from adapt.reports.wording import signed
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.logbook.jobs import Job
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["routes"]

MOST_WAS = 200_000  # characters of what a form showed


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.route("/job/enter", methods=["GET", "POST"])
    def enter_run() -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        run = request.values.get("run", "").strip() or _next_run(found.runs)
        shown = _shown(state, rotor, found, run)
        is_new = run not in found.runs
        if request.method == "GET":
            return _form(state, found, rotor, run, shown, shown, is_new=is_new)
        given, was = dict(request.form.items()), _was()
        filled = run_filled(
            rotor, found.job, found.rotor, found.aircraft, found.design, run, given, was, is_new
        )
        kept = _kept(shop, state, filled, rotor, "a run")
        if as_json():
            return _told(filled, kept)
        if kept is None or kept.refused:
            return _form(state, found, rotor, run, given, was, filled, kept, is_new), 400
        return redirect(url_for("job", job=found.job, kept=kept.change or "0"))

    @app.route("/job/moves", methods=["GET", "POST"])
    def enter_moves() -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        run = request.values.get("run", "").strip() or found.runs[-1]
        if run not in found.runs:
            raise BadInput(f"run: found {run!r}; expected a run of job {found.job}")
        shown = _shown(state, rotor, found, run)
        filled, kept = None, None
        given = shown
        if request.method == "POST":
            given, was = dict(request.form.items()), _was()
            filled = moves_filled(rotor, found.job, run, given, was)
            kept = _kept(shop, state, filled, rotor, "moves made")
            if as_json():
                return _told(filled, kept)
            if kept is not None and not kept.refused:
                return redirect(url_for("job", job=found.job, kept=kept.change or "0"))
        ordered = _ordered(state, found, rotor, run)
        by_field, of_none, theirs = _findings(filled, kept)
        return render_template(
            "moves.html", state=state, job=found, rotor=rotor, run=run, given=given,
            was=shown, wrong=by_field, told=of_none, theirs=theirs, ordered=ordered,
        ), (400 if by_field or of_none or theirs else 200)  # fmt: skip

    @app.route("/job/fitted", methods=["GET", "POST"])
    def enter_fitted() -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        shown = _shown(state, rotor, found, "")
        filled, kept = None, None
        given = shown
        if request.method == "POST":
            given, was = dict(request.form.items()), _was()
            filled = fitted_filled(rotor, found.job, given, was)
            kept = _kept(shop, state, filled, rotor, "what is fitted")
            if as_json():
                return _told(filled, kept)
            if kept is not None and not kept.refused:
                return redirect(url_for("job", job=found.job, kept=kept.change or "0"))
        by_field, of_none, theirs = _findings(filled, kept)
        return render_template(
            "fitted.html", state=state, job=found, rotor=rotor, given=given, was=shown,
            wrong=by_field, told=of_none, theirs=theirs, left=_left(state, rotor, found),
        ), (400 if by_field or of_none or theirs else 200)  # fmt: skip

    @app.route("/job/event", methods=["GET", "POST"])
    def enter_event() -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        run = request.values.get("run", "").strip() or found.runs[-1]
        filled, kept = None, None
        if request.method == "POST":
            filled = events_filled(rotor, found.job, run, request.form)
            kept = _kept(shop, state, filled, rotor, "an event")
            if as_json():
                return _told(filled, kept)
            if kept is not None and not kept.refused:
                return redirect(url_for("job", job=found.job, kept=kept.change or "0"))
        by_field, of_none, theirs = _findings(filled, kept)
        return render_template(
            "event.html", state=state, job=found, rotor=rotor, run=run, given=request.form,
            kinds=EVENT_KINDS, wrong=by_field, told=of_none, theirs=theirs,
        ), (400 if by_field or of_none else 200)  # fmt: skip

    @app.post("/job/look-through")
    def look_through() -> Any:
        """Say what is wrong with a form, and keep nothing."""
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        run = request.form.get("run", "").strip()
        given, was = dict(request.form.items()), _was()
        form = request.form.get("form")
        if form == "moves":
            filled = moves_filled(rotor, found.job, run, given, was)
        elif form == "fitted":
            filled = fitted_filled(rotor, found.job, given, was)
        elif form == "event":
            filled = events_filled(rotor, found.job, run, given)
        else:
            filled = run_filled(
                rotor, found.job, found.rotor, found.aircraft, found.design, run, given, was,
                run not in found.runs,
            )  # fmt: skip
        told, _ = _told(filled, _kept(shop, state, filled, rotor, "", dry=True))
        return told  # asked what is wrong, and answered: no refusal


def _kept(
    shop: Shop, state: State, filled: Filled, rotor: Rotor, note: str, dry: bool = False
) -> Entering | None:
    """Enter what a form says; None where it does not say it in a way that can be entered."""
    if filled.wrong and not dry:
        return None
    return enter(
        shop.fleet.to_write(), filled.rows, shop.by(), note, rotors=list(state.rotors().values()),
        dry=dry,
    )  # fmt: skip


def _findings(
    filled: Filled | None, kept: Entering | None
) -> tuple[dict[str, str], list[str], dict[str, str]]:
    """Return what is wrong by field, what is wrong besides, and what others entered meanwhile."""
    if filled is None:
        return {}, [], {}
    by_field, of_none = filled.placed(kept.wrong if kept is not None else ())
    theirs = {} if kept is None else filled.changed_meanwhile(kept)
    return {**by_field, **filled.wrong}, of_none, theirs


def _told(filled: Filled, kept: Entering | None) -> Any:
    """Return the findings as a script of the page takes them."""
    by_field, of_none, theirs = _findings(filled, kept)
    doubts: dict[str, str] = {}
    if kept is not None:
        doubts, more = filled.placed(kept.doubts)
        doubts = doubts or ({"": "; ".join(more)} if more else {})
    refused = bool(by_field or of_none or theirs)
    return jsonify(
        change=None if kept is None else kept.change, wrong=by_field, told=of_none, theirs=theirs,
        doubts=doubts, kept=not refused,
    ), (400 if refused else 200)  # fmt: skip


def _form(
    state: State, job: Job, rotor: Rotor, run: str, given: Mapping[str, str],
    was: Mapping[str, str], filled: Filled | None = None, kept: Entering | None = None,
    is_new: bool = False,
) -> str:  # fmt: skip
    by_field, of_none, theirs = _findings(filled, kept)
    return render_template(
        "enter.html", state=state, job=job, rotor=rotor, run=run, given=given, was=was,
        wrong=by_field, told=of_none, theirs=theirs, is_new=is_new,
        sensors=[(k, s) for k, s in enumerate(rotor.sensors) if s.combination is None],
    )  # fmt: skip


def _shown(state: State, rotor: Rotor, job: Job, run: str) -> dict[str, str]:
    """Return what the form of a run shows, by field."""
    with state.book.reading() as connection:
        tables = rows_of_job(state.book, connection, state.change, job.job)
    return shown_of(rotor, tables, job.job, run)


def _ordered(state: State, job: Job, rotor: Rotor, run: str) -> dict[str, Any] | None:
    """Return the moves that were ordered after a run, as the page shows them; None where none."""
    order = state.orders(job.job).get(run)
    if order is None:
        return None
    adjusters = {a: k for k, a in enumerate(rotor.adjuster_names)}
    blades = {b: k for k, b in enumerate(rotor.blades)}
    moves = [
        {
            "field": f"m.{adjusters[m.adjuster]}.{blades[m.blade]}",
            "blade": m.blade,
            "adjuster": m.adjuster,
            "amount": signed(m.amount, rotor.adjuster(m.adjuster).step),
            "unit": rotor.adjuster(m.adjuster).unit,
            "words": what_to_do(m, rotor.adjuster(m.adjuster)),
        }
        for m in order.moves
        if m.adjuster in adjusters and m.blade in blades
    ]
    return {"order": order, "moves": moves, "checks": checks_for(order.moves, rotor)}


def _left(state: State, rotor: Rotor, job: Job) -> dict[str, Any] | None:
    """Return what the rotor's job before left fitted, by field; None where it is not known."""
    earlier = [
        j
        for j in state.jobs().values()
        if j.rotor == job.rotor and j.job != job.job and j.started < job.started
    ]
    if not earlier:
        return None
    last = max(earlier, key=lambda j: j.started)
    history = state.history(rotor, job.rotor)
    if last.job in history.set_aside:
        return None
    fitted = fitted_now(rotor, history, last.job)
    amounts = {
        f"f.{a}.{b}": f"{float(fitted.amounts[b, a]):g}"
        for a in range(len(rotor.adjusters))
        for b in range(len(rotor.blades))
        if fitted.known[b, a]
    }
    return {"job": last.job, "amounts": amounts} if amounts else None


def _was() -> dict[str, str]:
    """Return what the form showed when it was filled in."""
    text = request.form.get("was", "{}")
    try:
        read = json.loads(text) if len(text) <= MOST_WAS else None
    except ValueError:
        read = None
    if not isinstance(read, dict) or not all(isinstance(v, str) for v in read.values()):
        raise BadInput("the form came without what it showed: load the page again")
    return read


def _next_run(runs: tuple[str, ...]) -> str:
    """Return a name for a run after these: 3 after 1 and 2.

    >>> _next_run(("1", "2")), _next_run(("001",)), _next_run(("a",))
    ('3', '002', '2')
    """
    last = runs[-1] if runs else "0"
    if last.isdecimal() and len(last) < 10:
        return str(int(last) + 1).zfill(len(last))
    return str(len(runs) + 1)
