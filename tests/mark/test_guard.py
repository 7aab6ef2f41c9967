"""Refusals, by raw sockets where a client library would put a request right."""

import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest

from vidseg.mark.guard import HEADERS, LARGEST_BODY
from vidseg.mark.serve import bind
from vidseg.media.stream.playback import Playback


@pytest.fixture(scope="module")
def server(
    served: Callable[..., AbstractContextManager[Any]], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Any]:
    """A server that shows the file as it is."""
    with pytest.MonkeyPatch.context() as patch:
        plan = Playback("file", 'video/mp4; codecs="avc1.64000a"', (), (), (), None)
        patch.setattr("vidseg.mark.delivery.plan_playback", lambda *_, **__: plan)
        with served(tmp_path_factory.mktemp("guard") / "steps.json") as found:
            found.page.get("state")
            yield found


def asked(server: Any, text: str, body: bytes = b"") -> tuple[int, dict[str, str], bytes]:
    """Send a request as written, and give status, headers and body."""
    address, port = server.host.split(":")
    with socket.create_connection((address, int(port)), timeout=300) as connection:
        connection.sendall(text.replace("\n", "\r\n").encode("latin-1") + b"\r\n\r\n" + body)
        data = b""
        try:
            while piece := connection.recv(65536):
                data += piece
        except ConnectionResetError:
            pass
    head, _, rest = data.partition(b"\r\n\r\n")
    lines = head.decode("latin-1").split("\r\n")
    headers = dict(line.lower().split(": ", 1) for line in lines[1:])
    return int(lines[0].split()[1]), headers, rest


def get(server: Any, path: str, *headers: str, host: str | None = None) -> tuple[int, bytes]:
    lines = [f"GET {path} HTTP/1.1", f"Host: {host or server.host}", "Connection: close", *headers]
    status, _, body = asked(server, "\n".join(lines))
    return status, body


def post(server: Any, *headers: str, body: bytes = b"{}", path: str = "changes") -> int:
    lines = [f"POST /{server.token}/{path} HTTP/1.1", f"Host: {server.host}", "Connection: close"]
    return asked(server, "\n".join([*lines, *headers]), body)[0]


def test_only_this_machine_is_listened_on(server: Any) -> None:
    """All of 127.0.0.0/8 is this machine on Linux, so 127.0.0.2 tells one address from all."""
    assert server.host.startswith("127.0.0.1:")
    with bind() as listener:
        assert listener.getsockname()[0] == "127.0.0.1"
    if sys.platform == "linux":
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.2", int(server.host.split(":")[1])), timeout=5)


@pytest.mark.parametrize(
    "host", ["attacker.example", "localhost", "127.0.0.1", "attacker.example:{port}", "0.0.0.0:1"]
)
def test_another_host_is_misdirected(server: Any, host: str) -> None:
    """RFC 9110, 15.5.20. A name of another site that is made to point here brings its own Host."""
    host = host.format(port=server.host.split(":")[1])
    assert get(server, f"/{server.token}/state", host=host) == (421, b"")


def test_two_hosts_or_none_are_refused(server: Any) -> None:
    """RFC 9112, 3.2: 400 for a request without Host or with more than one."""
    path = f"/{server.token}/state"
    assert asked(server, f"GET {path} HTTP/1.1\nConnection: close")[0] == 400
    twice = f"Host: {server.host}\nHost: {server.host}"
    assert asked(server, f"GET {path} HTTP/1.1\n{twice}\nConnection: close")[0] in (400, 421)


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/state",
        "//state",
        "/{wrong}/state",
        "/{short}/state",
        "/{token}",
        "/{token}x/state",
        "/{token}/nothing",
        "/{token}/../state",
        "/{token}/assets/../state.py",
        "/{token}/assets/..%2f..%2fapp.py",
        "/{token}/assets/%2e%2e/%2e%2e/app.py",
        "/{token}/assets/..\\..\\app.py",
        "/{token}/assets/%00",
        "/{token}/assets//etc/passwd",
        "/{token}/assets/%2fetc%2fpasswd",
        "/{token}/assets/C:%5cWindows%5cwin.ini",
        "/{token}/assets/case.js",
        "/{token}/assets/mark.html.j2",
        "/{token}/media/file/../../state",
        "/{token}/media/..%2f..%2fsteps.json",
        "/%ff%fe/state",
    ],
)
def test_no_other_path_is_there(server: Any, path: str) -> None:
    wrong = "A" * len(server.token)
    path = path.format(token=server.token, wrong=wrong, short=server.token[:-1])
    assert get(server, path) == (404, b"")


def test_an_address_with_a_site_in_it_is_of_no_use(server: Any) -> None:
    """RFC 9112, 3.2.2: the absolute form, as proxies take it."""
    status, _ = get(server, f"http://attacker.example/{server.token}/state")
    assert status in (400, 404, 421)


