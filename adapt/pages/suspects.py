"""Pages for the specialist: entries that are probably wrong, and what is decided about them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from flask import Flask, render_template, request, url_for

from adapt.learning.suspects.slipped import slips
from adapt.log import deciding
from adapt.log.reviewing_book import record_in_book, take_back_in_book
from adapt.logbook.state import log_at
from adapt.pages.designs import design_asked_for, learning_of, waiting
from adapt.pages.fleet import State
from adapt.pages.work import QUICK_S
from adapt.problems import AdaptError, BadInput, CannotBeMet, shown
from adapt.reports.layout import Block, Commands, Heading
from adapt.reports.log.reviewed import (
    decisions_table,
    recorded_report,
    right_in_words,
    taken_back_report,
)
from adapt.reports.log.suspects import slip_in_words, would_change
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop

__all__ = ["routes"]

MOST_EXPLANATIONS = 8
LEARNED_S = 20.0  # that a decision waits for the suspects that it is about


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/rotors/suspects")
    def suspects() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            return render_template("no_design.html", state=state, title="Suspect entries")
        work = learning_of(shop, state.change, rotor)
        if not work.wait(QUICK_S):
            return waiting(state, work, url_for("rotors", design=rotor.name, learn="no"))
        try:
            learned = work.result()
            history = state.history(rotor)
        except AdaptError as error:
            return render_template(
                "suspects.html", state=state, rotor=rotor, rotors=state.rotors(), listed=[],
                why_not=str(error).splitlines(), agreed=[], made=[], reviews=[],
            )  # fmt: skip
        agreed = [slip_in_words(slip) for slip in slips(rotor, learned, history)]
        reviews = history.reviews
        return render_template(
            "suspects.html", state=state, rotor=rotor, rotors=state.rotors(), why_not=[],
            listed=[_listed(s, rotor, state) for s in learned.suspects], agreed=agreed,
            made=[decisions_table(reviews, history, rotor)] if len(reviews) else [],
            reviews=list(dict.fromkeys(zip(reviews["job"], reviews["run"], strict=True))),
        )  # fmt: skip

    @app.post("/rotors/decide")
    def decide() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            raise BadInput("design: found none; expected one whose rotor file is kept")
        seen = _seen(state)
        work = learning_of(shop, seen.change, rotor)
        if not work.wait(LEARNED_S):
            raise CannotBeMet(
                "the suspect entries that were shown are being looked for again: nothing was "
                "written. Open the page of suspect entries again in a moment"
            )
        job, run = request.form.get("job", ""), request.form.get("run", "")
        serial = seen.job(job).rotor
        history = seen.history(rotor)
        suspect = deciding.suspect_at(work.result().suspects, history, job, run)
        decision = _decision(seen, rotor, history, suspect, serial)
        by, note = shop.by(), request.form.get("note", "").strip()
        number, after = record_in_book(
            rotor, shop.fleet.place, history, decision, datetime.now().astimezone(), by, note
        )
        report: list[Block] = [
            block
            for block in recorded_report(number, rotor, history, after, "")
            if not isinstance(block, Commands)
            and not (isinstance(block, Heading) and block.text == "To take it back")
        ]
        return _done(shop, rotor, report)

    @app.post("/rotors/take-back")
    def take_back() -> Any:
        rotor = design_asked_for(shop.fleet.state())
        if rotor is None:
            raise BadInput("design: found none; expected one whose rotor file is kept")
        job, run = request.form.get("job", ""), request.form.get("run", "")
        row = take_back_in_book(shop.fleet.place, job, run, shop.by())
        return _done(shop, rotor, taken_back_report(row))


def _done(shop: Shop, rotor: Rotor, report: list[Block]) -> str:
    """Return the page that says what was written down."""
    state = shop.fleet.state()
    return render_template(
        "decided.html", state=state, rotor=rotor, rotors={}, report=report,
    )  # fmt: skip


def _seen(state: State) -> State:
    """Return the state that the form was filled in by. Raises BadInput where it names none."""
    text = request.form.get("change", "")
    if not (text.isdecimal() and len(text) < 19 and 0 < int(text) <= state.change):
        raise BadInput(f"change: found {shown(text)}; expected the state that the page was made of")
    change = int(text)
    return state if change == state.change else State(state.book, change, "")


def _decision(
    seen: State, rotor: Rotor, history: Any, suspect: Mapping[str, Any], serial: str
) -> deciding.Decision:
    """Return what the form says of a suspect. Raises BadInput and CannotBeMet as `deciding`."""
    way, _, which = request.form.get("decision", "").partition(" ")
    if way == "keep" and not which:
        return deciding.keep(suspect)
    if way == "exclude" and not which:
        return deciding.exclude(rotor, _log(seen, serial), history, suspect)
    if way in ("accept", "leave") and which.isdecimal() and len(which) < 4:
        if way == "leave":
            return deciding.exclude(rotor, _log(seen, serial), history, suspect, int(which))
        amount = _amount(request.form.get(f"amount {which}", ""))
        return deciding.accept(rotor, _log(seen, serial), history, suspect, int(which), amount)
    raise BadInput(
        "decision: found none of those offered; expected one of them to be chosen: an explanation "
        "that is true, nothing learned from the entry, or the entry right as it is"
    )


def _amount(text: str) -> float | None:
    text = text.strip().replace(",", ".").replace("\u2212", "-")
    if not text:
        return None
    try:
        amount = float(text) if len(text) < 20 else math.nan
    except ValueError:
        amount = math.nan
    if not math.isfinite(amount):
        raise BadInput(f"size of the move: found {shown(text)}; expected an amount such as -40")
    return amount


def _log(seen: State, serial: str) -> Any:
    with seen.book.reading() as connection:
        return log_at(seen.book, connection, seen.change, [serial])


def _listed(suspect: Mapping[str, Any], rotor: Rotor, state: State) -> dict[str, Any]:
    """Return a suspect as the page shows it."""
    told = suspect["explanations"][:MOST_EXPLANATIONS]
    first = next(iter(told[0]["entries"]), None)
    of_reading = first is not None and first["table"] == "readings"
    job = state.jobs().get(str(suspect["job"]))
    return {
        "job": suspect["job"],
        "run": suspect["run"],
        "rotor": "" if job is None else job.rotor,
        "place": f"readings of run {suspect['run']}"
        if of_reading
        else f"moves from run {suspect['after_run']} to run {suspect['run']}",
        "as_entered": 1.0 - float(suspect["probability"]),
        "would_change": would_change(suspect),
        "more": len(suspect["explanations"]) - len(told),
        "told": [
            {
                "number": n,
                "text": one["text"],
                "right": right_in_words(one, rotor, "give the size beside it"),
                "probability": float(one["probability"]),
                "why_not": deciding.why_not(one),
                "size": any(entry.get("amount", 0.0) is None for entry in one["entries"]),
                "readings": bool(one["entries"])
                and all(entry["table"] == "readings" for entry in one["entries"]),
            }
            for n, one in enumerate(told, start=1)
        ],
    }
