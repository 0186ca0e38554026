"""Reports as HTML and as PDF: all that is said is there, and none of it can act."""

from __future__ import annotations

import io
import re
from html.parser import HTMLParser

import pypdf
import pytest

from adapt.reports.html import as_fragment, as_page
from adapt.reports.layout import (
    Block,
    Bullets,
    Commands,
    Heading,
    Line,
    Picture,
    Row,
    ToSign,
    table,
)
from adapt.reports.pictures.drawing import empty_axes, sheet
from adapt.reports.typeset import as_pdf

EVIL = "<script>alert(1)</script> & \"quoted\" 'x' \x1b[2J #let $x$ *y* _z_ [q] \\ `r`"


class Seen(HTMLParser):
    """What a page holds: its tags with attributes, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("img", "meta"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def picture(name: str = "one") -> Picture:
    def draw():
        figure = sheet(2.0, 1.0)
        empty_axes(figure, 0, 0, 2, 1).text(0.5, 0.5, EVIL)
        return figure

    return Picture(name, EVIL, EVIL, draw)


def everything() -> list[Block]:
    rows = [
        (EVIL, "", "", ""),
        ("  hover", "0.1", "####....", EVIL),
        ("descent", "3", "########!", "x"),
    ]
    return [
        Heading(EVIL, level=1),
        Heading("part"),
        Line(EVIL, tone="bad"),
        Bullets((EVIL, "second"), tone="faint"),
        Commands((EVIL,)),
        table(["Regime", ">Ratio", "|", EVIL], rows, ["plain", "plain", "bad"]),
        picture(),
        Row((picture("two"), picture("three"))),
        ToSign((EVIL, "Date")),
    ]


def test_what_stands_in_a_report_is_text_and_nothing_else() -> None:
    seen = Seen(as_page(everything(), EVIL))
    assert seen.open == []
    assert not seen.all("script")
    text = "".join(seen.texts)
    assert text.count("<script>alert(1)</script>") == 12
    assert "\x1b" not in text
    assert all("\x1b" not in (v or "") for _, attrs in seen.tags for v in attrs.values())


def test_a_page_needs_no_other() -> None:
    page = as_page(everything(), "a report")
    seen = Seen(page)
    assert not seen.all("link")
    assert all(str(img["src"]).startswith("data:image/svg+xml;base64,") for img in seen.all("img"))
    assert len(seen.all("img")) == 3
    assert not re.search(r"(?i)(url\(|@import|https?:)", re.sub(r"base64,[^\"]*", "", page))


def test_tables_name_rows_columns_and_groups_for_readers_of_screens() -> None:
    seen = Seen(str(as_fragment(everything(), lambda p: f"/{p.name}.svg")))
    scopes = [attrs.get("scope") for attrs in seen.all("th")]
    assert scopes.count("col") == 3  # a column of bars has no title
    assert scopes.count("rowgroup") == 1
    assert scopes.count("row") == 2
    bars = [attrs["class"] for attrs in seen.all("span")]
    assert bars == ["bar bar-4", "bar bar-over"]
    assert [img["src"] for img in seen.all("img")] == ["/one.svg", "/two.svg", "/three.svg"]
    assert all(img["alt"] for img in seen.all("img"))


@pytest.mark.parametrize("top", [1, 2, 3])
def test_headings_of_a_fragment_fit_into_those_of_a_page(top: int) -> None:
    seen = Seen(str(as_fragment(everything(), lambda p: "", top)))
    assert [name for name, _ in seen.tags if re.fullmatch("h[1-6]", name)] == [
        f"h{top}", f"h{top + 1}"
    ]  # fmt: skip


def test_the_pdf_says_the_same_word_for_word() -> None:
    made = as_pdf(everything(), "Job J-1", "foot of the page")
    read = pypdf.PdfReader(io.BytesIO(made))
    text = re.sub(r"\s+", " ", "".join(page.extract_text() for page in read.pages))
    plain = re.sub(r"\s+", " ", EVIL.replace("\x1b", "?"))
    for words in (
        "part",
        "hover",
        "0.1",
        "second",
        "foot of the page",
        f"page 1 of {len(read.pages)}",
    ):
        assert words in text
    for words in ("<script>alert(1)</script>", "#let $x$ *y* _z_ [q]", "`r`"):
        assert text.count(words) >= 8, (words, plain)
    assert read.metadata is not None
    assert read.metadata.title == "Job J-1"


def test_the_pdf_is_tagged_for_readers_of_screens_and_the_same_every_time() -> None:
    made = as_pdf(everything(), "Job J-1", "foot")
    root = pypdf.PdfReader(io.BytesIO(made)).trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]  # ISO 32000-1, 14.7.1: a tagged PDF says so
    assert root["/Lang"] == "en"
    assert "/StructTreeRoot" in root
    assert made == as_pdf(everything(), "Job J-1", "foot")


def test_long_tables_go_on_over_pages_with_their_titles() -> None:
    rows = [(f"row {k}", str(k)) for k in range(200)]
    made = as_pdf([Heading("Long", 1), table(["Name", ">Number"], rows)], "Long", "foot")
    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(made)).pages]
    assert len(pages) > 2
    assert all("Number" in page for page in pages)
    assert "row 199" in pages[-1]
