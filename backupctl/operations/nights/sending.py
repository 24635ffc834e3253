"""The ways by which a message leaves this machine. Each ends by its deadline, whatever the other side does.

Nothing that these raise goes into a message. It goes to a terminal or a journal, and of a URL it names the host alone.
"""

from __future__ import annotations

import contextlib
import json
import smtplib
import ssl
import tempfile
from collections.abc import Callable
from email.message import EmailMessage
from email.utils import format_datetime, make_msgid
from functools import partial
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from backupctl import __version__
from backupctl.board.abandonable import within
from backupctl.board.process import run
from backupctl.board.secret_file import read_secret
from backupctl.domain.errors import BackupctlError, UsageError
from backupctl.domain.notify_policy import NotifyPolicy, check_url
from backupctl.domain.telling import Message
from backupctl.operations.facts import Facts

_ANSWER_MOST = 64 << 10
_SAID_MOST = 200
_PROGRAM = f"backupctl/{__version__}"

Way = Callable[[Message, Facts], str]
"""Sends a message; a remark on that, or nothing. Raises BackupctlError or OSError where it did not arrive."""


def ways(policy: NotifyPolicy) -> dict[str, Way]:
    """Those that the policy has, by name."""
    found: dict[str, Way] = {}
    if policy.command:
        found["command"] = partial(_run_command, policy)
    if policy.webhook:
        found["webhook"] = partial(_post, policy)
    if policy.mail_server:
        found["mail"] = partial(_mail, policy)
    return found


def ping(policy: NotifyPolicy) -> str:
    """Fetches the URL that says elsewhere that all is well, as a way does."""
    within(policy.deadline, "the URL to ping", lambda: _request(policy.ping, "GET", None, policy.deadline))
    return ""


def _run_command(policy: NotifyPolicy, message: Message, facts: Facts) -> str:
    told = {
        "BACKUPCTL_KIND": message.kind.value,
        "BACKUPCTL_SUBJECT": message.subject,
        "BACKUPCTL_TEXT": message.text,
    }
    with tempfile.NamedTemporaryFile() as file:
        file.write(message.text.encode())
        file.flush()
        run(policy.command, policy.deadline, stdin=Path(file.name), environment=told)
    return ""


def _post(policy: NotifyPolicy, message: Message, facts: Facts) -> str:
    body = json.dumps(as_json(message, facts)).encode()
    within(policy.deadline, "the webhook", lambda: _request(policy.webhook, "POST", body, policy.deadline))
    return ""


def as_json(message: Message, facts: Facts) -> dict[str, Any]:
    """What a webhook is sent."""
    return {
        "program": _PROGRAM,
        "time": facts.now().isoformat(timespec="seconds"),
        "kind": message.kind.value,
        "subject": message.subject,
        "text": message.text,
        "matters": [
            {
                "board": item.board or None,
                "matter": item.matter.value,
                "since": item.since.isoformat(timespec="seconds"),
                "over": item.over,
                "safe_up_to": item.safe_up_to.isoformat(timespec="seconds") if item.safe_up_to else None,
            }
            for item in message.items
        ],
    }


def _request(address: str, method: str, body: bytes | None, seconds: int) -> None:
    """No redirection is followed, and no proxy used: a URL that is a secret goes to its own host alone."""
    parts = urlsplit(_url(address))
    host = parts.hostname or ""
    connection: HTTPConnection
    if parts.scheme == "https":
        connection = HTTPSConnection(host, parts.port, timeout=seconds, context=ssl.create_default_context())
    else:
        connection = HTTPConnection(host, parts.port, timeout=seconds)
    headers = {"User-Agent": _PROGRAM, **({"Content-Type": "application/json"} if body is not None else {})}
    with contextlib.closing(connection):
        try:
            connection.request(method, f"{parts.path or '/'}{f'?{parts.query}' if parts.query else ''}", body, headers)
            answer = connection.getresponse()
            answer.read(_ANSWER_MOST)
        except (OSError, HTTPException) as error:
            raise BackupctlError(f"{host} could not be reached: {_said(error)}", "Is the network there?") from None
    if not 200 <= answer.status < 300:
        raise BackupctlError(f"{host} answered {answer.status}", "Is the URL still the right one?")


def _url(address: str) -> str:
    """The URL itself, or that in a file. Raises Refused, UsageError; neither tells what it is."""
    if not address.startswith("/"):
        return address
    url = read_secret(Path(address)).strip()
    try:
        check_url(url)
    except ValueError as error:
        raise UsageError(f"{address} does not hold a URL that can be used: {error}") from None
    return url


def _mail(policy: NotifyPolicy, message: Message, facts: Facts) -> str:
    account = _account(policy.credentials_file) if policy.credentials_file else None
    mail = EmailMessage()
    mail["From"], mail["To"] = policy.mail_from, ", ".join(policy.mail_to)
    mail["Subject"] = f"backupctl: {message.subject}"
    mail["Date"] = format_datetime(facts.now())
    mail["Message-ID"] = make_msgid(domain=policy.mail_from.rpartition("@")[2])
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834, 5: so that nobody's absence notice answers
    mail.set_content(message.text)
    refused = within(policy.deadline, "the mail server", lambda: _send(policy, account, mail))
    # No failure: those who got it would get it again.
    return f"{refused} of {len(policy.mail_to)} addresses were refused" if refused else ""


def _account(path: str) -> tuple[str, str]:
    """User and password. Raises Refused, UsageError."""
    lines = (line.partition("=") for line in read_secret(Path(path)).splitlines())
    given = {key.strip(): value for key, _, value in lines}
    try:
        return given["username"].strip(), given["password"]
    except KeyError as missing:
        raise UsageError(
            f"{path} has no line {missing.args[0]}=", "It needs username= and password=, a line each."
        ) from None


def _send(policy: NotifyPolicy, account: tuple[str, str] | None, mail: EmailMessage) -> int:
    """How many of its addresses were refused; raises BackupctlError where all were."""
    server, port, seconds = policy.mail_server, policy.mail_port, policy.deadline
    context = ssl.create_default_context()
    try:
        with (
            smtplib.SMTP_SSL(server, port, timeout=seconds, context=context)
            if policy.mail_tls == "tls"
            else smtplib.SMTP(server, port, timeout=seconds)
        ) as smtp:
            if policy.mail_tls == "starttls":
                smtp.starttls(context=context)
            if account is not None:
                smtp.login(*account)
            return len(smtp.send_message(mail))
    except UnicodeError:
        raise BackupctlError("the account for e-mail has to be ASCII", "Choose another one.") from None
    except OSError as error:  # as all of smtplib's are
        raise BackupctlError(
            f"{server} did not take the e-mail: {_said(error)}", "See [notify] of the policy."
        ) from None


def _said(error: Exception) -> str:
    """In one line, and not a long one: much of it comes from the other side."""
    said = str(error)
    if isinstance(error, smtplib.SMTPResponseException):
        answer = error.smtp_error
        said = f"{error.smtp_code} {answer.decode(errors='replace') if isinstance(answer, bytes) else answer}"
    elif isinstance(error, smtplib.SMTPRecipientsRefused):
        said = "all addresses were refused"
    return " ".join(said.split())[:_SAID_MOST] or type(error).__name__
