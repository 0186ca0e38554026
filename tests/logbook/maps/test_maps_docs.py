"""The maps of the docs are read, and give what the page says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from adapt.logbook.maps import mapped, read_map
from adapt.logbook.maps.entries import ORIGINS
from adapt.logbook.maps.values import TABLES

PAGE = (Path(__file__).parents[3] / "docs" / "maps.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"<!-- (map|file|gives):? ?(\S*) ?-->\n```\w+\n(.*?)```", PAGE, re.DOTALL)


def examples() -> list[tuple[str, str, dict[str, str], str]]:
    """Return each map with its name, the files it reads, and what the page says it gives."""
    found: list[tuple[str, str, dict[str, str], str]] = []
    for kind, name, text in BLOCKS:
        if kind == "map":
            found.append((name, text, {}, ""))
        elif kind == "file":
            found[-1][2][name] = text
        else:
            found[-1] = (*found[-1][:3], text)
    return found


@pytest.mark.parametrize("example", examples(), ids=lambda e: e[0])
def test_each_map_of_the_page_gives_what_the_page_says(
    tmp_path: Path, example: tuple[str, str, dict[str, str], str]
) -> None:
    name, text, files, expected = example
    (tmp_path / name).write_text(text, encoding="utf-8")
    folder = tmp_path / "source"
    for file, content in files.items():
        (folder / file).parent.mkdir(parents=True, exist_ok=True)
        (folder / file).write_text(content, encoding="utf-8")
    given: dict[str, list[str]] = {}
    for table_name, table in mapped(read_map(tmp_path / name), folder):
        lines = given.setdefault(table_name, [])
        columns = [table.text(column) for column in table.columns]
        if len(table) and not lines:
            lines.append(f"{table_name}: row,{','.join(table.columns)}")
        for i, row in enumerate(table.rows.tolist()):
            lines.append(",".join([str(row), *(texts[i] for texts in columns)]))
    printed = "\n".join(line for table_name in TABLES for line in given.get(table_name, []))
    assert printed == expected.strip()


def test_there_are_three_examples_and_the_page_names_every_key() -> None:
    assert len(examples()) == 3
    keys = (
        "part translate unknown prefix measured factor sign_turned written offset_deg utc_offset "
        "rows_differ headers header_row may_be_missing not_read excluded leave_out only"
    )
    for key in (*ORIGINS, *TABLES, *keys.split()):
        assert f"`{key}" in PAGE or f"[[{key}]]" in PAGE, key
