"""Real listeners on 127.0.0.1 for messages: Python's HTTP server, and aiosmtpd for e-mail."""

from __future__ import annotations

import http.server
import json
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

USER, PASSWORD = "mill", "s3cret=of the mill"


@dataclass(frozen=True)
class Certificate:
    """Of 127.0.0.1, signed by itself. With `trusted` in its environment, a program takes it for good."""

    certificate: Path
    key: Path

    @property
    def trusted(self) -> dict[str, str]:
        return {"SSL_CERT_FILE": str(self.certificate)}  # OpenSSL's, SSL_CTX_set_default_verify_paths(3)

    def server_side(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.certificate, self.key)
        return context


def make_certificate(folder: Path) -> Certificate:
    if shutil.which("openssl") is None:
        pytest.skip("needs openssl")
    made = Certificate(folder / "certificate.pem", folder / "key.pem")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1", "-addext",
         "subjectAltName=IP:127.0.0.1", "-keyout", made.key, "-out", made.certificate],
        check=True, capture_output=True,
    )  # fmt: skip
    return made


@dataclass
class Requests:
    """What a web server was asked, and what it answers."""

    port: int = 0
    scheme: str = "http"
    status: int = 204
    got: list[tuple[str, str, dict[str, str], bytes]] = field(default_factory=list)

    def url(self, path: str = "/hook") -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}{path}"

    @property
    def json(self) -> list[Any]:
        return [json.loads(body) for method, _, _, body in self.got if method == "POST"]


@contextmanager
def web_server(certificate: Certificate | None = None) -> Iterator[Requests]:
    requests = Requests(scheme="https" if certificate else "http")

    class Handler(http.server.BaseHTTPRequestHandler):
        def _answer(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            requests.got.append((self.command, self.path, dict(self.headers), body))
            self.send_response(requests.status)
            self.send_header("Location", "/elsewhere")
            self.send_header("Content-Length", "0")
            self.end_headers()

        do_GET = do_POST = _answer  # noqa: N815 - the names that http.server asks for

        def log_message(self, format: str, *args: Any) -> None: ...

    class Server(http.server.ThreadingHTTPServer):
        def handle_error(self, request: Any, client_address: Any) -> None: ...  # clients that do not trust it

    with Server(("127.0.0.1", 0), Handler) as server:
        if certificate:
            server.socket = certificate.server_side().wrap_socket(server.socket, server_side=True)
        requests.port = server.server_address[1]
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
        thread.start()
        try:
            yield requests
        finally:
            server.shutdown()
            thread.join()


@contextmanager
def that_hangs() -> Iterator[int]:
    """A port that takes connections, and never says anything."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening.getsockname()[1]


@contextmanager
def that_drips() -> Iterator[int]:
    """A port that sends a byte now and then, so that no single wait is long."""
    ended = threading.Event()

    def drip(listening: socket.socket) -> None:
        connection, _ = listening.accept()
        with connection:
            while not ended.wait(0.2):
                try:
                    connection.send(b"2")
                except OSError:
                    return

    with socket.create_server(("127.0.0.1", 0)) as listening:
        thread = threading.Thread(target=drip, args=(listening,))
        thread.start()
        try:
            yield listening.getsockname()[1]
        finally:
            ended.set()
            thread.join()


def closed_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


class Mailbox:
    """What a mail server took. `refused`: addresses that it does not take."""

    def __init__(self) -> None:
        self.port = 0
        self.refused: set[str] = set()
        self.mails: list[EmailMessage] = []
        self.recipients: list[list[str]] = []
        self.encrypted: list[bool] = []

    async def handle_RCPT(self, server: SMTP, session: Session, envelope: Envelope, address: str, _: Any) -> str:  # noqa: N802
        if address in self.refused:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:  # noqa: N802
        assert isinstance(envelope.content, bytes)
        self.mails.append(message_from_bytes(envelope.content, policy=policy.default))
        self.recipients.append(envelope.rcpt_tos)
        assert server.transport is not None
        self.encrypted.append(bool(session.ssl or server.transport.get_extra_info("sslcontext")))
        return "250 taken"


@contextmanager
def mail_server(
    certificate: Certificate | None = None, starttls: bool = True, login: bool = False
) -> Iterator[Mailbox]:
    """With a certificate: encrypted by STARTTLS, which it insists on, or else from the beginning."""

    def authenticate(server: SMTP, session: Session, envelope: Envelope, mechanism: str, said: Any) -> AuthResult:
        assert isinstance(said, LoginPassword)
        return AuthResult(success=(said.login, said.password) == (USER.encode(), PASSWORD.encode()), handled=False)

    mailbox = Mailbox()
    options: dict[str, Any] = {"authenticator": authenticate} if login else {}
    if certificate and starttls:
        options |= {"tls_context": certificate.server_side(), "require_starttls": True, "auth_required": login}
    elif certificate:
        options |= {"ssl_context": certificate.server_side(), "auth_require_tls": False}
    mailbox.port = closed_port()
    controller = Controller(mailbox, "127.0.0.1", mailbox.port, **options)
    controller.start()
    try:
        yield mailbox
    finally:
        controller.stop()
