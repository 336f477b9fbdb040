"""The bench page as a stranger meets it: a real server process, asked over HTTP by httpx, not by a browser.

What is tried here follows OWASP's lists for sessions, forged requests, uploads and headers (from memory); what
must hold is said in each test. Photos are measured by the stand-in of page_bench, opened by the real code.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shutil
import signal
import socket
import struct
import subprocess
import sys
import time
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent))
from tests.page_bench import free_port, keep_block, photo_bytes, start

FORM = {"closure": "5x5", "block": "22.75in"}


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    running = start(tmp_path_factory.mktemp("bench"))
    yield running
    running.stop()


def pair(server, code=None) -> tuple[httpx.Client, str]:
    """A paired client and its form token."""
    client = httpx.Client(base_url=server.url, timeout=60, headers={"accept": "text/html"})
    answer = client.post("/pair", data={"code": code or server.code})
    assert answer.status_code == 303, answer.text
    return client, re.search(r'data-token="(\w+)"', client.get("/").text)[1]


@pytest.fixture(scope="module")
def paired(server):
    client, token = pair(server)
    yield client, token
    client.close()


def new_code(paired) -> str:
    client, token = paired
    return re.search(r"[A-Z2-9]{4}-[A-Z2-9]{4}", client.post("/devices/code", data={"token": token}).text)[0]


def send(client, token, data: bytes, name="photo.jpg", **form) -> httpx.Response:
    return client.post(
        "/photos",
        data={"token": token, **FORM, **form},
        files={"photo": (name, data)},
        headers={"accept": "application/json"},
    )


def wait_for(client, to: str, seconds=60) -> None:
    """Until the answer is there; asks as the page does, which tells what it knows and is answered when that changes."""
    until, known = time.monotonic() + seconds, ""
    while time.monotonic() < until:
        asked = client.get(f"{to}/state", params={"known": known}, headers={"accept": "application/json"})
        state = asked.json()
        if state["state"] == "done":
            return
        known = state["known"]
    raise AssertionError(f"no answer for {to}: {state}")


def measured(paired, data: bytes, **form) -> tuple[str, str]:
    """Address and text of the check of a photo."""
    client, token = paired
    to = send(client, token, data, **form).json()["to"]
    wait_for(client, to)
    return to, words(client.get(to).text)


def saved(paired, to: str) -> int:
    """Saves a check; the number of its record."""
    client, token = paired
    answer = client.post(f"{to}/save", data={"token": token})
    assert answer.status_code == 303, words(answer.text)
    return int(re.search(r'href="/records/(\d+)">Saved', client.get(to).text)[1])


def words(page: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page).split())


# ----------------------------------------------------------------------------- who may come in


def addresses(server, to: str) -> list[str]:
    from placecheck.page import views_class, views_photo, views_setup, views_shop, views_take

    number = to.rsplit("/", 1)[1]
    values = {"number": number, "picture": "overlay", "paper": "a4", "kind": "html", "name": "x", "sheet": "sheet"}
    routes = [*views_take.ROUTES, *views_photo.ROUTES, *views_setup.ROUTES, *views_class.ROUTES, *views_shop.ROUTES]
    return [re.sub(r"\{(\w+)\}", lambda m: values[m[1]], r.path) for r in routes if "GET" in r.methods]


def test_nothing_is_readable_without_pairing(server, paired):
    to, _ = measured(paired, photo_bytes())
    stranger = httpx.Client(base_url=server.url)
    for path in [*addresses(server, to), f"{to}/view.jpg", "/records/1/photo.jpg", "/nothing"]:
        if path == "/pair":
            continue
        assert stranger.get(path, headers={"accept": "image/*"}).status_code == 401, path
        page = stranger.get(path, headers={"accept": "text/html"})
        assert (page.status_code, page.headers["location"]) == (303, "/pair"), path
        forged = stranger.get(path, headers={"accept": "image/*", "cookie": "placecheck=" + "A" * 43})
        assert forged.status_code == 401, path
    assert paired[0].get(f"{to}/overlay.jpg").content[:3] == b"\xff\xd8\xff"


def test_codes_are_single_use_and_the_cookie_is_shut(server, paired):
    code = new_code(paired)
    first = httpx.post(f"{server.url}/pair", data={"code": code})
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert "path=/" in cookie
    second = httpx.post(f"{server.url}/pair", data={"code": code})
    assert second.status_code == 403
    assert "set-cookie" not in second.headers
    assert httpx.get(f"{server.url}/pair?code={new_code(paired)}").headers.get("set-cookie") is None


def test_an_unpaired_device_is_out_at_once(server, paired):
    client, token = pair(server, new_code(paired))
    key = re.search(r'name="key" value="(\w+)">(?:(?!name="key").)*?$', client.get("/devices").text, re.S)
    keys = re.findall(r'name="key" value="(\w+)"', client.get("/devices").text)
    assert key
    mine = next(k for k in keys if k in client.get("/devices").text.split("(this one)")[1][:400])
    assert client.post("/devices/unpair", data={"token": token, "key": mine}).status_code == 303
    assert client.get("/").headers["location"] == "/pair"


def test_guessing_is_stopped(tmp_path):
    server = start(tmp_path)
    try:
        answers = [httpx.post(f"{server.url}/pair", data={"code": f"AAAA-AAA{i}"}).status_code for i in range(12)]
        assert answers[:10] == [403] * 10
        assert answers[10:] == [429] * 2
        assert httpx.post(f"{server.url}/pair", data={"code": server.code}).status_code == 429
    finally:
        server.stop()


# ----------------------------------------------------------------------------- who may change things


def test_every_change_wants_the_form_token(server, paired):
    from placecheck.page import views_class, views_photo, views_setup, views_shop, views_take

    client, _ = paired
    routes = [*views_take.ROUTES, *views_photo.ROUTES, *views_setup.ROUTES, *views_class.ROUTES, *views_shop.ROUTES]
    changing = [re.sub(r"\{\w+\}", "0" * 16, r.path) for r in routes if "POST" in r.methods and r.path != "/pair"]
    assert len(changing) >= 15
    for path in changing:
        for form in ({}, {"token": ""}, {"token": "0" * 64}):
            assert client.post(path, data=form).status_code == 403, path
        wrong = client.post(path, json={}, headers={"x-form-token": "0" * 64})
        assert wrong.status_code == 403, path


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
)
def test_other_sites_can_send_nothing(paired, headers):
    client, token = paired
    assert client.post("/devices/code", data={"token": token}, headers=headers).status_code == 403


def test_another_devices_token_is_no_use(server, paired):
    other, other_token = pair(server, new_code(paired))
    assert paired[0].post("/devices/code", data={"token": other_token}).status_code == 403
    assert other.post("/devices/code", data={"token": other_token}).status_code == 200


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1.evil.example", "192.168.0.1"])
def test_only_own_names(server, host):
    """DNS rebinding: a foreign name that points here."""
    assert httpx.get(f"{server.url}/pair", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods(paired, method):
    assert paired[0].request(method, "/").status_code == 405


# ----------------------------------------------------------------------------- headers


def test_headers_of_every_answer(server, paired):
    client, _ = paired
    to, _ = measured(paired, photo_bytes())
    for path in [*addresses(server, to), "/static/page.css", "/static/nothing.css", "/nothing"]:
        headers = client.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy, path
        if "sandbox" not in policy:
            assert "unsafe" not in policy, path
            assert "script-src 'self'" in policy, path
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff", path
        assert headers["referrer-policy"] == "same-origin"
        if not path.startswith("/static") and not path.endswith(".jpg"):
            assert headers["cache-control"] == "no-store", path


def test_pages_have_nothing_inline_and_nothing_from_elsewhere(server, paired):
    client, _ = paired
    to, _ = measured(paired, photo_bytes())
    for path in [*addresses(server, to), "/pair"]:
        answer = client.get(path)
        if (
            not answer.headers.get("content-type", "").startswith("text/html")
            or "sandbox" in answer.headers["content-security-policy"]
        ):
            continue
        page = answer.text
        assert not re.search(r"<script(?![^>]*\bsrc=)", page), path
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", page), path
        for link in re.findall(r'(?:href|src|action)="([^"]*)"', page):
            assert re.match(r"[/#]", link), (path, link)
            assert not link.startswith("//"), (path, link)


def test_what_people_type_stays_text(paired):
    client, token = paired
    evil = '"><script>alert(1)</script>'
    page = client.post("/orders", data={"token": token, "alias": evil, "circumference": evil}).text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in client.get("/records", params={"maker": evil}).text


# ----------------------------------------------------------------------------- paths


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/app.py",
        "/static//etc/passwd",
        "/checks/..%2f..%2fsessions/view.jpg",
        "/checks/%00/view.jpg",
        "/checks/../../../../etc/passwd",
        "/records/..%2f1/photo.jpg",
        "/records/1e3",
        "/records/999999999999999999999",
        "/class/..%2finbox",
        "/orders/..%2f..%2fetc",
        "/card/..%2f.pdf",
        "/orders/1/report.exe",
    ],
)
def test_no_path_reaches_a_file(server, paired, path):
    """Sent as it stands: httpx would tidy the path."""
    cookie = paired[0].cookies["placecheck"]
    with socket.create_connection(("127.0.0.1", server.port), 10) as sock:
        head = f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nCookie: placecheck={cookie}\r\nConnection: close\r\n\r\n"
        sock.sendall(head.encode())
        answer = b""
        while chunk := sock.recv(65536):
            answer += chunk
    status = int(answer.split()[1])
    assert status in (400, 404), answer[:300]
    assert b"root:" not in answer
    assert b"import " not in answer
    assert b"Traceback" not in answer


# ----------------------------------------------------------------------------- hostile photos


def png_bomb(width: int, height: int) -> bytes:
    """A PNG that says it is huge and holds little (PNG specification: IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0" * 3_000_000, 9))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "empty"),
        (b"<html><script>alert(1)</script>", "not a JPEG"),
        (photo_bytes()[:20_000], "ends too early"),
        (png_bomb(60_000, 60_000), "larger than 50 megapixels"),
        (b"GIF89a" + b"\0" * 500, "not a JPEG"),
        (b"PK\x03\x04" + b"\0" * 500, "not a JPEG"),
        (b"\xff\xd8\xff" + b"\xff" * 100_000, "ends too early"),
        (b"\0\0\0\x18ftypheic\0\0\0\0heic" + b"\0" * 500, ""),
        (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "not a JPEG"),
    ],
)
def test_hostile_files_get_one_sentence(paired, data, says):
    client, token = paired
    answer = send(client, token, data)
    if answer.status_code == 400:
        assert says in answer.json()["error"]
        return
    to = answer.json()["to"]
    wait_for(client, to)
    shown = client.get(to).text
    page = words(shown)
    assert '<h1 id="verdict">Not checked</h1>' in shown  # as on the terminal, here and wherever it is read
    assert "<title>Not checked" in shown
    assert 'data-aloud="Not checked. ' in shown
    assert "Nothing was measured." in page
    assert "Retake" not in page
    assert says in page
    assert f'<a href="{to}"><strong>Not checked</strong>' in client.get("/recent").text
    assert client.get(f"{to}/overlay.jpg").status_code == 404


