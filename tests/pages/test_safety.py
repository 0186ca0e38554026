"""Who may ask what: other hosts, other sites, paths, sizes, scripts in names, logins."""

from __future__ import annotations

import io
import json
import stat
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from page_texts import OWN

from adapt.cli import main
from adapt.logbook.entering import EnteredRow, enter
from adapt.pages.application import Shop, make_app
from adapt.pages.users import add_user, read_users
from adapt.problems import BadInput

NAMED = {"name": "N. Example"}


@pytest.mark.parametrize("host", ["127.0.0.1:8321", "localhost:99", "[::1]:8321"])
def test_this_machine_is_reached_under_its_own_names(client: FlaskClient, host: str) -> None:
    assert client.get("/jobs/new", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "10.0.0.7"])
def test_a_name_that_another_site_points_here_is_refused(client: FlaskClient, host: str) -> None:
    # DNS rebinding: the browser believes it speaks with the other site.
    answer = client.get("/jobs/new", headers={"Host": host})
    assert answer.status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "none"},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://localhost:1"},
        {},
    ],
)
def test_what_another_site_sends_is_refused(client: FlaskClient, headers) -> None:
    for path in ("/name", "/job/enter", "/job/status", "/work/give-up", "/jobs/new"):
        assert client.post(path, data=NAMED, headers=headers).status_code == 403


@pytest.mark.parametrize("headers", [OWN, {"Origin": "http://localhost"}])
def test_what_an_own_page_sends_is_taken(client: FlaskClient, headers) -> None:
    assert client.post("/name", data=NAMED, headers=headers).status_code == 302


@pytest.mark.parametrize("path", ["/", "/job?job=J-058", "/nope", "/job?job=nope", "/report.css"])
def test_every_answer_says_what_a_browser_may_do_with_it(client: FlaskClient, path: str) -> None:
    headers = client.get(path).headers
    rules = dict(r.strip().split(" ", 1) for r in headers["Content-Security-Policy"].split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == "'self'"
    assert rules["frame-ancestors"] == "'none'"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    if not path.endswith(".css"):
        assert headers["Cache-Control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/static/../application.py", "/static/..%2fapplication.py", "/static/%2e%2e/application.py",
        "/static//etc/passwd", "/picture/../../etc/passwd.svg", "/picture/%00.svg",
        "/job/report.html/../../x", "/job?job=../../etc/passwd", "/job/report.exe?job=J-058",
    ],
)  # fmt: skip
def test_tricks_with_paths_lead_nowhere(client: FlaskClient, path: str) -> None:
    answer = client.get(path, follow_redirects=True)
    assert answer.status_code in (400, 404)
    assert b"root:" not in answer.data
    assert b"make_app" not in answer.data


def test_what_is_larger_than_any_run_is_refused_before_it_is_read(client: FlaskClient) -> None:
    large = {"file": (io.BytesIO(b"x" * 3_000_000), "x.csv"), "job": "J-058"}
    answer = client.post("/job/enter", data=large, headers=OWN, content_type="multipart/form-data")
    assert answer.status_code == 413
    assert b"nothing of it was kept" in answer.data
    many = {f"x{k}": "y" for k in range(30_000)}
    assert client.post("/job/enter", data=many, headers=OWN).status_code in (400, 413)


def test_script_in_names_is_shown_and_never_run(shop: Shop, client: FlaskClient) -> None:
    evil = "<img src=x onerror=alert(1)>\"'<script>alert(2)</script>"
    row = EnteredRow(
        "runs", {"job": evil, "run": evil},
        {"rotor": evil, "design": "main rotor", "aircraft": evil, "note": evil,
         "started": "2026-11-25T10:00"},
    )  # fmt: skip
    assert enter(shop.fleet.to_write(), [row], evil, evil).change is not None
    for path in ("/", "/job", "/job/enter", "/job/moves", "/job/event", "/jobs/new", "/job/plan"):
        page = client.get(path, query_string={"job": evil}).get_data(as_text=True)
        assert "<img src=x" not in page, path
        assert "<script>alert" not in page, path
    assert "&lt;script&gt;alert(2)" in client.get("/").get_data(as_text=True)


@pytest.mark.parametrize(
    "then", ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)"]
)
def test_a_login_leads_to_no_other_site(shop: Shop, tmp_path: Path, then: str) -> None:
    client = with_users(shop, tmp_path).test_client()
    answer = client.post(
        "/login", data={"name": "N. Example", "password": "long enough!", "then": then}, headers=OWN
    )
    assert (answer.status_code, answer.headers["Location"]) == (302, "/")


