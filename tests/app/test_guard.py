"""A hostile page, another name for the server, and too much of anything get nowhere.

What is refused follows the Fetch standard (Origin), RFC 6265bis (SameSite) and Content Security
Policy Level 3.
"""

from __future__ import annotations

import re
import stat
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx2
import pytest
import uvicorn
from starlette.testclient import TestClient

from antecurve.app.guard import Keys
from antecurve.app.server import application, listening_socket, new_keys

ORIGIN = "http://127.0.0.1:8462"


PART = b'--b\r\nContent-Disposition: form-data; name="files"; filename="a.csv"\r\n\r\n'


def sent_in_blocks(size: int) -> Iterator[bytes]:
    yield PART
    for _ in range(size // 2**16):
        yield bytes(2**16)


def nameless_files() -> set[str]:
    """Open files without a name, as temporary ones are: gone with their last descriptor."""
    opened = (p.readlink() for p in Path("/proc/self/fd").glob("*") if p.is_symlink())
    return {str(target) for target in opened if str(target).endswith("(deleted)")}


@pytest.fixture
def stranger(tmp_path: Path, keys: Keys) -> TestClient:
    return TestClient(application(tmp_path / "bench", keys), base_url=ORIGIN)


@pytest.mark.parametrize("address", ["/", "/networks/Disc", "/static/htmx.js", "/nothing"])
def test_without_the_cookie_nothing_answers(stranger: TestClient, address: str) -> None:
    answer = stranger.get(address)
    assert answer.status_code == 403
    assert "antecurve bench" in answer.text


@pytest.mark.parametrize("token", ["", "x", "é", "%00"])
def test_a_wrong_token_opens_nothing(stranger: TestClient, token: str) -> None:
    assert stranger.get("/", params={"token": token}).status_code == 403


def test_the_token_is_changed_for_a_cookie_that_other_sites_can_not_send(
    stranger: TestClient, keys: Keys
) -> None:
    answer = stranger.get("/", params={"token": keys.token, "a": "b"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/?a=b")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie
    assert stranger.get("/").status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8462", "127.0.0.1", "127.0.0.1:80", "localhost.x:8462"],
)
def test_another_name_for_the_server_gets_nothing(client: TestClient, host: str) -> None:
    assert client.get("/", headers={"host": host}).status_code == 400


@pytest.mark.parametrize(
    "origin", ["https://evil.example", "null", "http://127.0.0.1:8463", "http://localhost"]
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_another_site_gets_nothing(client: TestClient, method: str, origin: str) -> None:
    answer = client.request(method, "/demo", headers={"origin": origin})
    assert answer.status_code == 403
    assert client.get("/").text.count("Archive disc") == 0


def test_a_change_without_an_origin_is_refused(client: TestClient) -> None:
    del client.headers["origin"]
    assert client.post("/demo").status_code == 403


def test_too_large_a_request_is_refused_before_it_is_read(client: TestClient) -> None:
    answer = client.post("/networks", content=b"", headers={"content-length": str(2**30)})
    assert answer.status_code == 413
    assert "fewer or smaller" in answer.text


@pytest.mark.parametrize("states_its_size", [True, False])
def test_who_sends_too_much_hears_why_and_nothing_stays(
    tmp_path: Path, keys: Keys, states_its_size: bool
) -> None:
    """Over a socket, where an answer before the end would be lost, as browsers lose it."""
    size, largest = 16 * 2**20, 2**20
    before, listener = nameless_files(), listening_socket(None)
    port = listener.getsockname()[1]
    own = replace(keys, port=port)
    config = uvicorn.Config(
        application(tmp_path / "bench", own, largest=largest), log_level="error", ws="none",
        http="h11",
    )  # fmt: skip
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
    thread.start()
    try:
        headers = {
            "origin": f"http://127.0.0.1:{port}", "cookie": f"{own.cookie_name}={own.cookie}",
            "content-type": "multipart/form-data; boundary=b",
        }  # fmt: skip
        if states_its_size:
            headers["content-length"] = str(len(PART) + size)
        answer = httpx2.post(
            f"http://127.0.0.1:{port}/test", content=sent_in_blocks(size), headers=headers,
            timeout=60,
        )  # fmt: skip
    finally:
        server.should_exit = True
        thread.join()
        listener.close()
    assert answer.status_code == 413
    assert "send fewer or smaller files" in answer.text
    kept = [p for p in (tmp_path / "bench").rglob("*") if p.is_file()]
    assert [p.name for p in kept if p.name != ".bench-key"] == []
    assert nameless_files() == before


def test_a_request_that_hides_its_size_is_cut_off(client: TestClient) -> None:
    answer = client.post(
        "/networks", content=sent_in_blocks(2**21),
        headers={"content-type": "multipart/form-data; boundary=b"},
    )  # fmt: skip
    assert answer.status_code == 413


def test_scripts_run_by_the_nonce_of_their_page_alone(client: TestClient) -> None:
    first, second = client.get("/"), client.get("/")
    policy = first.headers["content-security-policy"]
    (nonce,) = re.findall(r"script-src 'nonce-([\w-]+)';", policy)
    assert policy.startswith("default-src 'none'") and "unsafe-eval" not in policy
    scripts = re.findall(r"<script[^>]*>", first.text)
    assert scripts and all(f'nonce="{nonce}"' in tag for tag in scripts)
    assert not re.search(r"\son\w+=|javascript:|https?://(?!127)", first.text.split("<body>")[1])
    assert nonce not in second.text


@pytest.mark.parametrize(
    "name", ["..", "../x", "a/b", "a\\b", ".hidden", "", " ", "a" * 81, "x\0", "con", "<b>", "a:b"]
)
def test_names_that_would_leave_the_folder_are_refused(
    client: TestClient, tmp_path: Path, name: str
) -> None:
    before = sorted(tmp_path.rglob("*"))
    answer = client.post("/networks", data={"name": name})
    assert answer.status_code == 422
    assert "use letters" in answer.text or "device" in answer.text
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize(
    "address",
    ["/networks/..%2f..%2fetc", "/networks/%2e%2e", "/networks/Disc/files/..%2f..%2f.bench-key",
     "/networks/Disc/files/.bench-key", "/static/..%2f__init__.py"],
)  # fmt: skip
def test_addresses_stay_in_the_folder(client: TestClient, network: Path, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code in (404, 422)
    assert "root:" not in answer.text


def test_a_link_out_of_the_folder_is_not_followed(client: TestClient, network: Path) -> None:
    outside = network.parents[2] / "outside"
    outside.mkdir()
    (outside / "job.toml").write_text("x")
    (network.parent / "Link").symlink_to(outside)
    assert client.get("/networks/Link").status_code == 422


def test_text_of_files_is_never_markup(client: TestClient, network: Path) -> None:
    job = network / "job.toml"
    title = "<script>alert(1)</script>'\\\"><img src=x onerror=alert(1)>"
    job.write_text(job.read_text().replace('"Bench network"', f"'''{title}'''"))
    page = client.get("/networks/Disc")
    assert "&lt;script&gt;alert(1)" in page.text
    assert "<script>alert" not in page.text and "<img src=x" not in page.text


def test_the_key_is_its_owners_alone(tmp_path: Path) -> None:
    one, other = (new_keys(tmp_path, port=port) for port in (1, 2))
    assert one.cookie == other.cookie and one.token != other.token
    assert stat.S_IMODE((tmp_path / ".bench-key").stat().st_mode) == 0o600