def test_a_photo_that_never_ends_is_stopped(tmp_path):
    server = start(tmp_path, check_s=2, workers=1)
    try:
        paired = pair(server)
        measured(paired, photo_bytes())  # a worker's first photo may take longer, since it has to start
        _, page = measured(paired, photo_bytes("endless"))
        assert "took longer than 2 seconds" in page
    finally:
        server.stop()


def test_a_photo_that_kills_its_worker_is_answered_and_harms_nobody(paired):
    client, token = paired
    deadly = send(client, token, photo_bytes("deadly")).json()["to"]
    _, page = measured(paired, photo_bytes())
    assert "Fix" in page
    wait_for(client, deadly)
    assert "stopped several times" in words(client.get(deadly).text)


def test_a_photo_that_wants_all_memory_gets_one_sentence(paired):
    _, page = measured(paired, photo_bytes("greedy"))
    assert "not enough memory" in page


def test_bytes_are_limited_as_they_arrive(server, paired):
    client, token = paired
    with socket.create_connection(("127.0.0.1", server.port), 10) as sock:  # refused by its stated length, unread
        cookie = f"Cookie: placecheck={client.cookies['placecheck']}"
        sock.sendall(
            f"POST /photos HTTP/1.1\r\nHost: 127.0.0.1\r\n{cookie}\r\nContent-Length: 90000000\r\n\r\nx".encode()
        )
        assert sock.recv(65536).startswith(b"HTTP/1.1 413")
    form = {"content-type": "application/x-www-form-urlencoded"}
    chunked = (b"x" * 10_000 for _ in range(100))  # without a length
    lying = client.post("/devices/code", content=chunked, headers=form)
    assert lying.status_code == 413
    small = client.post("/orders", data={"token": token, "note": "x" * 70_000})
    assert small.status_code == 413

    def flood():
        head = b'--b\r\nContent-Disposition: form-data; name="photo"; filename="a.jpg"\r\n\r\n\xff\xd8\xff'
        yield head
        for _ in range(80):
            yield b"\0" * 1_000_000

    boundary = {"content-type": "multipart/form-data; boundary=b", "x-form-token": token}
    with contextlib.suppress(httpx.WriteError):  # where the server has hung up on it already
        assert client.post("/photos", content=flood(), headers=boundary).status_code == 413
    assert client.get("/").status_code == 200


