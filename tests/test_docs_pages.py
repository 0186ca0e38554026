"""The page on pages and reports: its commands are understood, and it names who finds what there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

from adapt.commands import parser

PAGE = (Path(__file__).parents[1] / "docs" / "pages.md").read_text(encoding="utf-8")


def test_its_commands_are_understood() -> None:
    blocks = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)
    lines = [x for b in blocks for x in b.splitlines() if x.startswith("adapt ")]
    named = [parser().parse_args(shlex.split(x, comments=True)[1:]).command for x in lines]
    assert {"pages", "report", "logbook"} <= set(named)


def test_the_port_that_it_names_is_the_one_that_is_taken() -> None:
    port = parser().parse_args(["pages", "fleet.logbook"]).port
    assert f"http://127.0.0.1:{port}/" in PAGE
