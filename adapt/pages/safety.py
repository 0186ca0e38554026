"""Who may ask what of pages: hosts, origins, logins, sizes; and what pages may do in a browser.

Pages listen on the loopback address, where only people at this machine reach them; elsewhere they
ask for a login. A page of another site must neither send anything here nor show anything from here:
browsers say where a request comes from (Fetch Metadata, and Origin), and that is held to; a name
that another site points at this machine is told by the Host header.
"""

from __future__ import annotations

import ipaddress
import secrets
from urllib.parse import urlsplit

from flask import Flask, Response, abort, g, redirect, request, session, url_for

from adapt.pages.users import Users

__all__ = ["guard", "is_loopback", "with_styles_in_place"]

MOST_BYTES = 2 * 1024 * 1024  # of what a form may send: a run of a thousand readings has 100 kB
_READING = ("GET", "HEAD", "OPTIONS")
_OPEN = ("login", "static", "styles", "icon")  # what may be asked for without a login

_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Content-Security-Policy": (
        "default-src 'none'; img-src 'self' data:; style-src 'self'; script-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
}


def is_loopback(host: str) -> bool:
    """Return whether an address is reached from this machine alone.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("localhost")
    (True, True, True)
    >>> is_loopback("0.0.0.0"), is_loopback("192.0.2.4"), is_loopback("hangar")
    (False, False, False)
    """
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def with_styles_in_place(response: Response, digest: str) -> Response:
    """Let a page that brings its own styles be shown with these and no others.

    digest: of the styles, as a Content-Security-Policy takes it (sha256-...).
    """
    name = "Content-Security-Policy"
    response.headers[name] = _HEADERS[name].replace("style-src", f"style-src '{digest}'")
    return response


def guard(app: Flask, hosts: tuple[str, ...], users: Users | None) -> None:
    """Let an application answer only who may ask, and mark all its answers.

    hosts: the names and addresses under which it is reached. users: who may log in, None where
    everybody who reaches it may ask.
    """
    app.config.update(
        MAX_CONTENT_LENGTH=MOST_BYTES,
        MAX_FORM_MEMORY_SIZE=MOST_BYTES,
        MAX_FORM_PARTS=20_000,
        SECRET_KEY=secrets.token_bytes(32),
        SESSION_COOKIE_NAME="adapt-pages",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
    )

    @app.before_request
    def only_known_hosts() -> None:
        host = (urlsplit(f"//{request.host}").hostname or "").lower()
        if host not in hosts and not (is_loopback(host) and any(map(is_loopback, hosts))):
            abort(421, "these pages are not reached under this name")

    @app.before_request
    def only_own_pages() -> None:
        if request.method in _READING:
            return
        site = request.headers.get("Sec-Fetch-Site")
        origin = request.headers.get("Origin")
        if site is not None:
            own = site == "same-origin"
        else:
            own = origin is not None and origin == request.host_url.rstrip("/")
        if not own:
            abort(403, "only a page of this program may send anything here")

    @app.before_request
    def only_known_people() -> Response | None:
        g.who = session.get("who", "")
        if users is None or request.endpoint in _OPEN:
            return None
        if users.has(g.who):
            return None
        if request.method != "GET" or request.accept_mimetypes.best == "application/json":
            abort(401, "log in first")
        return redirect(url_for("login", then=request.full_path))  # type: ignore[return-value]

    @app.after_request
    def marked(response: Response) -> Response:
        for name, value in _HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        return response