def test_odd_bodies_are_refused_politely(paired):
    client, token = paired
    for content, kind in (
        (b"{", "application/json"),
        (b"[" * 30_000, "application/json"),
        (b"[1]", "application/json"),
        (b"--x", "multipart/form-data; boundary=x"),
        (b"", "multipart/form-data"),
        (b"\xff\xfe", "application/x-www-form-urlencoded"),
    ):
        answer = client.post(
            f"/checks/{'0' * 16}/hands", content=content, headers={"content-type": kind, "x-form-token": token}
        )
        assert answer.status_code in (400, 404), (content[:20], answer.status_code)
        assert "Traceback" not in answer.text


@pytest.mark.parametrize("to", ["/photos", "/class", "/camera/photos"])
def test_json_in_a_forms_place_is_an_empty_form(paired, to):
    client, token = paired
    answer = client.post(to, json={"batch": "0" * 16, "photo": [1], **FORM}, headers={"x-form-token": token})
    assert answer.status_code == 400
    assert "went wrong" not in answer.text


# ----------------------------------------------------------------------------- load and loss


def test_a_photo_sent_twice_is_one(paired):
    client, token = paired
    data = photo_bytes()
    first, second = (send(client, token, data, once="0123456789").json()["to"] for _ in range(2))
    assert first == second


def test_another_photo_from_the_same_form_is_another(paired):
    """The first one's answer was lost on the way, and the maker chose a new photo instead of sending it again."""
    client, token = paired
    first = send(client, token, photo_bytes("fix"), once="the same form").json()["to"]
    second = send(client, token, photo_bytes("pass"), once="the same form").json()["to"]
    assert first != second
    wait_for(client, second)
    assert "Pass" in words(client.get(second).text)
    assert send(client, token, photo_bytes("pass"), once="the same form").json()["to"] == second


def test_many_phones_at_once_and_none_lost(server, paired):
    client, token = paired
    data = photo_bytes()

    def one(i: int) -> str:
        with httpx.Client(base_url=server.url, cookies=client.cookies, timeout=60) as phone:
            to = send(phone, token, data, maker=f"m{i}").json()["to"]
            wait_for(phone, to, 60)
            return words(phone.get(to, headers={"accept": "text/html"}).text)

    with ThreadPoolExecutor(20) as phones:
        pages = list(phones.map(one, range(20)))
    assert all("8.00 ± 0.60 mm right" in page for page in pages)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads memory from Linux's /proc")
def test_memory_does_not_grow_with_what_is_uploaded(server, paired):
    """20 phones send 20 MB each at once: 400 MB, of which the server may hold no more than 100 MB at any time."""
    client, token = paired

    def most() -> float:
        status = Path(f"/proc/{server.process.pid}/status").read_text()
        return int(re.search(r"VmHWM:\s+(\d+)", status)[1]) / 1024

    before, data = most(), b"\xff\xd8\xff" + b"\0" * 20_000_000

    def one(_: int) -> str:
        with httpx.Client(base_url=server.url, cookies=client.cookies, timeout=60) as phone:
            to = send(phone, token, data).json()["to"]
            wait_for(phone, to, 60)
            return words(phone.get(to, headers={"accept": "text/html"}).text)

    with ThreadPoolExecutor(20) as phones:
        pages = list(phones.map(one, range(20)))
    assert all("ends too early" in page for page in pages)
    assert most() - before < 100


def test_killed_in_mid_check_and_finished_after_the_restart(tmp_path):
    server = start(tmp_path, workers=1)
    client, token = pair(server)
    try:
        sent = [send(client, token, photo_bytes("slow")).json()["to"] for _ in range(3)]
        while client.get(f"{sent[0]}/state").json()["state"] != "measuring":
            time.sleep(0.02)
        time.sleep(0.3)
        server.kill()
        with pytest.raises(httpx.TransportError):
            client.get("/")
        kept = sorted(p.name for p in (tmp_path / "page" / "inbox").glob("*.photo"))
        assert kept == sorted(f"{to.rsplit('/', 1)[1]}.photo" for to in sent)
        server = start(tmp_path, port=server.port)
        for to in sent:  # the same cookie still holds, the same addresses answer
            wait_for(client, to)
            assert "Numbers" in client.get(to, headers={"accept": "text/html"}).text
    finally:
        server.stop()


def test_an_answer_that_cannot_be_kept_is_told_and_measured_later(server, paired):
    """As on a full disk; here a folder lies in the place of the job's file. It once was “Measuring” until a restart."""
    client, token = paired
    to, _ = measured(paired, photo_bytes())
    file = server.home / "page" / "inbox" / f"{to.rsplit('/', 1)[1]}.json"
    text = file.read_bytes()
    file.unlink()
    (file / "in the way").mkdir(parents=True)
    assert client.post(f"{to}/taped", data={"token": token, "taped_middle": "9"}).status_code == 303
    wait_for(client, to)
    assert "could not be kept" in words(client.get(to).text)
    shutil.rmtree(file)
    file.write_bytes(text)
    assert "Measure this photo again" in client.get(to).text
    client.post(f"{to}/once-more", data={"token": token})
    wait_for(client, to)
    assert "Fix" in words(client.get(to).text)


def test_a_slow_sender_holds_up_nobody(server, paired):
    client, _ = paired
    with socket.create_connection(("127.0.0.1", server.port), 10) as sock:
        sock.sendall(b"POST /photos HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 50000000\r\n\r\nx")
        begun = time.monotonic()
        assert client.get("/").status_code == 200
        assert time.monotonic() - begun < 2


# ----------------------------------------------------------------------------- the job itself


def test_correcting_saving_and_finding(server, paired):
    client, token = paired
    to, page = measured(paired, photo_bytes("pass"))
    assert "Pass" in page
    took = []
    for x in (850, 860, 870, 880, 900):
        begun = time.monotonic()
        live = client.post(f"{to}/hands", json={"points": {"fold_front": [x, 744.0]}}, headers={"x-form-token": token})
        took.append(time.monotonic() - begun)
        assert live.status_code == 200, live.text
    assert min(took[1:]) < 0.3, took  # the first opens the photo; the quickest, since other work runs beside this
    live = live.json()
    assert live["kind"] == "fix"
    assert live["rows"]["skew_deg"]["state"] == "out"
    assert "Pass" in words(client.get(to).text)  # trying out changes nothing
    bends = {"bends": {"cap_rim": [[0, -12]] * 5}}
    live = client.post(f"{to}/hands", json=bends, headers={"x-form-token": token}).json()
    assert live["rows"]["clearance_centre_mm"]["reads"] == "15.00 ± 0.60 mm"  # 12 px of 1200 are 5 mm here
    for bad in ({"fold_front": [1e9, 0]}, {"nose": [1, 1]}, {"fold_front": "x"}, {"fold_front": [None, 1]}, [1]):
        answer = client.post(f"{to}/hands", json={"points": bad}, headers={"x-form-token": token})
        assert answer.status_code == 400
    client.post(f"{to}/points", data={"token": token, "points": '{"points": {"fold_front": [900, 744]}}'})
    wait_for(client, to)
    assert "Set by hand: fold at the hairline." in words(client.get(to).text)
    number = saved(paired, to)
    kept = words(client.get(f"/records/{number}").text)
    assert "Fix" in kept
    assert "Set by hand: fold at the hairline." in kept
    client.post(f"{to}/points", data={"token": token, "points": "{}"})
    wait_for(client, to)
    back = words(client.get(to).text)
    assert "Pass" in back
    assert "Set by hand" not in back


