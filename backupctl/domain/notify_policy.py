"""`[notify]` of a policy: who is told when a night did not happen, or something else needs attention."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit

TLS_MODES = ("starttls", "tls", "none")
_HERE = ("127.0.0.1", "::1", "localhost")  # what is sent there crosses no network


@dataclass(frozen=True)
class NotifyPolicy:
    """Ways to be told; all that are set are used. `webhook` and `ping` are a URL, or the file that holds it."""

    command: tuple[str, ...] = ()  # a program and its arguments; the message comes on its standard input
    webhook: str = ""  # a message is posted there, as JSON
    mail_server: str = ""  # empty: no e-mail
    mail_port: int = 587
    mail_tls: str = "starttls"  # or "tls", "none"
    mail_from: str = ""
    mail_to: tuple[str, ...] = ()
    credentials_file: str = ""  # `username=` and `password=` for the mail server
    digest: bool = True  # whether a line comes once a week, so that silence means something
    ping: str = ""  # fetched after each good night
    deadline: int = 30  # seconds that each may take


def check_notify(policy: NotifyPolicy) -> None:
    """Raises ValueError, in words, for what cannot be. Says nothing of what stands in a URL: that may be a secret."""
    for key in ("webhook", "ping"):
        value = getattr(policy, key)
        if value and not value.startswith("/"):
            try:
                check_url(value)
            except ValueError as error:
                raise ValueError(f"{key}: {error}") from None
    if policy.mail_tls not in TLS_MODES:
        raise ValueError("mail_tls is starttls, tls or none")
    if policy.mail_server and not (policy.mail_from and policy.mail_to):
        raise ValueError("mail_server needs mail_from and mail_to")
    if policy.mail_tls == "none" and policy.mail_server and policy.mail_server not in _HERE:
        raise ValueError("mail_tls is none, which is for a mail server on this machine only")
    for address in (policy.mail_from, *policy.mail_to):
        if address and not (address.isascii() and address.isprintable() and " " not in address and "@" in address):
            raise ValueError(f"{address!r} is not the address of a mailbox, such as owner@example.org")
    if policy.credentials_file and not policy.credentials_file.startswith("/"):
        raise ValueError("credentials_file is not the whole path of a file")


def check_url(url: str) -> None:
    """Raises ValueError for one that is not https, or else of this machine; and for one with a user and a password."""
    if not (url.isascii() and url.isprintable() and " " not in url):
        raise ValueError("it is not a URL")
    parts = urlsplit(url)
    if not parts.hostname or parts.port == 0:  # port: ValueError for one that is no number
        raise ValueError("it is not a URL with the name of a host")
    if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in _HERE):
        raise ValueError("it does not begin with https:// (http:// is for this machine only)")
    if "@" in parts.netloc:
        raise ValueError("it names a user; put a secret into the rest of the URL, and the URL into a file")
