"""Pages for the specialist: a design and its rotors, their coefficients beside chart and type."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import Flask, render_template, request, url_for

from adapt.coefficients import Coefficients
from adapt.logbook.sets import coefficients_of
from adapt.pages.designs import (
    design_asked_for,
    learning_of,
    learning_words,
    serials_of,
    waiting,
)
from adapt.pages.work import QUICK_S
from adapt.problems import AdaptError, BadInput, shown
from adapt.reports.layout import Block, Bullets, Heading, Line, Row
from adapt.reports.learning.frames import frames_blocks
from adapt.reports.learning.health import health_report
from adapt.reports.learning.of_rotors import rotor_tables, rotors_lines
from adapt.reports.learning.of_type import chart_in_short, type_tables
from adapt.reports.learning.teaching import teaching_blocks
from adapt.reports.pictures.coefficients import coefficient_pictures
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["routes"]


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/rotors")
    def rotors() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            return render_template("no_design.html", state=state, title="Rotors")
        work, learned, why_not = None, None, ""
        if request.args.get("learn") != "no":
            work = learning_of(shop, state.change, rotor)
            if work.wait(QUICK_S):
                learned, why_not = _result(work)
        return render_template(
            "rotors.html", state=state, rotor=rotor, rotors=state.rotors(),
            serials=serials_of(state, rotor), in_use=state.set_in_use(rotor),
            chart=state.chart_of(rotor), work=work, learned=learned, why_not=why_not,
            words="" if learned is None else learning_words(learned),
            report=[] if learned is None else _concerning(learned, rotor),
        )  # fmt: skip

    @app.get("/rotors/coefficients")
    def coefficients() -> Any:
        state = shop.fleet.state()
        rotor = design_asked_for(state)
        if rotor is None:
            return render_template("no_design.html", state=state, title="Coefficients")
        serials = serials_of(state, rotor)
        serial = request.args.get("rotor", "")
        if serial and serial not in serials:
            raise BadInput(
                f"rotor: found {shown(serial)}; expected the serial of a rotor with jobs of this "
                "design"
            )
        label, why_not = request.args.get("set", ""), ""
        learned: Coefficients | None
        if label:
            learned, words = _of_set(state, rotor, label)
        else:
            work = learning_of(shop, state.change, rotor)
            if not work.wait(QUICK_S):
                back = url_for("rotors", design=rotor.name, learn="no")
                return waiting(state, work, back)
            learned, why_not = _result(work)
            words = "" if learned is None else learning_words(learned)
        known = learned is not None and (not serial or serial in learned.rotors)
        return render_template(
            "coefficients.html", state=state, rotor=rotor, rotors=state.rotors(),
            serials=list(serials), serial=serial, label=label, words=words, why_not=why_not,
            sets=state.sets(rotor), known=known,
            short=_in_short(learned, rotor, serial) if learned is not None else [],
            pictures=_pictures(learned, rotor, serial) if learned is not None else [],
            tables=_tables(learned, rotor, serial) if learned is not None and known else [],
            alone=learned is not None and len(learned.rotors) < 2,
        )  # fmt: skip


def _result(work: Any) -> tuple[Coefficients | None, str]:
    """Return what was learned, or why nothing was, in words."""
    try:
        return work.result(), ""
    except AdaptError as error:
        return None, str(error)


def _of_set(state: State, rotor: Rotor, label: str) -> tuple[Coefficients, str]:
    """Return a published set, and what it is in words. Raises BadInput where there is none."""
    found = next((s for s in state.sets(rotor) if s.label == label), None)
    if found is None:
        raise BadInput(f"set: found {shown(label)}; expected a published set of {rotor.name}")
    with state.book.reading() as connection:
        stored = coefficients_of(state.book, connection, found, rotor)
    gone = "" if found.withdrawn is None else f" It is WITHDRAWN: {found.withdrawn.why}"
    words = f"The set {found.label}, published {found.recorded[:10]} by {found.who}. "
    return stored, f"{words}{learning_words(stored)}{gone}"


def _concerning(learned: Coefficients, rotor: Rotor) -> list[Block]:
    """Return what a specialist looks at first: health, rotors unlike the type, moved references."""
    report: list[Block] = [*health_report(learned)]
    if not learned.health and learned.rotors:
        report += [
            Heading("Inspect before balancing"),
            Line("No rotor answers otherwise than before by more than chance explains."),
        ]
    report += [*rotors_lines(learned, rotor), *frames_blocks(learned)]
    if learned.notes:
        report += [Heading("Notes"), Bullets(learned.notes)]
    return report


def _in_short(learned: Coefficients, rotor: Rotor, serial: str) -> list[Block]:
    if serial:
        return list(rotors_lines(learned, rotor, only=(serial,)))
    if learned.chart is None:
        return []
    return [
        Heading("The type against the chart, over all regimes"),
        chart_in_short(learned, rotor),
        Line("± one standard deviation. 1.00 and +0: the chart is right."),
    ]


def _pictures(learned: Coefficients, rotor: Rotor, serial: str) -> list[Block]:
    """Return a row of faces for each adjuster."""
    report: list[Block] = []
    for name in rotor.adjuster_names:
        faces = coefficient_pictures(learned, rotor, serial or None, name)
        if faces:
            report += [Heading(f"{name[:1].upper()}{name[1:]} on the clock", 3), Row(tuple(faces))]
    return report


def _tables(learned: Coefficients, rotor: Rotor, serial: str) -> list[Block]:
    """Return the tables by adjuster, sensor and regime, and what would teach most."""
    found = rotor_tables(learned, rotor, serial) if serial else type_tables(learned, rotor)
    report = [Heading(b.text, 3) if isinstance(b, Heading) else b for b in found]
    return [*report, *teaching_blocks(learned, rotor, serial or None)]
