"""Pages for who plans: tonight's fix, what it brings, and what if."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from flask import Flask, jsonify, redirect, render_template, request, url_for

from adapt.logbook.ordering import order, take_back
from adapt.pages import tasks
from adapt.pages.jobs import job_asked_for
from adapt.pages.work import QUICK_S
from adapt.pages.work_on_jobs import holding_by_hand, planning_of
from adapt.planning.asked import AIMS
from adapt.planning.plan import ByHand, Move
from adapt.problems import AdaptError, BadInput, CannotBeMet
from adapt.reports.cautions import what_to_do
from adapt.reports.html import as_fragment
from adapt.reports.layout import Block, Heading, Line
from adapt.reports.pictures.tradeoff import tradeoff_picture
from adapt.reports.planning.pictured import forecast_pictures, moves_picture
from adapt.reports.planning.planned import (
    checks,
    forecast_table,
    headline,
    moves,
    readings_table,
    tradeoff,
)
from adapt.reports.planning.planned_beside import beside, held_beside, opening, poor_chance
from adapt.reports.wording import number, percent, signed
from adapt.rotor import Rotor

if TYPE_CHECKING:
    from adapt.pages.application import Shop

__all__ = ["routes"]

HAND_S = 1.5


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/job/plan")
    def plan() -> Any:
        state = shop.fleet.state()
        job = job_asked_for(state)
        rotor = state.rotor_of(job)
        asked = _asked(rotor, request.args)
        work = planning_of(shop, state, job, asked)
        shared = {
            "state": state, "job": job, "rotor": rotor, "asked": asked, "aims": AIMS, "work": work,
            "by_default": asked == tasks.Asked(),
        }  # fmt: skip
        # What learns for moves by hand begins now, so that the first of them need not wait for it.
        holding_by_hand(shop, state, job, asked, ())
        if not work.wait(QUICK_S):
            return render_template("plan.html", planned=None, why_not=None, **shared)
        try:
            planned = work.result()
        except AdaptError as error:
            why = str(error).splitlines()
            return render_template("plan.html", planned=None, why_not=why, **shared)
        found = planned.plan
        ordered = state.orders(job.job).get(found.after_run)
        return render_template(
            "plan.html", planned=planned, plan=found, why_not=None,
            tried=lambda chosen: _fields(rotor, chosen),
            ordered=None if ordered is None or ordered.taken_back else ordered,
            same=ordered is not None and set(ordered.moves) == set(found.moves),
            head=list(headline(found, planned.coefficients_from))[1:],
            moves=list(moves(found, rotor)),
            picture=[moves_picture(found.moves, rotor)] if found.moves else [],
            readings=[readings_table(found, rotor)],
            pictures=[
                *forecast_pictures(found.readings, found.track, rotor, found.after_run),
            ],
            others=list(tradeoff(found, rotor)),
            beside=[*poor_chance(found), *opening(found, rotor), *beside(found, rotor)],
            pictured=[p] if (p := tradeoff_picture(found)) is not None else [],
            checks=list(checks(found, rotor)),
            hand=_fields(rotor, found.moves),
            **shared,
        )  # fmt: skip

    @app.post("/job/order")
    def order_moves() -> Any:
        """Keep the moves of a plan as ordered; the plan is the one that was worked out here."""
        state = shop.fleet.state()
        job = job_asked_for(state)
        work = shop.works.find(request.form.get("work", ""))
        if work is None or not work.done:
            raise CannotBeMet("this plan is not known any more: plan again, and order then")
        planned = work.result()
        if planned.plan.job != job.job:
            raise BadInput("found the plan of another job: plan again, and order then")
        order(
            shop.fleet.to_write(), planned.plan, planned.known, planned.coefficients_from,
            shop.by(), request.form.get("note", "").strip(),
        )  # fmt: skip
        return redirect(url_for("enter_moves", job=job.job))

    @app.post("/job/order/take-back")
    def take_back_order() -> Any:
        state = shop.fleet.state()
        job = job_asked_for(state)
        standing = state.orders(job.job).get(request.form.get("after_run", ""))
        if standing is None or standing.taken_back:
            raise BadInput("there is no order to take back")
        note = request.form.get("note", "").strip()
        take_back(shop.fleet.to_write(), standing, shop.by(), note)
        return redirect(url_for("enter_moves", job=job.job))

    @app.get("/job/what-if")
    def what_if() -> Any:
        """Say what moves by hand are expected to do."""
        state = shop.fleet.state()
        job = job_asked_for(state)
        rotor = state.rotor_of(job)
        chosen, wrong = _by_hand(rotor, request.args)
        if wrong:
            return jsonify(wrong=wrong), 400
        asked = _asked(rotor, request.args)
        work = holding_by_hand(shop, state, job, asked, chosen)
        if not work.wait(HAND_S):
            return jsonify(waiting=work.name), 202
        held = work.result()
        report = _held_report(held.by_hand, rotor, held.after_run)

        def source(picture: Any) -> str:
            return url_for("picture", name=shop.album.put(picture))

        return jsonify(html=str(as_fragment(report, source, 2)))


def _fields(rotor: Rotor, chosen: Sequence[Move]) -> dict[str, str]:
    """Return moves by the fields of the form for moves by hand."""
    return {
        f"m.{rotor.adjuster_names.index(m.adjuster)}.{rotor.blades.index(m.blade)}": signed(
            m.amount, rotor.adjuster(m.adjuster).step
        )
        for m in chosen
    }


def _held_report(held: ByHand, rotor: Rotor, after_run: str) -> list[Block]:
    """Return what moves by hand come to."""
    report: list[Block] = []
    if held.worst_ratio is None:
        report.append(Line("What these moves do is not known everywhere.", tone="bad"))
    else:
        said = "Everything with a limit is predicted inside" if held.inside else "Not all inside"
        joint = held.joint_chance if held.joint_chance is not None else held.chance
        report.append(
            Line(
                f"{said}: worst predicted ratio {number(held.worst_ratio)}; chance that the next "
                f"run is inside every limit {percent(held.chance)} ({percent(joint)} counting what "
                "limits share).",
                tone="good" if held.inside else "bad",
            )
        )
    report += held_beside(held)
    if held.moves:
        report.append(moves_picture(held.moves, rotor))
    report += [Heading("Predicted for the next run"), forecast_table(held, rotor, after_run)]
    report += forecast_pictures(held.readings, held.track, rotor, after_run)
    for move in held.moves:
        adjuster = rotor.adjuster(move.adjuster)
        report.append(Line(f"{move.blade}: {what_to_do(move, adjuster)}", tone="faint"))
    return report


def _asked(rotor: Rotor, given: Mapping[str, str]) -> tasks.Asked:
    """Return the request of a form. Raises BadInput with everything that is wrong with it."""
    wrong: list[str] = []
    aim = given.get("aim", "fewest")
    if aim not in AIMS:
        wrong.append(f"aim: found {aim!r}; expected one of {', '.join(AIMS)}")
    chance = _number("chance", given.get("chance", ""), 90.0, wrong)
    if not 0.0 <= chance < 100.0:
        wrong.append(f"chance: found {chance:g} %; expected from 0 up to, not including, 100")
    most = given.get("most_moves", "").strip()
    if most and not (most.isdecimal() and len(most) < 4):
        wrong.append(f"most moves: found {most!r}; expected a whole number")
    limits = given.get("limits", "").strip() or None
    if limits is not None and limits not in rotor.limit_sets():
        wrong.append(f"limits: found {limits!r}; expected a set of the rotor file")
    blades = tuple(b for k, b in enumerate(rotor.blades) if given.get(f"lock.blade.{k}"))
    adjusters = tuple(a for k, a in enumerate(rotor.adjuster_names) if given.get(f"lock.adj.{k}"))
    if wrong:
        raise BadInput("\n".join(wrong))
    return tasks.Asked(aim, chance / 100.0, int(most) if most else None, limits, blades, adjusters)


def _number(what: str, text: str, otherwise: float, wrong: list[str]) -> float:
    text = text.strip().removesuffix("%").strip().replace(",", ".")
    if not text:
        return otherwise
    try:
        return float(text) if len(text) < 20 else float("nan")
    except ValueError:
        wrong.append(f"{what}: found {text!r}; expected a number")
        return otherwise


def _by_hand(
    rotor: Rotor, given: Mapping[str, str]
) -> tuple[list[tuple[str, str, float]], dict[str, str]]:
    """Return the moves of a form, and by field what is wrong with them."""
    chosen, wrong = [], {}
    for a, adjuster in enumerate(rotor.adjuster_names):
        for b, blade in enumerate(rotor.blades):
            name = f"m.{a}.{b}"
            text = given.get(name, "").strip().replace(",", ".").replace("\u2212", "-")
            if not text:
                continue
            try:
                amount = float(text)
            except ValueError:
                amount = float("nan")
            if not abs(amount) < 1e9:
                wrong[name] = f"found {text!r}; expected an amount such as -40"
            elif amount != 0.0:
                chosen.append((blade, adjuster, amount))
    return chosen, wrong