def test_what_a_soft_tape_reads_is_judged_with_the_photo(paired):
    client, token = paired
    to, page = measured(paired, photo_bytes("pass"))
    assert "Judge with the tape" in page
    before = re.search(r"hairline below cap edge, middle .*?([\d.]+) ± ([\d.]+) mm", page, re.I)
    given = {"taped_left": "", "taped_middle": str(round(float(before[1]) + 0.8, 1)), "taped_right": "3/8 in"}
    client.post(f"{to}/taped", data={"token": token, **given})
    wait_for(client, to)
    page = words(client.get(to).text)
    after = re.search(r"hairline below cap edge, middle .*?([\d.]+) ± ([\d.]+) mm", page, re.I)
    assert float(before[1]) < float(after[1]) < float(before[1]) + 0.8
    assert float(after[2]) < float(before[2])
    assert f'value="{given["taped_middle"]}"' in client.get(to).text
    assert 'value="3/8 in"' in client.get(to).text
    for bad, says in (("nine", "is not a length"), ("90", "no hairline lies further than 60 mm")):
        answer = client.post(f"{to}/taped", data={"token": token, "taped_left": bad})
        assert answer.status_code == 400
        assert says in words(answer.text)
    number = saved(paired, to)
    assert "Pass" in words(client.get(f"/records/{number}").text)
    client.post(f"{to}/taped", data={"token": token})
    wait_for(client, to)
    again = re.search(r"hairline below cap edge, middle .*?([\d.]+) ± ([\d.]+) mm", words(client.get(to).text), re.I)
    assert again.groups() == before.groups()


def test_a_photo_from_another_side_is_added_to_one_that_cannot_decide(paired):
    client, token = paired
    to, page = measured(paired, photo_bytes("unsure"))
    assert "Nothing touched since?" in page
    answer = client.post(to.replace("/checks/", "/photos/"), data={"token": token})
    assert answer.status_code == 400
    assert "There is no photo in what was sent" in words(answer.text)

    def added(to: str, kind: str = "unsure", once: str = "") -> str:
        files = {"photo": ("photo.jpg", photo_bytes(kind), "image/jpeg")}
        answer = client.post(
            to.replace("/checks/", "/photos/"), data={"token": token, "once": once}, files=files, follow_redirects=False
        )
        assert answer.status_code == 303, answer.text
        wait_for(client, answer.headers["location"])
        return answer.headers["location"]

    both = added(to, once="one")
    assert added(to, once="one") == both  # sent twice, since the first answer was lost on the way
    page = words(client.get(both).text)
    assert "Pass" in page
    assert "Measured together with the photo before" in page
    assert "Nothing touched since?" not in page  # it is decided
    assert f'href="{to}"' in client.get(both).text
    number = saved(paired, both)
    kept = client.get(f"/records/{number}").text
    assert "Pass" in words(kept)
    assert re.search(rf'Measured together with <a href="/records/{number - 1}">', kept)
    assert "Saved" in words(client.get(to).text)  # what it was measured with is kept, too
    third = added(both)
    assert "together with photo 1 and photo 2" in words(client.get(third).text)
    client.post(f"{to}/remove", data={"token": token})
    client.post(f"{both}/taped", data={"token": token, "taped_middle": "12"})
    wait_for(client, both)
    page = words(client.get(both).text)
    assert "Retake" in page
    assert "A photo before it cannot be used: it was thrown away." in page


def add_to(paired, to: str, kind: str = "unsure") -> str:
    """The address of a check of one more photo, measured together with that of `to`."""
    client, token = paired
    files = {"photo": ("photo.jpg", photo_bytes(kind), "image/jpeg")}
    added = client.post(to.replace("/checks/", "/photos/"), data={"token": token}, files=files).headers["location"]
    wait_for(client, added)
    return added


def test_a_refused_photo_leads_back_to_the_one_it_was_added_to(paired):
    client, _ = paired
    to, _ = measured(paired, photo_bytes("unsure"))
    page = client.get(add_to(paired, to, "faceless")).text
    assert "which side of the block is the face" in page
    assert f'added to <a href="{to}">the photo before</a>, whose answer stands' in page
    assert "Nothing touched since?" in words(client.get(to).text)  # there another one is added
    assert "was added to" not in client.get(add_to(paired, to)).text
    _, alone = measured(paired, photo_bytes("faceless"))
    assert "was added to" not in alone


def offset_of(page: str) -> str:
    return re.search(r"Off centre.*?([\d.]+ ± [\d.]+ mm)", page)[1]


def test_a_landmark_corrected_in_either_photo_counts_for_both(server, paired):
    """The stand-in moves the numbers of a set by the fold as it is set in the other photos, px of theirs."""
    client, token = paired
    to, _ = measured(paired, photo_bytes("unsure"))
    both = add_to(paired, to)
    found = offset_of(words(client.get(both).text))
    saved(paired, both)
    live = {"points": {}, "bends": {}}
    client.post(f"{both}/hands", json=live, headers={"x-form-token": token})  # both photos are open for corrections now
    client.post(f"{to}/points", data={"token": token, "points": '{"points": {"fold_front": [840, 744]}}'})
    wait_for(client, both)
    page = client.get(both).text
    corrected = offset_of(words(page))
    assert corrected != found
    assert ">Saved</a>" not in page  # what was saved is of before
    answer = client.post(f"{both}/hands", json=live, headers={"x-form-token": token}).json()
    assert answer["rows"]["offset_mm"]["reads"].startswith(corrected)

    slow = add_to(paired, to, "slow")  # corrected while it is being measured
    before = offset_of(words(client.get(slow).text))
    client.post(f"{slow}/once-more", data={"token": token})
    while client.get(f"{slow}/state").json()["state"] != "measuring":
        time.sleep(0.02)
    time.sleep(0.3)
    client.post(f"{to}/points", data={"token": token, "points": '{"points": {"fold_front": [880, 744]}}'})
    wait_for(client, slow)
    assert offset_of(words(client.get(slow).text)) != before


