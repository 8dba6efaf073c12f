"""Guards at the door: hosts, origins, headers, sizes; and what is said when something is not so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest
from fastapi import FastAPI, Request
from fastapi.responses import Response
from starlette.testclient import TestClient

from app.core.refusal import Refusal
from app.settings import Settings
from app.web.app import create_app
from app.web.deps import Posted
from app.web.security import CONTENT_SECURITY_POLICY, local_path

HERE = "http://127.0.0.1:8000"


def _faulty(app: FastAPI) -> FastAPI:
    """The application with addresses that fail in each way."""

    @app.get("/api/v1/broken")
    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("a secret of the inside")

    @app.get("/api/v1/refused")
    @app.get("/refused")
    def refused() -> None:
        raise Refusal({(2, "exposure_s"): "This disc is <gone> already."})

    @app.get("/numbered/{number}")
    def numbered(number: int) -> int:
        return number

    @app.post("/upload")
    def upload(request: Request, form: Posted) -> Response:
        return Response(str(len(form)))

    return app


@pytest.fixture
def faulty(settings: Settings) -> Iterator[TestClient]:
    """A client of an application that fails on demand, with a small upload limit."""
    app = _faulty(create_app(replace(settings, upload_bytes=100_000)))
    with TestClient(app, base_url=HERE, follow_redirects=False, raise_server_exceptions=False) as client:
        yield client


def test_alive(client: TestClient) -> None:
    """A machine that watches the server is told that it is there."""
    answer = client.get("/alive")
    assert (answer.status_code, answer.json()) == (200, {"status": "alive"})


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::1"])
def test_other_hosts_are_not_answered(client: TestClient, host: str) -> None:
    """A name that is not ours (DNS rebinding) gets nothing."""
    assert client.get("/alive", headers={"host": host}).status_code == 400


@pytest.mark.parametrize("host", ["localhost:8000", "127.0.0.1", "[::1]:8000", "LOCALHOST"])
def test_own_hosts_are_answered(client: TestClient, host: str) -> None:
    """Every name of this machine is ours, with any port and in any case."""
    assert client.get("/alive", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://127.0.0.1:8000.evil.example"},
        {"origin": "http://127.0.0.1:bad"},
        {"origin": "file://"},
        {"origin": HERE, "sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_changes_from_elsewhere_are_refused(faulty: TestClient, method: str, headers: dict[str, str]) -> None:
    """A change that another site's page asks for is refused before anything is read."""
    assert faulty.request(method, "/theme", headers=headers).status_code == 403


@pytest.mark.parametrize("headers", [{"origin": HERE}, {"origin": HERE, "sec-fetch-site": "same-origin"}, {}])
def test_changes_from_here_go_through(faulty: TestClient, headers: dict[str, str]) -> None:
    """Our own pages, and programs that are no browser, may change things."""
    assert faulty.post("/theme", data={"theme": "dark"}, headers=headers).status_code == 303


@pytest.mark.parametrize("path", ["/alive", "/nothing-here", "/broken", "/refused", "/static/marver.js"])
def test_every_answer_carries_the_policy(faulty: TestClient, path: str) -> None:
    """Also the page for a bug: nothing inline, nothing from elsewhere, no frames, no guessing of types."""
    headers = faulty.get(path).headers
    assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
    assert "unsafe" not in CONTENT_SECURITY_POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"


def test_a_refused_change_carries_the_policy_too(faulty: TestClient) -> None:
    """What the guard itself answers is guarded."""
    assert "content-security-policy" in faulty.post("/theme", headers={"origin": "null"}).headers


def test_a_bug_shows_no_inside(faulty: TestClient) -> None:
    """A person is told that nothing was half-saved; neither text nor trace of the fault is shown."""
    answer = faulty.get("/broken")
    assert answer.status_code == 500
    assert "not saved" in answer.text
    for inside in ("secret", "Traceback", "RuntimeError", ".py"):
        assert inside not in answer.text.replace("marver.js", "")


def test_programs_get_problem_documents(faulty: TestClient) -> None:
    """Under /api each no is an RFC 9457 problem document with its places."""
    for path, status in (("/api/v1/broken", 500), ("/api/v1/nothing", 404), ("/api/v1/refused", 409)):
        answer = faulty.get(path)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == status
    assert faulty.get("/api/v1/refused").json()["errors"] == [
        {"row": 2, "field": "exposure_s", "message": "This disc is <gone> already."}
    ]


def test_people_get_pages(faulty: TestClient) -> None:
    """A refusal, a wrong address and a malformed one are pages in our look, escaped."""
    refused = faulty.get("/refused")
    assert refused.status_code == 409
    assert "Row 3: This disc is &lt;gone&gt; already." in refused.text
    assert faulty.get("/nothing-here").status_code == 404
    malformed = faulty.get("/numbered/<b>")
    assert malformed.status_code == 422
    assert "<b>" not in malformed.text.partition("<main")[2].partition("<p><b>")[0]


def test_too_large_an_upload_is_refused(faulty: TestClient) -> None:
    """More than the limit is refused with a page, not read into memory."""
    answer = faulty.post("/upload", files={"scan": ("scan.csv", b"x" * 200_000)})
    assert answer.status_code == 413
    assert "too large" in answer.text


def test_too_long_a_text_is_refused(faulty: TestClient) -> None:
    """One field cannot fill the memory either."""
    fields = {"note": "x" * 300_000}
    assert faulty.post("/upload", data=fields).status_code in (400, 413)


@pytest.mark.parametrize("target", ["//evil.example", "https://evil.example", "/\\evil.example", "/a\nb", "a"])
def test_the_way_back_stays_on_this_server(target: str) -> None:
    """A form's way back cannot lead to another site or split a header."""
    assert local_path(target) == "/"


def test_attachments_of_the_program_are_of_its_own_kinds(client: TestClient) -> None:
    """Nothing above the static folder can be asked for."""
    assert client.get("/static/../pyproject.toml").status_code == 404
    assert client.get("/static/%2e%2e/pyproject.toml").status_code == 404
