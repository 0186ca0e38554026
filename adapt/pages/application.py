"""The application: which page answers which address, and what all pages share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal
from urllib.parse import quote, unquote

from flask import (
    Flask,
    Response,
    abort,
    g,
    jsonify,
    redirect,
    render_template,
    request,
    session,
    url_for,
)
from markupsafe import Markup
from werkzeug.exceptions import HTTPException

import adapt
from adapt.pages import (
    entry,
    jobs,
    over_time,
    planning,
    predictions,
    rotors,
    sets,
    suspects,
)
from adapt.pages.album import Album
from adapt.pages.fleet import Fleet
from adapt.pages.safety import guard
from adapt.pages.users import Users
from adapt.pages.work import Works
from adapt.problems import AdaptError, BadInput, CannotBeMet
from adapt.reports import cautions
from adapt.reports.html import as_fragment, sheet_of_styles
from adapt.reports.layout import Block
from adapt.reports.wording import (
    Written,
    date_and_time,
    number,
    percent,
    printable,
    written_as,
)

__all__ = ["Shop", "make_app"]

_WRITING = ("decimal", "dates")
_YEAR_S = 365 * 24 * 3600

_NAME = "adapt-name"  # the cookie of who enters, where nobody logs in


@dataclass(eq=False)
class Shop:
    """What the pages work with. who: whose changes they are where nobody logs in."""

    fleet: Fleet
    who: str
    works: Works = field(default_factory=Works)
    album: Album = field(default_factory=Album)

    def by(self) -> str:
        """Return whose change it is: of who is logged in, or of the name given on the page."""
        return str(g.get("who") or _name_given() or self.who)


def make_app(shop: Shop, hosts: tuple[str, ...], users: Users | None = None) -> Flask:
    """Return the application over a logbook.

    hosts: names and addresses under which it is reached. users: who may log in, None where
    everybody who reaches it may ask.
    """
    app = Flask(__name__)
    app.json.sort_keys = False  # type: ignore[attr-defined]
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    guard(app, hosts, users)
    _shared(app, shop, users)
    for part in (jobs, entry, planning, rotors, over_time, suspects, sets, predictions):
        part.routes(app, shop)
    return app


def _shared(app: Flask, shop: Shop, users: Users | None) -> None:
    def blocks(report: Sequence[Block], top: int = 2) -> Markup:
        return as_fragment(report, lambda p: url_for("picture", name=shop.album.put(p)), top)

    app.jinja_env.globals.update(blocks=blocks, cautions=cautions.SHORT, version=adapt.__version__)
    app.jinja_env.filters.update(number=number, percent=percent, moment=date_and_time)

    @app.before_request
    def as_the_reader_writes() -> None:
        g.writing = written_as(_how_written())
        g.writing.__enter__()

    @app.teardown_request
    def as_anybody_writes(error: BaseException | None) -> None:
        if (writing := g.pop("writing", None)) is not None:
            writing.__exit__(None, None, None)

    @app.route("/settings", methods=["GET", "POST"])
    def settings() -> Any:
        if request.method == "POST":
            answer = redirect(url_for("settings"))
            for name in _WRITING:
                given = request.form.get(name, "")[:10]
                answer.set_cookie(
                    f"adapt-{name}", quote(given), max_age=_YEAR_S, httponly=True, samesite="Strict"
                )
            return answer
        return render_template("settings.html", how=_how_written())

    @app.context_processor
    def known() -> dict[str, Any]:
        return {"book": shop.fleet.shown, "who": shop.by(), "users": users is not None}

    @app.get("/picture/<name>.svg")
    def picture(name: str) -> Response:
        drawn = shop.album.drawn(name)
        if drawn is None:
            abort(404, "this picture is not known any more: load its page again")
        answer = Response(drawn, mimetype="image/svg+xml")
        answer.headers["Cache-Control"] = "private, max-age=86400, immutable"
        return answer

    @app.get("/report.css")
    def styles() -> Response:
        answer = Response(sheet_of_styles(), mimetype="text/css")
        answer.headers["Cache-Control"] = "private, max-age=3600"
        return answer

    @app.get("/favicon.ico")
    def icon() -> Response:
        return app.send_static_file("icon.svg")

    @app.get("/work")
    def work() -> Response:
        found = shop.works.find(request.args.get("name", ""))
        if found is None:
            abort(404, "this work is not known any more: ask for it again")
        seconds = round(found.seconds, 1)
        return jsonify(done=found.done, what=found.what, seconds=seconds, far=found.far)

    @app.post("/work/give-up")
    def give_up() -> Any:
        shop.works.give_up(request.form.get("name", ""))
        if request.accept_mimetypes.best == "application/json":
            return jsonify(done=True)
        return redirect(_own(request.form.get("back", "")))

    @app.route("/login", methods=["GET", "POST"])
    def login() -> Any:
        then = _own(request.values.get("then", ""))
        if users is None:
            return redirect("/")
        wrong = False
        if request.method == "POST":
            name = request.form.get("name", "")
            if users.waits(name):
                abort(429, "too many wrong passwords for this name: wait a minute, then try again")
            if users.right(name, request.form.get("password", "")):
                session.clear()
                session["who"] = name
                return redirect(then)
            wrong = True
        return render_template("login.html", then=then, wrong=wrong), 403 if wrong else 200

    @app.post("/logout")
    def logout() -> Any:
        session.clear()
        return redirect("/")

    @app.post("/name")
    def name() -> Any:
        given = " ".join(printable(request.form.get("name", "")).split())[:100]
        answer = redirect(_own(request.form.get("back", "")))
        # Not in the session, whose key is new with each start of the server: what was typed while
        # it was down is sent later, and under the same name.
        answer.set_cookie(_NAME, quote(given), httponly=True, samesite="Strict")
        return answer

    @app.errorhandler(AdaptError)
    def told(error: AdaptError) -> tuple[Any, int]:
        status = (
            400 if isinstance(error, BadInput) else 409 if isinstance(error, CannotBeMet) else 500
        )
        return _refused(str(error).splitlines(), status)

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> tuple[Any, int]:
        status = error.code or 500
        words = {
            404: "There is no such page.",
            405: "That cannot be done with this page.",
            413: "What was sent is larger than any run: nothing of it was kept.",
            500: "Something went wrong in this program: nothing was changed.",
        }
        own = error.description if status in (401, 403, 421, 429) or status not in words else None
        return _refused([own or words[status]], status)


def _own(address: str) -> str:
    """Return an address where it is a page of this program, and the first page where it is not.

    >>> _own("/job?job=J-1"), _own("//evil.example"), _own("https://evil.example")
    ('/job?job=J-1', '/', '/')
    """
    ours = address.startswith("/") and not address.startswith(("//", "/\\"))
    return address if ours else "/"


def _how_written() -> Written:
    """Return how whoever asks writes decimals and dates."""
    decimal, dates = (unquote(request.cookies.get(f"adapt-{name}", "")) for name in _WRITING)
    first: dict[str, Literal["day", "month"]] = {"day": "day", "month": "month"}
    return Written("," if decimal == "," else ".", first.get(dates, "year"))


def _name_given() -> str:
    return " ".join(printable(unquote(request.cookies.get(_NAME, ""))).split())[:100]


def _refused(lines: list[str], status: int) -> tuple[Any, int]:
    """Return what went wrong, as the browser asked for it."""
    if request.accept_mimetypes.best == "application/json":
        return jsonify(wrong=lines), status
    return render_template("wrong.html", lines=lines), status
