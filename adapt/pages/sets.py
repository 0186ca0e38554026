"""Pages for the specialist: published sets; publishing what the logbook teaches, withdrawing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Flask, redirect, render_template, request, url_for

from adapt.logbook.publishing import LONGEST_LABEL, require_new_label
from adapt.logbook.sets import coefficients_of, corrected_since, withdraw
from adapt.pages import tasks
from adapt.pages.designs import design_asked_for
from adapt.pages.work import QUICK_S
from adapt.problems import AdaptError, BadInput, shown
from adapt.reports.layout import Block, Line
from adapt.reports.logbook.sets import set_report
from adapt.reports.wording import count

if TYPE_CHECKING:
    from adapt.logbook.sets import PublishedSet
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State
    from adapt.rotor import Rotor

__all__ = ["routes"]

MOST_PAIRS = 5_000  # that a page lists


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/rotors/sets")
    def published_sets() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            return render_template("no_design.html", state=state, title="Published sets")
        work, done, why_not = shop.works.find(request.args.get("work", "")), "", []
        if work is not None and work.wait(QUICK_S):
            try:
                done = str(work.result())
            except AdaptError as error:
                why_not = str(error).splitlines()
            work = None
        return render_template(
            "sets.html", state=state, rotor=rotor, rotors=state.rotors(),
            sets=state.sets(rotor)[::-1], in_use=state.set_in_use(rotor), work=work, done=done,
            why_not=why_not, longest=LONGEST_LABEL,
        )  # fmt: skip

    @app.get("/rotors/set")
    def published_set() -> Any:
        state = shop.fleet.state()
        rotor, found = _asked_for(state)
        with state.book.reading() as connection:
            stored = coefficients_of(state.book, connection, found)
            jobs = {job for job, _ in stored.taught}
            corrected = corrected_since(connection, found, jobs, state.change)
        report: list[Block] = set_report(found, stored, MOST_PAIRS)[1:]
        if corrected:
            told = f"Entries of {count(len(corrected), 'job')} that taught it were corrected since:"
            report = [Line(f"{told} {', '.join(corrected)}.", "bad"), *report]
        return render_template(
            "set.html", state=state, rotor=rotor, rotors=state.rotors(), set=found, report=report
        )

    @app.post("/rotors/publish")
    def publish() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            raise BadInput("design: found none; expected one whose rotor file is kept")
        label = request.form.get("label", "").strip()
        require_new_label(shop.fleet.to_write(), label)
        work = shop.works.begin(
            f"Learning and publishing the set {label}", tasks.publish_set, shop.fleet.place,
            state.change, rotor.name, label, shop.by(), request.form.get("note", "").strip(),
            bool(request.form.get("robust")),
        )  # fmt: skip
        return redirect(url_for("published_sets", design=rotor.name, work=work.name))

    @app.post("/rotors/withdraw")
    def withdraw_set() -> Any:
        state = shop.fleet.state()
        rotor, found = _asked_for(state)
        why = request.form.get("why", "").strip()
        withdraw(shop.fleet.to_write(), found.label, shop.by(), why)
        return redirect(url_for("published_sets", design=rotor.name))


def _asked_for(state: State) -> tuple[Rotor, PublishedSet]:
    """Return the set that the request names. Raises BadInput where there is none."""
    rotor = design_asked_for(state)
    label = request.values.get("set", "")
    sets = [] if rotor is None else state.sets(rotor)
    found = next((one for one in sets if one.label == label), None)
    if rotor is None or found is None:
        raise BadInput(f"set: found {shown(label)}; expected a published set of the design")
    return rotor, found
