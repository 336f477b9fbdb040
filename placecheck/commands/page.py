"""`placecheck page`: the bench page for phones, served from this computer.

Without options only this computer can open it; with --lan every device in the room's network
can reach it, and none gets further than the pairing page without a code from this screen.
A QR code with a one-time code is printed at the start, another for every Enter. The socket is
opened here first, so that a port that is taken is one sentence. The page runs until
Ctrl-C; photos that are being measured then are measured after the next start.
"""

from __future__ import annotations

import contextlib
import socket
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from placecheck.page.pairing import PairingCodes

PORT = 8321


def register(app: typer.Typer) -> None:
    app.command("page")(page)


def page(
    lan: Annotated[bool, typer.Option("--lan", help="Open it to the room's network, for phones.")] = False,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port to serve on.")] = PORT,
    workers: Annotated[int, typer.Option(min=1, max=32, help="Photos measured at the same time.")] = 2,
    tls_cert: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Certificate (PEM), to serve by https; needs --tls-key.")
    ] = None,
    tls_key: Annotated[Path | None, typer.Option(metavar="FILE", help="Its private key (PEM).")] = None,
) -> None:
    """Serve the bench page: the phone is camera and screen.

    Prints an address and a QR code that pairs one phone.
    """
    from placecheck.errors import UsageProblem

    if (tls_cert is None) != (tls_key is None):
        raise UsageProblem("tls-half", "For https both are needed: --tls-cert and --tls-key.")
    for file in (tls_cert, tls_key):
        if file is not None and not file.is_file():
            raise UsageProblem("file-missing", f"There is no file {file}: check the name.")
    listening = _listen("0.0.0.0" if lan else "127.0.0.1", port)
    _serve(listening, lan, port, workers, tls_cert, tls_key)


def _listen(host: str, port: int) -> socket.socket:
    from placecheck.errors import UsageProblem

    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if sys.platform != "win32":
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((host, port))
    except OSError as error:
        sock.close()
        raise UsageProblem(
            "port-taken",
            f"Port {port} cannot be used ({error.strerror}): is the page running already? Else try --port.",
        ) from None
    return sock


def lan_addresses() -> list[str]:
    """This computer's addresses in the room's network, the likeliest first; nothing is sent for that."""
    found: list[str] = []
    probe = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    try:
        probe.connect(("192.0.2.1", 9))  # RFC 5737 address: only asks which way it would go
        found.append(probe.getsockname()[0])
    except OSError:
        pass
    finally:
        probe.close()
    with contextlib.suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return [address for address in dict.fromkeys(found) if not address.startswith("127.")]


def _serve(
    listening: socket.socket, lan: bool, port: int, workers: int, tls_cert: Path | None, tls_key: Path | None
) -> None:
    try:
        import uvicorn

        from placecheck.page.app import build_app
        from placecheck.page.bench import LOOPBACK, PageConfig
    except ImportError as error:
        from placecheck.errors import UsageProblem

        raise UsageProblem("page-not-installed", f"The page needs a package that is missing ({error.name}).") from None
    from placecheck.errors import UsageProblem
    from placecheck.settings import home

    scheme = "https" if tls_cert else "http"
    names = lan_addresses() if lan else []
    name = socket.gethostname().lower()
    hosts = (*LOOPBACK, *names, *((name, f"{name}.local") if lan else ()))
    addresses = tuple(f"{scheme}://{address}:{port}" for address in (names[:2] or ["127.0.0.1"]))
    try:
        app = build_app(PageConfig(home(), hosts, addresses, bool(tls_cert), workers))
    except OSError as error:
        raise UsageProblem(
            "home-unwritable", f"{home()} cannot be written ({error.strerror}): name another folder in PLACECHECK_HOME."
        ) from None
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        limit_concurrency=400,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=2,
        ssl_certfile=tls_cert,
        ssl_keyfile=tls_key,
    )
    try:
        config.load()
    except OSError as error:  # ssl's errors are of this kind
        if tls_cert is None:
            raise
        import ssl

        why = "" if isinstance(error, ssl.SSLError) else f" ({error.strerror})"
        raise UsageProblem(
            "tls-wrong",
            f"https cannot be served with {tls_cert} and {tls_key}{why}: give a certificate and the private key it was "
            "made for, both as PEM.",
        ) from None
    codes = app.state.bench.codes
    print_code(codes, addresses, lan)
    if sys.stdin.isatty():
        threading.Thread(target=_more_codes, args=(codes, addresses, lan), daemon=True).start()
    uvicorn.Server(config).run(sockets=[listening])


def print_code(codes: PairingCodes, addresses: tuple[str, ...], lan: bool) -> None:
    """A fresh code with its addresses, and for phones its QR code."""
    code = codes.new()
    target = f"{addresses[0]}/pair#{code.replace('-', '')}"
    if lan:
        import segno

        segno.make(target, error="m", micro=False).terminal(compact=True)
        print("Scan it with the phone's camera (the phone in the same Wi-Fi), or open one of")
        for address in addresses:
            print(f"  {address}")
        print(f"and type the code {code}. It pairs one device, within ten minutes. Enter: another code. Ctrl-C: stop.")
    else:
        print(f"Open {target}")
        print(
            "It pairs one browser on this computer, within ten minutes; for phones start it with --lan. Ctrl-C: stop."
        )
    sys.stdout.flush()


def _more_codes(codes: PairingCodes, addresses: tuple[str, ...], lan: bool) -> None:
    for _ in sys.stdin:
        print_code(codes, addresses, lan)
