"""Numbers and dates as the reader writes them, for that reader alone."""

from __future__ import annotations

from flask import Flask
from flask.testing import FlaskClient
from page_texts import OWN, said


def test_a_reader_sees_numbers_and_dates_as_written_there(app: Flask, client: FlaskClient) -> None:
    before = said(client.get("/job?job=J-058").get_data(as_text=True))
    assert "0.350 @ 11:14" in before
    assert "2026-11-24 15:20" in before
    data = {"decimal": ",", "dates": "day"}
    assert client.post("/settings", data=data, headers=OWN).status_code == 302
    page = client.get("/settings").get_data(as_text=True)
    assert '<option value="," selected>' in page
    after = said(client.get("/job?job=J-058").get_data(as_text=True))
    assert "0,350 @ 11:14" in after
    assert "24.11.2026 15:20" in after
    assert "0.350" not in after
    # Another browser is another reader.
    other = said(app.test_client().get("/job?job=J-058").get_data(as_text=True))
    assert "0.350 @ 11:14" in other


def test_nonsense_is_taken_as_nothing_said(client: FlaskClient) -> None:
    data = {"decimal": "<script>", "dates": "x" * 10_000}
    assert client.post("/settings", data=data, headers=OWN).status_code == 302
    assert "0.350 @ 11:14" in said(client.get("/job?job=J-058").get_data(as_text=True))