def test_what_is_left_of_a_set_is_measured_anew_and_its_record_says_so(server, paired):
    from placecheck.records.request_json import from_json
    from placecheck.records.store import open_store
    from placecheck.request import CheckRequest, OtherPhoto

    client, token = paired
    to, _ = measured(paired, photo_bytes("unsure"))
    both = add_to(paired, to)
    assert "Measured together with the photo before" in words(client.get(both).text)
    client.post(f"{to}/remove", data={"token": token})
    wait_for(client, both)
    assert "A photo before it cannot be used: it was thrown away." in words(client.get(both).text)
    with open_store(server.home) as store:
        kept = store.get(saved(paired, both))
    assert "others-unused" in [problem["code"] for problem in kept.answer["problems"]]
    assert from_json(CheckRequest, kept.request).others == (OtherPhoto(""),)  # so that it is asked again as it was
    # what was saved together stays as it was
    to, _ = measured(paired, photo_bytes("unsure"))
    both = add_to(paired, to)
    number = saved(paired, both)
    client.post(f"{to}/remove", data={"token": token})
    assert f'href="/records/{number}">Saved' in client.get(both).text
    assert "Measured together with" in words(client.get(f"/records/{number}").text)


def test_a_refused_photo_shows_what_was_taken_for_what(server, paired):
    """Where there is a picture of that; once the photo is measured, and refused without one, it is gone."""
    client, token = paired
    to, _ = measured(paired, photo_bytes("faceless"))
    assert f"{to}/view.jpg" in client.get(to).text
    kept = server.home / "page" / "inbox" / f"{to.rsplit('/', 1)[1]}.overlay.jpg"
    assert not kept.exists()
    kept.write_bytes(photo_bytes("fix"))
    page = client.get(to).text
    assert f"{to}/overlay.jpg" in page
    assert "drawn broken: a guess" in page
    client.post(f"{to}/once-more", data={"token": token})
    wait_for(client, to)
    assert not kept.exists()
    assert f"{to}/view.jpg" in client.get(to).text


def test_the_coloured_button_is_the_next_step(paired):
    """A pass is to be saved, whatever else is to be photographed again; once it is saved, the next photo is."""
    client, _ = paired

    def coloured(to: str) -> list[str]:
        found = re.findall(r'<(?:a|button) class="button go".*?</(?:a|button)>', client.get(to).text, re.S)
        return [words(button).strip() for button in found]

    to, _ = measured(paired, photo_bytes("pass"))
    assert coloured(to) == ["Save"]
    saved(paired, to)
    assert coloured(to) == ["New photo"]
    to, _ = measured(paired, photo_bytes("fix"))
    assert coloured(to) == ["New photo"]


def test_two_taps_on_save_make_one_record(server, paired):
    from placecheck.records.model import Filter
    from placecheck.records.store import open_store

    client, token = paired
    to, _ = measured(paired, photo_bytes("pass"), maker="Two Taps")
    cookies, data = dict(client.cookies), {"token": token}
    with ThreadPoolExecutor(8) as taps:
        posts = [taps.submit(httpx.post, f"{server.url}{to}/save", cookies=cookies, data=data) for _ in range(8)]
        assert {post.result().status_code for post in posts} == {303}
    with open_store(server.home) as store:
        assert store.count(Filter(maker="Two Taps")) == 1


def test_a_photo_thrown_away_while_it_is_measured_leaves_nothing(server, paired):
    client, token = paired
    to = send(client, token, photo_bytes("slow")).json()["to"]
    while client.get(f"{to}/state").json()["state"] != "measuring":
        time.sleep(0.02)
    client.post(f"{to}/remove", data={"token": token})
    measured(paired, photo_bytes("slow"))  # as long as the other takes,
    measured(paired, photo_bytes("slow"))  # whichever worker it is measured by
    left = [p.name for p in (server.home / "page" / "inbox").iterdir() if p.name.startswith(to.rsplit("/", 1)[1])]
    assert left == []


def test_nothing_is_added_to_what_was_not_measured_or_not_pinned(paired):
    client, token = paired
    for to, _ in (measured(paired, photo_bytes("faceless")), measured(paired, photo_bytes("unsure"), stage="stitched")):
        assert "Nothing touched since?" not in words(client.get(to).text)
        files = {"photo": ("photo.jpg", photo_bytes("unsure"), "image/jpeg")}
        answer = client.post(to.replace("/checks/", "/photos/"), data={"token": token}, files=files)
        assert answer.status_code == 400
        assert "No further photo can be added" in words(answer.text)


def test_where_the_face_is_can_be_told_afterwards(paired):
    client, token = paired
    to, page = measured(paired, photo_bytes("faceless"))
    assert "Where is the face in this photo? Top Left Right Bottom" in page
    client.post(f"{to}/once-more", data={"token": token, "front": "left"})
    wait_for(client, to)
    assert "Numbers" in words(client.get(to).text)


def test_saved_photos_lose_their_place(server, paired):
    """GPS and owner go from the kept copy; the inbox's own copy goes after a week."""
    from PIL import Image

    client, _ = paired
    image = Image.open(io.BytesIO(photo_bytes("pass")))
    exif = Image.Exif()
    exif[0x013B] = "A. Owner"
    exif.get_ifd(0x8825)[1] = "N"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    assert b"A. Owner" in out.getvalue()
    to, _ = measured(paired, out.getvalue())
    number = saved(paired, to)
    for path in (f"{to}/view.jpg", f"{to}/overlay.jpg", f"/records/{number}/photo.jpg"):
        shown = client.get(path).content
        assert b"A. Owner" not in shown
        assert not Image.open(io.BytesIO(shown)).getexif()


def test_a_class_worst_first_as_csv_and_pages(paired):
    import csv

    client, token = paired
    files = [
        ("photo", (f"{name}.jpg", photo_bytes(kind) + name.encode()))
        for name, kind in (("=Bea", "pass"), ("Amara", "fix"))
    ]
    files.append(("photo", ("Edo.jpg", b"no photo at all")))
    form = {"token": token, **FORM, "batch": "a" * 16, "class": "Tuesday"}
    answer = client.post("/class", data=form, files=files)
    assert answer.headers["location"] == f"/class/{'a' * 16}"
    to = answer.headers["location"]
    wait_for(client, to)
    page = client.get(to).text
    assert re.findall(r"<h2>([^<]+)</h2>", page) == ["Amara", "Edo", "=Bea"]
    table = list(csv.reader(io.StringIO(client.get(f"{to}/results.csv").content.decode("utf-8-sig"))))
    assert table[0][2:4] == ["offset_mm [mm]", "offset_mm_U95"]
    assert [row[:2] for row in table[1:]] == [["Amara", "fix"], ["Edo", "not checked"], ["'=Bea", "pass"]]
    assert float(table[1][2]) == pytest.approx(8.0, abs=0.01)
    pages = client.get(f"{to}/pages").text
    assert pages.count('<article class="sheet">') == 3
    for shown in (page, pages):
        assert (shown.count("Not checked"), shown.count("Retake")) == (1, 0)
    assert "1 to fix, 0 to retake, 1 passed, 1 not checked." in words(page)
    assert pages.count(f"5x5 closure, block {FORM['block']}.") == 3


