"""A thousand random requests, made from the page's own OpenAPI description: all are answered, none breaks it."""

import json
import shutil
from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from session_samples import made_up_session
from web_client import ADDRESS, SAMPLE, page_client

from analyze.web.app import PARTS
from analyze.web.workshop import Workshop

schemathesis = pytest.importorskip("schemathesis", reason="schemathesis is not installed: no random requests")

REQUESTS, AT_ONCE = 1000, 10  # drawing ten at once takes half the time
# An endless answer; and what takes seconds and nothing from the request, which is asked for once.
ENDLESS, ONCE = "/api/work/events", ("/api/report", "/everything.zip")


@pytest.fixture
def client(tmp_path, monkeypatch):
    """The page of a session with shots, one recording, and half an upload; jobs are taken and not done."""
    folder = tmp_path / "session"
    made_up_session(folder)
    (folder / "clips/A/S1").mkdir(parents=True)
    shutil.copy(SAMPLE / "clips/A/S1/0001.mp4", folder / "clips/A/S1/1.mp4")
    monkeypatch.setattr(Workshop, "_begin", lambda self, job: self.work)
    for part in PARTS:
        for route in part.router.routes:  # pages and pictures too are described
            monkeypatch.setattr(route, "include_in_schema", True)
    return page_client(folder)


def random_cases(client, ids):
    """Requests that keep to the description, requests that do not, and either about things that are there."""
    described = schemathesis.openapi.from_dict(client.app.openapi())
    modes = schemathesis.GenerationMode
    operations = [found.ok() for found in described.get_all_operations()]
    kinds = []
    for operation in operations:
        if operation.path in (ENDLESS, *ONCE):
            continue
        kinds.append(operation.as_strategy(generation_mode=modes.POSITIVE))
        if operation.path_parameters or operation.query or operation.body:
            kinds.append(operation.as_strategy(generation_mode=modes.NEGATIVE))
    return st.tuples(st.one_of(kinds), st.sampled_from([None, *ids]))


def sent(client, case, real):
    """Send one request; `real` stands in for its id, where it has one."""
    for name in ("clip_id", "upload_id"):
        if real and name in (case.path_parameters or {}):
            case.path_parameters[name] = real
    if real and isinstance(case.body, dict) and "clip_id" in case.body:
        case.body["clip_id"] = real
    made = case.as_transport_kwargs(base_url=ADDRESS)
    body = {to: made[of] for of, to in (("json", "json"), ("data", "content")) if made.get(of) is not None}
    return client.request(made["method"], made["url"], params=made.get("params"), **body)


@pytest.mark.slow
def test_a_thousand_random_requests_are_answered_and_none_breaks_the_page(client):
    ids = [row["clip_id"] for row in client.get("/api/rows").json()]
    wish = {"name": "a.mp4", "size_bytes": 1000, "condition": "A", "shooter": "S1"}
    ids.append(client.post("/api/phone/uploads", json=wish).json()["id"])
    answers = Counter()

    @seed(20240611)
    @settings(
        max_examples=REQUESTS // AT_ONCE,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.lists(random_cases(client, ids), min_size=AT_ONCE, max_size=AT_ONCE))
    def answered(drawn):
        for case, real in drawn:
            answer = sent(client, case, real)
            answers[answer.status_code] += 1
            assert answer.status_code < 500, (case.method, case.formatted_path, case.query, case.body, answer.text)
            if answer.status_code >= 400:
                said = json.loads(answer.text) if answer.text.startswith("{") else {"error": answer.text}
                # A sentence, or for a piece of an upload how much is there; never the inside of the program.
                assert said.get("error") or "have" in said, (case.method, case.formatted_path)
                assert "Traceback" not in answer.text

    answered()
    assert answers.total() == REQUESTS
    assert answers[200] > REQUESTS // 20  # not only refusals
    for path in ONCE:
        assert client.request("POST" if path.startswith("/api/") else "GET", path).status_code in (200, 422)
    assert client.get("/").status_code == 200