@pytest.mark.parametrize(
    "header",
    [
        "Origin: http://attacker.example",
        "Origin: null",
        "Origin: https://{host}",
        "Origin: http://localhost:{port}",
        "Sec-Fetch-Site: cross-site",
        "Sec-Fetch-Site: same-site",
    ],
)
def test_other_sites_may_not_ask(server: Any, header: str) -> None:
    header = header.format(host=server.host, port=server.host.split(":")[1])
    assert get(server, f"/{server.token}/state", header) == (403, b"")
    assert post(server, header, "Content-Type: application/json", "Content-Length: 2") == 403


def test_a_post_names_its_origin(server: Any) -> None:
    assert post(server, "Content-Type: application/json", "Content-Length: 2") == 403


@pytest.mark.parametrize(
    ("headers", "body", "status"),
    [
        (("Content-Type: text/plain", "Content-Length: 2"), b"{}", 415),
        (("Content-Type: application/x-www-form-urlencoded", "Content-Length: 2"), b"{}", 415),
        (("Content-Length: 2",), b"{}", 415),
        (("Content-Type: application/json", f"Content-Length: {LARGEST_BODY + 1}"), b"", 413),
        (("Content-Type: application/json", "Content-Length: 1"), b"{", 400),
        (("Content-Type: application/json", "Content-Length: 2"), b"[]", 400),
        (("Content-Type: application/json", "Content-Length: 3"), b"\xff{}", 400),
        (("Content-Type: application/json; charset=utf-8", "Content-Length: 2"), b"{}", 422),
        (("Content-Type: application/json", "Content-Length: 200000"), b"[" * 200_000, 400),
    ],
)
def test_bodies_that_are_refused(
    server: Any, headers: tuple[str, ...], body: bytes, status: int
) -> None:
    """RFC 9110, 15.5.14 (413) and 15.5.16 (415)."""
    assert post(server, f"Origin: http://{server.host}", *headers, body=body) == status


def test_a_body_in_pieces_is_counted(server: Any) -> None:
    piece = b"100000\r\n" + b" " * 0x100000 + b"\r\n"
    body = piece * 9 + b"0\r\n\r\n"
    headers = ("Content-Type: application/json", "Transfer-Encoding: chunked")
    assert post(server, f"Origin: http://{server.host}", *headers, body=body) == 413


def test_methods_that_are_not_there(server: Any) -> None:
    """RFC 9110, 15.5.6: 405 names what is allowed."""
    status, headers, _ = asked(
        server,
        f"GET /{server.token}/changes HTTP/1.1\nHost: {server.host}\nConnection: close",
    )
    assert (status, headers["allow"]) == (405, "post")
    for method in ("PUT", "DELETE", "OPTIONS"):
        lines = f"{method} /{server.token}/state HTTP/1.1\nHost: {server.host}\nConnection: close"
        assert asked(server, lines)[0] == 403


@pytest.mark.parametrize("path", ["state", "nothing", "media/file"])
def test_every_answer_bears_the_policy(server: Any, path: str) -> None:
    answer = server.page.get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "server" not in answer.headers
    assert "unsafe" not in answer.headers["Content-Security-Policy"]


def test_ranges_over_http(server: Any, clip: Path) -> None:
    """RFC 9110, 14 and 15.3.7: one range is answered in part; HEAD has no range (14.2)."""
    data, page = clip.read_bytes(), server.page
    whole = page.get("media/file")
    assert (whole.status_code, whole.content) == (200, data)
    assert whole.headers["accept-ranges"] == "bytes"
    part = page.get("media/file", headers={"Range": "bytes=10-19"})
    assert (part.status_code, part.content) == (206, data[10:20])
    assert part.headers["content-range"] == f"bytes 10-19/{len(data)}"
    many = page.get("media/file", headers={"Range": "bytes=0-1,4-5"})
    assert (many.status_code, many.content) == (200, data)
    beyond = page.get("media/file", headers={"Range": f"bytes={len(data)}-"})
    assert (beyond.status_code, beyond.content) == (416, b"")
    assert beyond.headers["content-range"] == f"bytes */{len(data)}"
    head = page.head("media/file", headers={"Range": "bytes=0-1"})
    assert (head.status_code, head.headers["content-length"]) == (200, str(len(data)))
    same = {"Range": "bytes=0-1", "If-Range": whole.headers["etag"]}
    assert page.get("media/file", headers=same).status_code == 206
    other = {"Range": "bytes=0-1", "If-Range": '"other"'}
    assert page.get("media/file", headers=other).status_code == 200


def test_a_client_that_leaves_in_the_middle_harms_nothing(server: Any) -> None:
    address, port = server.host.split(":")
    request = f"GET /{server.token}/media/file HTTP/1.1\r\nHost: {server.host}\r\n\r\n"
    for _ in range(5):
        with socket.create_connection((address, int(port)), timeout=300) as connection:
            connection.sendall(request.encode())
            connection.recv(1)
    assert server.page.get("state").status_code == 200