def test_two_students_photos_of_one_name_are_two_and_one_sent_twice_is_one(paired):
    client, token = paired
    form = {"token": token, **FORM, "batch": "e" * 16, "class": "Friday", "once": "page"}
    files = [("photo", ("image.jpg", photo_bytes("pass") + bytes([n]))) for n in (1, 2)]
    for _ in range(2):
        to = client.post("/class", data=form, files=files).headers["location"]
    wait_for(client, to)
    assert re.findall(r"<h2>([^<]+)</h2>", client.get(to).text) == ["image", "image"]


def test_a_students_photo_keeps_its_name(server, paired):
    from placecheck.records.store import open_store

    client, token = paired
    form = {"token": token, **FORM, "batch": "c" * 16, "class": "Thursday"}
    to = client.post("/class", data=form, files=[("photo", ("Cy.jpg", photo_bytes("fix") + b"Cy"))]).headers["location"]
    wait_for(client, to)
    check = re.search(r'href="(/checks/\w+)"', client.get(to).text)[1]
    page = client.get(check).text
    assert f'<strong>Cy</strong>, <a href="{to}">back to Thursday</a>' in page
    with open_store(server.home) as store:
        assert store.get(saved(paired, check)).summary.maker == "Cy"
    assert 'value="Cy"' not in client.get("/").text  # the next photo is not the student's


def test_an_order_from_form_to_report(paired):
    client, token = paired
    asked = client.post("/orders", data={"token": token, "alias": "Willow", "circumference": "57in"})
    assert asked.status_code == 400
    assert "57cm" in words(asked.text)
    doubtful = client.post("/orders", data={"token": token, "alias": "Willow", "circumference": "63cm"})
    assert "unusually long" in words(doubtful.text)
    kept = client.post(
        "/orders",
        data={
            "token": token,
            "alias": "Willow",
            "circumference": "57cm",
            "front_to_nape": "36cm",
            "temple_to_temple": "38cm",
            "ear_to_ear": "33cm",
            "nape_width": "12cm",
            "closure": "5x5",
            "block": "57.8cm",
            "maker": "Ada",
        },
    )
    number = kept.headers["location"].rsplit("/", 1)[1]
    to, _ = measured(paired, photo_bytes("pass"), order=number)
    saved(paired, to)
    page = words(client.get(f"/orders/{number}").text)
    assert "Willow" in page
    assert "Pass" in page
    assert "What follows Cap: standard" in page
    assert "Check: cap alone Check: closure pinned Check: closure stitched Check: stitches, close up" in page
    assert re.search(r"along the middle line from crown \d+ forward ± \d+ mm ", page)
    for sheet, name in (("sheet", f"order-{number}.pdf"), ("guidelines", f"order-{number}-guidelines.pdf")):
        for paper in ("", "-letter"):
            pdf = client.get(f"/orders/{number}/{sheet}{paper}.pdf")
            assert pdf.content[:5] == b"%PDF-", words(pdf.text)
            assert pdf.headers["content-disposition"] == f'inline; filename="{name}"'  # the command line's name
    report = client.get(f"/orders/{number}/report.html")
    assert "sandbox" in report.headers["content-security-policy"]
    assert report.headers["content-disposition"] == f'attachment; filename="{number}.html"'
    assert "Willow" in report.text
    assert client.get(f"/orders/{number}/report.pdf").content[:5] == b"%PDF-"
    for asked in (
        {"client": "willow"},
        {"order": str(int(number))},
        {"order": "willow"},
        {"client": "Willow", "maker": "aDA"},
    ):
        assert "1 record." in client.get("/records", params=asked).text
        assert client.get("/records.csv", params=asked).text.count("Willow") == 1
    assert "0 records." in client.get("/records", params={"client": "willo"}).text
    assert "Ada" in client.get("/charts").text


def test_a_record_leads_to_its_order_where_that_is_kept(server, paired):
    from placecheck.orders.files import OrderFiles

    client, token = paired
    form = {"token": token, "alias": "Aspen", "circumference": "57cm", "closure": "5x5", "block": "57.8cm"}
    to = client.post("/orders", data=form).headers["location"]
    number = to.rsplit("/", 1)[1]
    check, _ = measured(paired, photo_bytes("pass"), order=number)
    record = f"/records/{saved(paired, check)}"
    assert f'href="{record}"' in client.get(to).text
    assert f'<a class="button" href="{to}">Order {number}</a>' in client.get(record).text
    OrderFiles(server.home / "orders").remove(int(number))
    shown = client.get(record).text
    assert f"order {number}, " in shown
    assert f'href="{to}"' not in shown


def test_a_new_orders_form_tapped_twice_is_one_order(server, paired):
    from placecheck.orders.files import OrderFiles

    client, token = paired
    store = OrderFiles(server.home / "orders")
    before = len(store.all()[0])
    page = client.get("/orders/new").text
    once = re.search(r'name="once" value="(\w+)"', page)[1]
    form = {"token": token, "once": once, "alias": "Alder", "circumference": "63cm"}
    doubtful = client.post("/orders", data=form)
    assert "unusually long" in words(doubtful.text)
    assert f'name="once" value="{once}"' in doubtful.text
    taps = [client.post("/orders", data={**form, "accept": "1"}).headers["location"] for _ in range(2)]
    assert taps[0] == taps[1]
    assert len(store.all()[0]) == before + 1
    other = client.post("/orders", data={**form, "accept": "1", "alias": "Alder two"})  # gone back to, for another one
    assert other.headers["location"] != taps[0]
    assert len(store.all()[0]) == before + 2
    assert f'value="{once}"' not in client.get("/orders/new").text


def test_a_restart_between_two_taps_is_one_order(tmp_path):
    from placecheck.orders.files import OrderFiles

    server = start(tmp_path)
    try:
        client, token = pair(server)
        form = {"token": token, "once": "a1b2c3d4", "alias": "Alder", "circumference": "57cm"}
        first = client.post("/orders", data=form).headers["location"]
        store = OrderFiles(tmp_path / "orders")
        store.change(replace(store.get("1"), note="part it left"))  # somebody is at it already
        server.kill()
        server = start(tmp_path, port=server.port)
        assert client.post("/orders", data=form).headers["location"] == first
        assert [(order.number, order.note) for order in store.all()[0]] == [(1, "part it left")]
    finally:
        server.stop()


