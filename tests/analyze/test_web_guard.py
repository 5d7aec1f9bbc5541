"""The page gives nothing to strangers: wrong Host or Origin, no token, paths that lead out, bodies too large."""

import pytest
from session_samples import made_up_session
from web_client import PORT, page_client, page_keys

from analyze.web import shots_page
from analyze.web.guard import BODY_LIMIT, CONTENT_POLICY, Keys
from analyze.web.serve import address_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page") / "session"
    made_up_session(folder)
    (folder.parent / "secret.txt").write_text("a secret", encoding="utf-8")
    return folder


def test_without_the_token_nothing_is_shown(folder):
    client = page_client(folder, entered=False)
    for path in ("/", "/api/rows", "/shot/x/1", "/openapi.json", "/no-such-page"):
        answer = client.get(path)
        assert answer.status_code == 401, path
        assert "railread open" in answer.text


def test_the_printed_address_gives_a_cookie_that_scripts_and_other_sites_cannot_use(folder):
    keys = page_keys()
    client = page_client(folder, keys=keys, entered=False)
    assert client.get("/enter?token=wrong").status_code == 401
    answer = client.get(f"/enter?token={keys.token}")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert client.get("/").status_code == 200


def test_the_address_does_not_send_anybody_elsewhere(folder):
    keys = page_keys()
    client = page_client(folder, keys=keys, entered=False)
    for to in ("//elsewhere.example", "https://elsewhere.example", "\\\\elsewhere.example"):
        assert client.get("/enter", params={"token": keys.token, "to": to}).headers["location"] == "/"


def test_tokens_differ_and_cannot_be_guessed():
    tokens = {Keys(port=PORT).token for _ in range(50)}
    assert len(tokens) == 50
    assert min(len(token) for token in tokens) >= 32


@pytest.mark.parametrize("host", ["elsewhere.example", f"elsewhere.example:{PORT}", "127.0.0.1:1", "127.0.0.1", ""])
def test_a_name_that_was_pointed_at_this_machine_is_refused(folder, host):
    """A site that has its own name resolve to 127.0.0.1 would otherwise read the page through the browser."""
    assert page_client(folder).get("/", headers={"Host": host}).status_code == 421


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", f"https://127.0.0.1:{PORT}", "", None])
def test_a_change_that_comes_from_another_site_is_refused(folder, origin):
    client = page_client(folder, origin=origin)
    answer = client.post("/api/decisions", json={"shots": [], "kind": "accept"})
    assert answer.status_code == 403


def test_every_answer_forbids_scripts_and_sources_from_elsewhere(folder):
    client = page_client(folder)
    for path in ("/", "/static/shots.js", "/no-such-page", "/api/rows"):
        headers = client.get(path).headers
        assert headers["content-security-policy"] == CONTENT_POLICY, path
        assert headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in CONTENT_POLICY


@pytest.mark.parametrize(
    "path",
    [
        "/static/../../../secret.txt",
        "/static/%2e%2e/%2e%2e/secret.txt",
        "/static/..%2f..%2fsecret.txt",
        "/shot/..%2f..%2fsecret.txt/1",
        "/picture/%2e%2e%2fsecret.txt/1",
        "/frame/....//secret.txt/1/0",
        "/picture/%00/1",
    ],
)
def test_no_path_leads_out_of_the_session(folder, path):
    answer = page_client(folder).get(path)
    assert 400 <= answer.status_code < 500
    assert "a secret" not in answer.text


def test_a_body_that_is_too_large_is_refused_whatever_its_header_says(folder):
    client = page_client(folder)
    large = b"[" + b" " * BODY_LIMIT + b"]"
    assert client.post("/api/decisions", content=large).status_code == 413

    async def pieces():  # sent in pieces, without a length
        for k in range(0, len(large), 4096):
            yield large[k : k + 4096]

    assert client.post("/api/decisions", content=pieces()).status_code == 413
    assert client.post("/api/decisions", content=b"[]", headers={"Content-Length": "many"}).status_code == 413


def test_looking_changes_nothing(folder):
    """All that changes something is a POST, PUT or DELETE, which carries an Origin."""
    client = page_client(folder)
    api = client.get("/openapi.json").json()
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    for path in [*api["paths"], "/", "/rows"]:
        client.get(path.replace("{clip_id}", "0").replace("{number}", "1").replace("{frame}", "0"))
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_the_page_of_this_machine_is_not_for_others(folder):
    """Even with the token: another machine on the network is no place for the whole page."""
    assert page_client(folder, machine="192.0.2.7").get("/").status_code == 401
    assert page_client(folder, machine="127.0.0.1").get("/").status_code == 200


def test_a_mistake_of_the_page_itself_is_said_in_words(folder, monkeypatch):
    client = page_client(folder)
    monkeypatch.setattr(shots_page, "rows_of", lambda listing: 1 / 0)
    with pytest.raises(ZeroDivisionError):  # goes on to the terminal
        client.get("/", headers={"Accept": "text/html"})
    answer = client.get("/", headers={"Accept": "text/html"}, quietly=True)
    assert answer.status_code == 500
    assert "railread itself made a mistake here" in answer.text
    assert "division" not in answer.text
    assert answer.headers["content-security-policy"] == CONTENT_POLICY


def test_what_is_not_there_is_a_page_in_words(folder):
    client = page_client(folder)
    for path, status, said in [("/no-such-page", 404, "Not here"), ("/shot/none/1", 422, "no such shot")]:
        answer = client.get(path, headers={"Accept": "text/html"})
        assert answer.status_code == status
        assert said in answer.text
        assert "/setup" in answer.text  # with the ways to all views


def test_what_starts_the_browser_opens_the_page_once(folder):
    """Everybody on this machine can read the command line of a process."""
    keys = page_keys()
    once = address_of(keys, "results", once=True)
    assert keys.token not in once
    path = once.split(f":{PORT}")[1]
    client = page_client(folder, keys=keys, entered=False)
    assert client.get(path).headers["location"] == "/results"
    assert client.get("/").status_code == 200
    late = page_client(folder, keys=keys, entered=False)
    assert late.get(path).status_code == 401
    assert late.get("/").status_code == 401


def test_a_length_of_thousands_of_digits_is_refused(folder):
    client = page_client(folder)
    headers = {"Content-Length": "9" * 5000}
    assert client.post("/api/decisions", content=b"[]", headers=headers).status_code == 413
