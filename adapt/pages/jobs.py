"""Pages of jobs: which are open, how each stands, its report; opening one, closing one."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

from flask import (
    Flask,
    jsonify,
    make_response,
    redirect,
    render_template,
    request,
    send_file,
    url_for,
)

from adapt.logbook.entering import EnteredRow, enter
from adapt.logbook.jobs import set_status
from adapt.logbook.record import changes_of
from adapt.pages import tasks
from adapt.pages.safety import with_styles_in_place
from adapt.pages.work import QUICK_S, Work
from adapt.pages.work_on_jobs import looking_back, planning_of
from adapt.problems import AdaptError, BadInput
from adapt.reports.balancing.order_of_work import kind_of
from adapt.reports.html import as_page, digest_of_styles
from adapt.reports.job.job_report import foot_of, job_report, title_of
from adapt.reports.job.read import moves_made, readings_read, runs_flown, standing, track_read
from adapt.reports.job.values import JobRecord, Status
from adapt.reports.layout import Block

if TYPE_CHECKING:
    from adapt.logbook.jobs import Job
    from adapt.outcomes.one_job import JobOutcome
    from adapt.pages.application import Shop
    from adapt.pages.fleet import State

__all__ = ["as_json", "job_asked_for", "record_of", "routes"]


def routes(app: Flask, shop: Shop) -> None:
    """Add the pages."""

    @app.get("/")
    def open_jobs() -> str:
        state = shop.fleet.state()
        every = request.args.get("all") == "1"
        wanted = request.args.get("find", "").strip().casefold()
        listed = [
            (job, state.standing(job))
            for job in list(state.jobs().values())[::-1]
            if (every or job.state.status == "open")
            and wanted in f"{job.job} {job.rotor} {job.aircraft} {job.design}".casefold()
        ]
        return render_template(
            "jobs.html", state=state, jobs=listed[:200], more=len(listed) - 200, every=every,
            find=request.args.get("find", ""), rotors=state.rotors(),
        )  # fmt: skip

    @app.get("/job")
    def job() -> str:
        state = shop.fleet.state()
        found = job_asked_for(state)
        rotor = state.rotor_of(found)
        record = record_of(state, found.job)
        report: list[Block] = [*standing(record), *readings_read(record), *track_read(record)]
        report += [*moves_made(record), *runs_flown(record)]
        with state.book.reading() as connection:
            lines = changes_of(connection, found.job)
        return render_template(
            "job.html", state=state, job=found, rotor=rotor, report=report, changes=lines[::-1],
            look=kind_of(rotor).look, runs=record.run_names,
        )  # fmt: skip

    @app.route("/jobs/new", methods=["GET", "POST"])
    def new_job() -> Any:
        state = shop.fleet.state()
        known = {j.rotor: j for j in state.jobs().values()}
        given = {k: request.form.get(k, "").strip() for k in _NEW}
        wrong: dict[str, str] = {}
        if request.method == "POST":
            design = given["design"]
            if design not in state.rotors():
                wrong["design"] = "choose one of the designs whose rotor files are kept"
            wrong |= {
                k: "found nothing; expected a name" for k in ("job", "rotor", "run") if not given[k]
            }
            if given["job"] in state.jobs():
                wrong["job"] = "found a job of the logbook; expected a name that is new"
            if not wrong:
                row = EnteredRow(
                    "runs",
                    {"job": given["job"], "run": given["run"]},
                    {k: given[k] for k in ("rotor", "design", "aircraft", "started")},
                )
                rotors = [state.rotors()[design]]
                made = enter(shop.fleet.to_write(), [row], shop.by(), "a new job", rotors=rotors)
                if not made.refused:
                    next_page = url_for("enter_run", job=given["job"], run=given["run"])
                    return jsonify(next=next_page) if as_json() else redirect(next_page)
                wrong = {p.column or "job": f"found {p.found}; expected {p.expected}"
                         for p in made.wrong}  # fmt: skip
                if made.meanwhile:
                    wrong["job"] = "somebody else has opened this job meanwhile"
            if as_json():
                return jsonify(wrong=wrong, told=[], theirs={}, kept=False), 400
        else:
            given = _shown_at_first(state)
        return render_template(
            "new_job.html", state=state, given=given, wrong=wrong, rotors=state.rotors(),
            serials=sorted(known), was=_shown_at_first(state),
            aircraft={serial: j.aircraft for serial, j in known.items()},
        ), (400 if wrong else 200)  # fmt: skip

    @app.post("/job/status")
    def job_status() -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        set_status(
            shop.fleet.to_write(), found.job, request.form.get("status", ""), shop.by(),
            closing_run=request.form.get("closing_run", ""),
            released_by=request.form.get("released_by", "").strip(),
            note=request.form.get("note", "").strip(),
        )  # fmt: skip
        return redirect(url_for("job", job=found.job))

    @app.get("/job/report.<kind>")
    def report(kind: str) -> Any:
        state = shop.fleet.state()
        found = job_asked_for(state)
        if kind not in ("html", "pdf"):
            raise BadInput("report: found another kind; expected html or pdf")
        looked = looking_back(shop, state, found)
        planned = planning_of(shop, state, found, tasks.Asked())
        for work in (looked, planned):
            if not work.wait(QUICK_S):
                return render_template("waiting.html", state=state, job=found, work=work), 202
        record = record_of(state, found.job, looked.result(), planned)
        if kind == "html":
            page = make_response(as_page(job_report(record), title_of(record)))
            return with_styles_in_place(page, digest_of_styles())
        from adapt.reports.typeset import as_pdf

        paper = as_pdf(job_report(record), title_of(record), foot_of(record))
        name = f"job {found.job}.pdf"
        return send_file(BytesIO(paper), "application/pdf", download_name=name)


_NEW = ("job", "rotor", "design", "aircraft", "run", "started")


def _shown_at_first(state: State) -> dict[str, str]:
    """Return what the form of a new job shows before anything is typed."""
    shown = dict.fromkeys(_NEW, "") | {"job": _next_name(list(state.jobs())), "run": "1"}
    return shown | ({"design": next(iter(state.rotors()))} if len(state.rotors()) == 1 else {})


def as_json() -> bool:
    """Return whether a script of the page asks, not the browser itself."""
    return request.accept_mimetypes.best == "application/json"


def job_asked_for(state: State) -> Job:
    """Return the job that the request names. Raises BadInput where there is none."""
    return state.job(request.values.get("job", ""))


def record_of(
    state: State, job: str, outcome: JobOutcome | None = None, planned: Work | None = None
) -> JobRecord:
    """Return a job as reports take it; planned: the work of planning it, where there was any."""
    found = state.job(job)
    rotor = state.rotor_of(found)
    plan, origin, concerns, why_not = None, "", (), ""
    if found.state.status != "open":
        why_not = f"None: the job is {found.state.status}."
    elif planned is not None:
        try:
            made = planned.result()
            plan, origin, concerns = made.plan, made.coefficients_from, made.concerns
        except AdaptError as error:
            why_not = f"None can be given: {error}."
    told = found.state
    return JobRecord(
        rotor=rotor,
        history=state.history(rotor, found.rotor),
        job=job,
        outcome=outcome,
        plan=plan,
        why_no_plan=why_not,
        coefficients_from=origin,
        status=Status(told.status, told.closing_run, told.released_by, told.note),
        data=state.words,
        concerns=concerns,
        ordered=state.orders(job),
    )


def _next_name(names: list[str]) -> str:
    """Return a name that goes on from the last: J-059 after J-058; "" where none does.

    >>> _next_name(["J-9", "J-10"]), _next_name(["spring"]), _next_name([])
    ('J-11', '', '')
    """
    best: tuple[int, str, int] | None = None
    for name in names:
        head = name.rstrip("0123456789")
        digits = name[len(head) :]
        if digits and len(digits) < 10 and (best is None or int(digits) >= best[0]):
            best = (int(digits), head, len(digits))
    return "" if best is None else f"{best[1]}{best[0] + 1:0{best[2]}d}"