def test_an_order_is_changed_on_the_page(server, paired):
    """What its form leaves alone stays to the letter, also what the form does not show; earlier states are kept."""
    from placecheck.orders.files import OrderFiles
    from placecheck.orders.order import Block, Cap, Measurements, Order
    from placecheck.units import ClosureSize

    client, token = paired
    store = OrderFiles(server.home / "orders")
    first = store.add(
        Order(
            "Rowan",
            Measurements(571.5, nape_width_mm=123.456),
            Block(578.0, over_mm=322.0, name="cork"),
            Cap("standard", front_to_nape_mm=350.0),
            ClosureSize(127.0, 127.0, "5x5"),
            note="part it left",
            written={"circumference": "22 1/2 (in)"},
        )
    )
    at = f"/orders/{first.label}/change"
    assert f'href="{at}"' in client.get(f"/orders/{first.label}").text
    page = client.get(at).text
    form = {m[1]: m[2] for m in re.finditer(r'<input[^>]* name="(\w+)"[^>]* value="([^"]*)"', page)}
    assert form["circumference"] == "22 1/2 (in)"
    assert form["nape_width"] == "123.5mm"
    form |= {"token": token, "cap": "standard"}

    assert client.post(at, data=form).headers["location"] == f"/orders/{first.label}"
    assert len(store.history(first.number)) == 1  # nothing was changed, so nothing is kept

    wrong = client.post(at, data={**form, "closure": "five"})
    assert wrong.status_code == 400
    assert "Change order" in words(wrong.text)
    doubtful = client.post(at, data={**form, "circumference": "63cm"})
    assert "unusually long" in words(doubtful.text)
    assert len(store.history(first.number)) == 1

    kept = client.post(at, data={**form, "closure": "4x4", "maker": "Ada", "note": ""})
    assert kept.headers["location"] == f"/orders/{first.label}"
    now = store.get(first.label)
    assert (now.revision, now.closure.label, now.maker, now.note) == (2, "4x4", "Ada", "")
    assert now.measurements == first.measurements
    assert (now.block, now.cap) == (first.block, first.cap)
    assert now.written == {"circumference": "22 1/2 (in)", "closure": "4x4"}
    assert store.history(first.number)[0] == first

    second = client.post(at, data={**form, "closure": "4x4", "maker": "Ada", "note": ""})  # of two taps
    assert second.headers["location"] == f"/orders/{first.label}"
    assert store.get(first.label) == now
    late = client.post(at, data={**form, "maker": "Bo"})  # filled in before the change above
    assert late.status_code == 400
    assert "changed by somebody else meanwhile: it now has closure 4x4, maker Ada and note left empty." in words(
        late.text
    )
    form["revision"] = re.search(r'name="revision" value="(\d+)"', late.text)[
        1
    ]  # so keeping it once more is no dead end
    client.post(at, data={**form, "closure": "4x4", "block": "57cm", "accept": "1"})
    assert store.get(first.label).block == Block(570.0)  # another block, whose other tapes nobody gave
    assert "There is no such order: choose one from the list." in words(client.get("/orders/9999/change").text)


def test_a_saved_block_is_asked_for_by_its_name(server, paired):
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.records.store import open_store

    client, token = paired
    path = keep_block(server.home, "Willow")
    willow = BLOCKS.load(blocks_folder(server.home), "Willow")
    assert "Willow · 22 3/4 in" in client.get("/").text
    to, page = measured(paired, photo_bytes("pass"), block="", saved_block="willow")
    assert "block Willow," in page
    BLOCKS.set_aside(blocks_folder(server.home), "Willow")
    client.post(f"{to}/once-more", data={"token": token})  # measured as it was asked
    wait_for(client, to)
    number = saved(paired, to)
    with open_store(server.home) as store:
        request = store.get(number).request
    assert request["block"]["mean"] == list(willow.for_check().mean)
    assert request["block_circumference_mm"] == willow.circumference()[0] == pytest.approx(578.0, abs=0.5)

    for name, sentence in (("willow", "There is no saved block “willow”"), ("../x", "“../x” cannot be a name")):
        answer = send(client, token, photo_bytes("pass"), saved_block=name)
        assert answer.status_code == 400
        assert answer.json()["error"].startswith(sentence)
    path.write_text("{}")
    assert "is damaged: move it away and measure the block again." in words(client.get("/").text)
    path.unlink()
    # an order that says which block asks for no saved one, and one without a block borrows none from another job
    keep_block(server.home, "Willow")
    measured(paired, photo_bytes("pass"), block="", saved_block="willow")
    chosen = re.compile(r'value="Willow" selected')
    for block in ("22in", ""):
        form = {"token": token, "alias": f"Birch {block}", "circumference": "55cm", "block": block, "accept": "1"}
        number = client.post("/orders", data=form).headers["location"].rsplit("/", 1)[1]
        assert not chosen.search(client.get(f"/?order={number}").text)
    assert chosen.search(client.get("/").text)
    (server.home / "blocks" / "Willow.json").unlink()


def test_the_settings_block_is_offered_first(tmp_path):
    (tmp_path / "settings.toml").write_text('[check]\nclosure = "5x5"\nblock = "Willow"\n')
    keep_block(tmp_path, "Willow")
    running = start(tmp_path)
    try:
        client, token = pair(running)
        for path in ("/", "/class"):
            assert 'value="Willow" selected' in client.get(path).text
        _, page = measured((client, token), photo_bytes("pass"), block="", saved_block="Willow")
        assert "Pass" in page
        assert "block Willow," in page
        client.close()
    finally:
        running.stop()


def test_bars_that_the_settings_outrank_are_told_so(server, paired):
    client, token = paired
    assert client.post("/card/bars", data={"token": token, "across": "99.4", "down": "99.6"}).status_code == 303
    said = "settings.toml, which outranks what is kept here"
    assert said not in words(client.get("/card").text)
    settings = server.home / "settings.toml"
    before = settings.read_text() if settings.exists() else None
    settings.write_text('[check]\ncard_bars = "99.0x99.1"\n')
    try:
        assert words(client.get("/card").text).count(said) == 1  # of the scale card alone
    finally:
        settings.unlink() if before is None else settings.write_text(before)


