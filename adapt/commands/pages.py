"""`adapt pages`: a local page over a logbook, and who may log in to it."""

from __future__ import annotations

import argparse

from adapt.commands.asking import Commands, port

__all__ = ["add", "run"]


def add(commands: Commands) -> None:
    """Add the command and its options."""
    sub = commands.add(
        "pages",
        "open a page over a logbook for the browser: enter runs, plan, look back",
        "adapt pages fleet.logbook\n"
        "  adapt pages fleet.logbook --add-user 'N. Example' --users users.json\n"
        "  adapt pages fleet.logbook --host 192.0.2.4 --users users.json",
    )
    sub.add_argument(
        "book",
        metavar="BOOK",
        help="the logbook: a file such as fleet.logbook, or postgresql://user@host/database",
    )
    sub.add_argument(
        "--host",
        metavar="H",
        default="127.0.0.1",
        help="address to listen on (default: this machine alone); any other asks for a login",
    )
    sub.add_argument(
        "--port", metavar="P", type=port, default=8321, help="port to listen on (default 8321)"
    )
    sub.add_argument(
        "--name",
        metavar="N",
        action="append",
        default=[],
        help="another name under which this machine is reached; may be given more than once",
    )
    sub.add_argument("--users", metavar="FILE", help="who may log in; asks for a login")
    sub.add_argument(
        "--add-user",
        metavar="NAME",
        help="add a user to the file of users, or give a new password, and end",
    )
    sub.add_argument("--open", action="store_true", help="open the page in the browser")


def run(asked: argparse.Namespace) -> int:
    from adapt.pages.serving import add_a_user, serve

    if asked.add_user is not None:
        return add_a_user(asked.users, asked.add_user)
    return serve(
        asked.book, asked.host, asked.port, asked.users, tuple(asked.name), asked.open, asked.json
    )