def with_users(shop: Shop, folder: Path) -> Flask:
    add_user(folder / "users.json", "N. Example", "long enough!")
    return make_app(shop, ("localhost",), read_users(folder / "users.json"))


def test_without_a_login_nothing_is_shown_and_nothing_taken(shop: Shop, tmp_path: Path) -> None:
    client = with_users(shop, tmp_path).test_client()
    for path in ("/", "/job?job=J-058", "/jobs/new", "/picture/x.svg", "/work?name=x"):
        answer = client.get(path)
        assert answer.status_code == 302
        assert answer.headers["Location"].startswith("/login?")
    assert client.get("/login").status_code == 200
    assert client.post("/job/enter", data={"job": "J-058"}, headers=OWN).status_code == 401
    data = {"name": "N. Example", "password": "wrong"}
    wrong = client.post("/login", data=data, headers=OWN)
    assert wrong.status_code == 403
    data["name"], data["password"] = "nobody", "long enough!"
    assert client.post("/login", data=data, headers=OWN).status_code == 403
    assert client.get("/").status_code == 302


def test_who_logs_in_is_whose_change_it_is_and_can_log_out(shop: Shop, tmp_path: Path) -> None:
    client = with_users(shop, tmp_path).test_client()
    data = {"name": "N. Example", "password": "long enough!", "then": "/jobs/new"}
    answer = client.post("/login", data=data, headers=OWN)
    assert answer.headers["Location"] == "/jobs/new"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    page = client.get("/jobs/new").get_data(as_text=True)
    assert "N. Example" in page
    client.post("/logout", headers=OWN)
    assert client.get("/jobs/new").status_code == 302


def test_a_cookie_that_was_made_up_is_no_login(shop: Shop, tmp_path: Path) -> None:
    client = with_users(shop, tmp_path).test_client()
    other = Flask("other")
    other.secret_key = "guessed"
    forged = other.session_interface.get_signing_serializer(other)
    assert forged is not None
    client.set_cookie("adapt-pages", forged.dumps({"who": "N. Example"}))
    assert client.get("/jobs/new").status_code == 302


def test_passwords_are_kept_as_hashes_in_a_file_of_ones_own(tmp_path: Path) -> None:
    file = tmp_path / "users.json"
    assert add_user(file, "N. Example", "long enough!")
    assert not add_user(file, "N. Example", "another one!")
    text = file.read_text()
    assert "enough" not in text
    assert "another" not in text
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    users = read_users(file)
    assert users.right("N. Example", "another one!")
    assert not users.right("N. Example", "long enough!")
    assert not users.right("nobody", "nobody")
    file.chmod(0o644)
    with pytest.raises(BadInput, match="others of this machine"):
        read_users(file)
    with pytest.raises(BadInput, match=r"name: .*\n?.*password: found 5 characters"):
        add_user(file, " ", "short")


@pytest.mark.parametrize("text", ["", "[]", '{"users": 3}', '{"users": {"a": 1}}', "\x00"])
def test_a_file_of_something_else_is_told(tmp_path: Path, text: str) -> None:
    file = tmp_path / "users.json"
    file.write_text(text)
    file.chmod(0o600)
    with pytest.raises(BadInput, match="a file of users"):
        read_users(file)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--host", "0.0.0.0"], "expected --users FILE beside it"),
        (["--host", "192.0.2.4"], "expected --users FILE beside it"),
        (["--host", "0.0.0.0", "--users", "u"], "expected --name beside it"),
        (["--users", "nowhere.json"], "--add-user NAME' makes it"),
        (["--add-user", "N"], "expected --users FILE beside it"),
        (["--port", "99999"], "expected a port"),
    ],
)
def test_what_would_be_open_to_all_is_not_begun(place: Path, capsys, words, told) -> None:
    assert main(["pages", str(place), *words]) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_findings_come_as_json_where_they_are_asked_for_so(client: FlaskClient) -> None:
    answer = client.get("/job?job=nope", headers={"Accept": "application/json"})
    assert answer.status_code == 400
    assert "expected a job of the logbook" in json.loads(answer.data)["wrong"][0]


def test_after_five_wrong_passwords_a_name_waits(shop: Shop, tmp_path: Path) -> None:
    client = with_users(shop, tmp_path).test_client()
    data = {"name": "N. Example", "password": "wrong"}
    ends = [client.post("/login", data=data, headers=OWN).status_code for _ in range(6)]
    assert ends == [403] * 5 + [429]
    data["password"] = "long enough!"
    assert client.post("/login", data=data, headers=OWN).status_code == 429