def test_the_card_and_its_bars(server, paired):
    from placecheck.card_bars import saved_bars_mm, warnings_for

    client, token = paired
    assert client.get("/card/a4.pdf").content[:5] == b"%PDF-"
    assert client.post("/card/bars", data={"token": token, "across": "99,4", "down": "99.6"}).status_code == 303
    assert saved_bars_mm(server.home) == pytest.approx((99.4, 99.6))
    for across, down in (("50", "99.6"), ("96", "99.6"), ("a", "b")):
        assert client.post("/card/bars", data={"token": token, "across": across, "down": down}).status_code == 400
    assert saved_bars_mm(server.home) == pytest.approx((99.4, 99.6))
    # the small card beside it
    assert client.get("/card/small-a4.pdf").content[:5] == b"%PDF-"
    assert client.get("/card/small-a4.pdf").content != client.get("/card/a4.pdf").content
    assert client.get("/card/small-a5.pdf").status_code == 400
    small = {"token": token, "card": "small", "down": "49.9"}
    assert client.post("/card/bars", data={**small, "across": "99.4"}).status_code == 400
    assert client.post("/card/bars", data={**small, "across": "49,8"}).status_code == 303
    assert saved_bars_mm(server.home, small=True) == pytest.approx((49.8, 49.9))
    assert saved_bars_mm(server.home) == pytest.approx((99.4, 99.6))
    page = client.get("/card").text
    assert [page.count(f'value="{bar}"') for bar in ("99.4", "99.6", "49.8", "49.9")] == [1, 1, 1, 1]
    # printed fit to page: kept, with what the command line remarks about it
    assert "of its size" not in page
    for card, across, down in (("", "101.5", "101.2"), ("small", "48.7", "48.8")):
        form = {"token": token, "card": card, "across": across, "down": down}
        kept = client.post("/card/bars", data=form)
        assert kept.headers["location"] == ("/card#small-bars" if card else "/card#bars")  # where the remark is
        page = client.get("/card").text
        assert f'id="{kept.headers["location"].split("#")[1]}"' in page
        page = words(page)
        assert warnings_for(float(across), float(down), card == "small")[0].message in page
    assert page.count("of its size") == 2


def test_a_camera_is_calibrated_step_by_step(server, paired):
    """Rendered photos of the card from a known camera (test_calibrate): the profile that comes of them is its."""
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from tests import test_calibrate as known

    client, token = paired
    pictures = []
    for i, (turn, at, distance) in enumerate(known.POSES):
        path = server.home / f"card{i}.jpg"
        pictures.append(known.write_jpeg(path, known.render(turn, at, distance, i)).read_bytes())

    def add(*data: bytes) -> str:
        files = [("photo", (f"{i}.jpg", d)) for i, d in enumerate(data)]
        assert client.post("/camera/photos", data={"token": token}, files=files).status_code == 303
        return words(client.get("/camera").text)

    page = add(b"no photo", pictures[0])
    assert "1 of 2 photos can be used." in page
    assert "Still to take" in page
    assert "not a JPEG" in page
    early = client.post("/camera/finish", data={"token": token, "name": "shop phone"})
    assert early.status_code == 303
    assert "needs at least 8" in words(client.get("/camera").text)
    client.post("/camera/clear", data={"token": token})
    page = add(*pictures)
    assert f"{len(pictures)} of {len(pictures)} photos can be used." in page
    bad = client.post("/camera/finish", data={"token": token, "name": "../../evil"})
    assert bad.status_code == 400
    client.post("/camera/finish", data={"token": token, "name": "shop phone"})
    assert "The profile “shop phone” is kept" in words(client.get("/camera").text)
    profiles, _ = PROFILES.load_all(profiles_folder(server.home))
    assert [p.name for p in profiles] == ["shop phone"]
    assert profiles[0].values[0] == pytest.approx(known.TRUE["f"], rel=0.01)

    kept = (profiles_folder(server.home) / "shop phone.json").read_bytes()
    add(*pictures[:8])
    assert "Replace the profile of that name" in words(client.get("/camera").text)
    again = client.post("/camera/finish", data={"token": token, "name": "Shop phone"})
    assert again.status_code == 400
    assert "There is a camera profile “Shop phone” already" in words(again.text)
    assert (profiles_folder(server.home) / "shop phone.json").read_bytes() == kept
    client.post("/camera/finish", data={"token": token, "name": "shop phone", "replace": "1"})
    assert "The profile “shop phone” is kept" in words(client.get("/camera").text)
    assert (profiles_folder(server.home) / "shop phone.json").read_bytes() != kept


# ----------------------------------------------------------------------------- the command


def command(home: Path, *arguments: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-m", "placecheck", "page", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PLACECHECK_HOME": str(home)},
    )


def test_the_command_prints_an_address_that_pairs(tmp_path):
    port = str(free_port())
    process = command(tmp_path, "--port", port)
    try:
        address = process.stdout.readline().split()[1]
        assert address.startswith(f"http://127.0.0.1:{port}/pair#")
        for _ in range(100):
            try:
                answer = httpx.post(address.split("#")[0], data={"code": address.split("#")[1]})
                break
            except httpx.TransportError:
                time.sleep(0.05)
        assert answer.status_code == 303
        second = command(tmp_path, "--port", port)
        _, err = second.communicate(timeout=20)
        assert second.returncode == 2
        assert err.startswith(f"placecheck: Port {port} cannot be used")
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(15) in (0, 130)
    assert "Traceback" not in process.stderr.read()


def test_for_the_room_it_prints_a_qr_code(tmp_path):
    port = str(free_port())
    process = command(tmp_path, "--lan", "--port", port)
    try:
        lines = []
        while not lines or "type the code" not in lines[-1]:
            lines.append(process.stdout.readline())
        assert sum("█" in line for line in lines) > 10
    finally:
        process.terminate()
        process.wait(15)


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl makes the keys")
def test_a_key_of_another_certificate_is_refused(tmp_path):
    new = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-subj", "/CN=bench", "-days", "2"]
    for name in ("one", "other"):
        files = ["-keyout", f"{name}.key", "-out", f"{name}.pem"]
        subprocess.run([*new, *files], check=True, capture_output=True, cwd=tmp_path)
    files = [str(tmp_path / name) for name in ("one.pem", "other.key")]
    process = command(tmp_path, "--tls-cert", files[0], "--tls-key", files[1])
    out, err = process.communicate(timeout=30)
    assert (process.returncode, out) == (2, "")
    assert err.startswith(f"placecheck: https cannot be served with {files[0]} and {files[1]}: ")
    assert err.count("\n") == 1


def test_marks_that_cannot_be_so_cost_nothing_on_the_page(server, paired):
    client, token = paired
    to, _ = measured(paired, photo_bytes("pass"))
    wrong = {"token": token, "points": '{"points": {"fold_front": [600, 100]}}'}
    answer = client.post(f"{to}/points", data=wrong, follow_redirects=False)
    assert answer.status_code == 400
    assert "the wrong way round" in words(answer.text)
    wrong["points"] = '{"points": {"fold_front": [600, 450]}}'  # 420 is where the fold's back end lies
    answer = client.post(f"{to}/points", data=wrong, follow_redirects=False)
    assert answer.status_code == 400
    assert "With what you moved, the photo cannot be measured. The closure in the photo is about" in words(answer.text)
    page = words(client.get(to).text)
    assert "Pass" in page
    assert "Set by hand" not in page


def test_half_of_https_is_refused(tmp_path):
    process = command(tmp_path, "--tls-cert", "cert.pem")
    _, err = process.communicate(timeout=20)
    assert process.returncode == 2
    assert "both are needed" in err
