"""Serving pages until somebody ends it; who may log in."""

from __future__ import annotations

import getpass
import json
import signal
import sys
import webbrowser
from pathlib import Path
from threading import Thread, Timer

from adapt.pages.application import Shop, make_app
from adapt.pages.fleet import Fleet
from adapt.pages.safety import is_loopback
from adapt.pages.users import add_user, read_users
from adapt.problems import AdaptError, BadInput

__all__ = ["add_a_user", "serve"]

_THREADS = 8
_ANY = ("0.0.0.0", "::")


def serve(
    place: str, host: str, port: int, users: str | None, names: tuple[str, ...], browser: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Serve pages over a logbook until it is interrupted; return the exit status.

    Raises BadInput where there is no logbook, or where others could reach it without a login,
    AdaptError where the port is taken.
    """
    import waitress

    fleet = Fleet(place)
    if users is None and not is_loopback(host):
        raise BadInput(
            f"--host: found {host!r}, which others can reach; expected --users FILE beside it, so "
            "that pages ask for a login ('adapt pages BOOK --users FILE --add-user NAME' makes it)"
        )
    if host in _ANY and not names:
        raise BadInput(
            f"--host: found {host!r}; expected --name beside it: the name or address that people "
            "type to reach this machine"
        )
    known = None if users is None else read_users(users)
    hosts = tuple(n.lower() for n in (*names, *(() if host in _ANY else (host,))))
    shop = Shop(fleet, _own_name())
    app = make_app(shop, hosts, known)
    try:
        server = waitress.create_server(
            app, host=host, port=port, threads=_THREADS, ident=None,
            max_request_body_size=4 * 1024 * 1024, channel_timeout=60,
        )  # fmt: skip
    except OSError as error:
        shop.works.close()
        reason = error.strerror or str(error)
        raise AdaptError(
            f"cannot listen on {host} port {port} ({reason}): give another --port"
        ) from error
    at = f"http://{f'[{host}]' if ':' in host else host}:{server.effective_port}/"
    if as_json:
        print(json.dumps({"address": at, "logbook": fleet.shown}), flush=True)
    else:
        print(f"Pages over {fleet.shown} at {at}\nEnd with Ctrl-C.", flush=True)
    shop.works.warm()
    Thread(target=fleet.warm, daemon=True).start()
    if browser:
        Timer(0.5, webbrowser.open, (at,)).start()
    # Who is told to end by a service manager ends as with Ctrl-C: its processes with it.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()
        shop.works.close()
    return 0


def add_a_user(users: str | None, name: str) -> int:
    """Ask for a password, and add a user to a file; return the exit status.

    Raises BadInput where no file was named, or the name or password will not do.
    """
    if users is None:
        raise BadInput("--add-user: expected --users FILE beside it, the file to add to")
    if sys.stdin.isatty():
        password = getpass.getpass(f"Password for {name}: ")
        if getpass.getpass("Again: ") != password:
            raise BadInput("password: found two that differ; nothing was changed")
    else:
        password = sys.stdin.readline().rstrip("\n")
    new = add_user(Path(users), name, password)
    print(f"{name} {'may log in now' if new else 'has a new password'} ({users})")
    return 0


def _own_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # a user without a name
        return "unknown"
