"""Messages by program, webhook and e-mail, at the command line, against listeners that do what real ones do."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.listeners import (
    PASSWORD,
    USER,
    Certificate,
    Requests,
    closed_port,
    mail_server,
    make_certificate,
    that_drips,
    that_hangs,
    web_server,
)
from tests.program import Ended, backupctl, command, environment

pytestmark = pytest.mark.formats

MAIL = 'mail_server = "127.0.0.1"\nmail_from = "mill@example.org"\nmail_to = ["owner@example.org", "b@example.org"]\n'


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return make_certificate(tmp_path_factory.mktemp("certificate"))


@pytest.fixture
def web() -> Iterator[Requests]:
    with web_server() as requests:
        yield requests


class Trial:
    """`notify --try` with a policy."""

    def __init__(self, folder: Path) -> None:
        self._policy = folder / "mine.toml"

    def __call__(self, text: str, code: int = 0, trusted: dict[str, str] | None = None) -> Ended:
        self._policy.write_text(f"[notify]\n{text}\n")
        words = command("notify", "--try", "--board", "mill", "--policy", self._policy)
        done = subprocess.run(
            words, env=environment(None) | (trusted or {}), stdin=subprocess.DEVNULL, capture_output=True, text=True,
            timeout=60, check=False,
        )  # fmt: skip
        assert "Traceback" not in done.stderr
        assert done.returncode == code, done
        return Ended(done.returncode, " ".join(done.stdout.split()), done.stderr)  # lines are folded


@pytest.fixture
def trial(tmp_path: Path) -> Trial:
    return Trial(tmp_path)


def secret_file(path: Path, text: str, mode: int = 0o600) -> Path:
    path.write_text(text)
    path.chmod(mode)
    return path


def test_without_a_way_there_is_nothing_to_try(trial: Trial) -> None:
    assert "no way to tell anybody" in trial("", code=2).err


def test_whoever_has_nothing_to_tell_is_silent(tmp_path: Path) -> None:
    ended = backupctl(tmp_path, "notify", "--due", "--board", "mill")
    assert (ended.out, ended.err) == ("", "")
    assert "--try for a test message" in backupctl(tmp_path, "notify", code=2).err


def test_a_program_gets_the_message_on_its_input_and_in_its_environment(trial: Trial, tmp_path: Path) -> None:
    got = tmp_path / "got"
    trial(f"""command = ["sh", "-c", "cat >{got}; env | grep ^BACKUPCTL_ >>{got}"]""")
    said = got.read_text()
    assert said.startswith("mill: This is a test.")
    assert "\nBACKUPCTL_KIND=test\n" in said
    assert "\nBACKUPCTL_SUBJECT=mill: a test\n" in said


@pytest.mark.parametrize(
    ("words", "why"),
    [
        ('"false"', "failed with code 1"),
        ('"no-such-program"', "is not installed"),
        ('"sleep", "60"', "was not done after 1 s"),
    ],
)
def test_a_program_that_fails(trial: Trial, words: str, why: str) -> None:
    assert why in trial(f"command = [{words}]\ndeadline = 1", code=1).out


def test_a_webhook_gets_json(trial: Trial, web: Requests) -> None:
    assert trial(f'webhook = "{web.url("/a/b?c=d")}"').out == "told by webhook"
    ((method, path, headers, _),) = web.got
    assert (method, path, headers["Content-Type"]) == ("POST", "/a/b?c=d", "application/json")
    (told,) = web.json
    assert (told["kind"], told["subject"], told["matters"]) == ("test", "mill: a test", [])
    assert "This is a test" in told["text"]


def test_a_url_that_is_a_secret_is_in_a_file(trial: Trial, web: Requests, tmp_path: Path) -> None:
    file = secret_file(tmp_path / "url", f"{web.url('/s3cret')}\n")
    trial(f'webhook = "{file}"')
    assert web.got[0][1] == "/s3cret"
    file.chmod(0o640)
    ended = trial(f'webhook = "{file}"', code=1)
    assert "is not its owner's alone" in ended.out
    secret_file(file, "http://nas.example.org/s3cret")
    ended = trial(f'webhook = "{file}"', code=1)
    assert "does not begin with https" in ended.out
    assert "s3cret" not in ended.out + ended.err
    assert len(web.got) == 1


@pytest.mark.parametrize("status", [301, 404, 500])
def test_a_webhook_that_does_not_take_it(trial: Trial, web: Requests, status: int) -> None:
    web.status = status
    assert f"127.0.0.1 answered {status}" in trial(f'webhook = "{web.url("/s3cret")}"', code=1).out
    assert len(web.got) == 1, "no redirection is followed"


def test_a_webhook_whose_certificate_is_not_trusted(trial: Trial, certificate: Certificate) -> None:
    with web_server(certificate) as web:
        ended = trial(f'webhook = "{web.url("/s3cret")}"', code=1)
        assert "certificate verify failed" in ended.out
        assert "s3cret" not in ended.out
        assert not web.got
        trial(f'webhook = "{web.url()}"', trusted=certificate.trusted)
        assert len(web.got) == 1


def test_one_way_that_fails_does_not_keep_the_others(trial: Trial, web: Requests) -> None:
    text = f'command = ["false"]\nwebhook = "{web.url()}"\nping = "{web.url("/ping")}"'
    said = trial(text, code=1).out
    assert said.startswith("warning: not told by command: ")
    assert said.endswith(" told by webhook told by ping")
    assert [(method, path) for method, path, *_ in web.got] == [("POST", "/hook"), ("GET", "/ping")]


@pytest.mark.parametrize("scheme", ["http", "https"])
@pytest.mark.parametrize("listener", [that_hangs, that_drips])
def test_a_listener_that_does_not_answer_is_waited_for_no_longer_than_the_policy_says(
    trial: Trial, listener: Any, scheme: str
) -> None:
    with listener() as port:
        began = time.monotonic()
        ended = trial(f'webhook = "{scheme}://127.0.0.1:{port}/"\ndeadline = 1', code=1)
        assert time.monotonic() - began < 15
        assert "not told by webhook" in ended.out


@pytest.mark.parametrize("mode", ["none", "starttls", "tls"])
@pytest.mark.parametrize("listener", [that_hangs, that_drips])
def test_a_mail_server_that_does_not_answer(trial: Trial, listener: Any, mode: str) -> None:
    with listener() as port:
        ended = trial(f'{MAIL}mail_port = {port}\nmail_tls = "{mode}"\ndeadline = 1', code=1)
        assert "not told by mail" in ended.out


def test_nobody_listens(trial: Trial) -> None:
    port = closed_port()
    ended = trial(f'{MAIL}mail_port = {port}\nwebhook = "http://127.0.0.1:{port}/"', code=1)
    assert ended.out.count("Connection refused") == 2


def test_mail_by_way_of_this_machine(trial: Trial) -> None:
    with mail_server() as mailbox:
        assert trial(f'{MAIL}mail_port = {mailbox.port}\nmail_tls = "none"').out == "told by mail"
    (mail,) = mailbox.mails
    assert mailbox.recipients == [["owner@example.org", "b@example.org"]]
    assert (mail["From"], mail["To"]) == ("mill@example.org", "owner@example.org, b@example.org")
    assert mail["Subject"] == "backupctl: mill: a test"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"].datetime.tzinfo is not None
    assert mail.get_content().startswith("mill: This is a test.")


@pytest.mark.parametrize("mode", ["starttls", "tls"])
def test_mail_with_a_password_goes_encrypted(trial: Trial, certificate: Certificate, mode: str, tmp_path: Path) -> None:
    account = secret_file(tmp_path / "account", f"username={USER}\npassword={PASSWORD}\n")
    with mail_server(certificate, starttls=mode == "starttls", login=True) as mailbox:
        text = f'{MAIL}mail_port = {mailbox.port}\nmail_tls = "{mode}"\ncredentials_file = "{account}"'
        assert "certificate verify failed" in trial(text, code=1).out
        trial(text, trusted=certificate.trusted)
        assert mailbox.encrypted == [True]
        secret_file(account, f"username={USER}\npassword=wrong-s3cret\n")
        ended = trial(text, code=1, trusted=certificate.trusted)
        assert "535" in ended.out
        assert "s3cret" not in ended.out
        account.chmod(0o604)
        assert "is not its owner's alone" in trial(text, code=1, trusted=certificate.trusted).out
        secret_file(account, "user=x\n")
        assert "no line username=" in trial(text, code=1, trusted=certificate.trusted).out
        secret_file(account, f"username={USER}\npassword=schlüssel\n")
        assert "has to be ASCII" in trial(text, code=1, trusted=certificate.trusted).out
        assert len(mailbox.mails) == 1


def test_nothing_is_sent_to_a_server_that_does_not_encrypt(trial: Trial) -> None:
    with mail_server() as mailbox:
        assert "STARTTLS" in trial(f"{MAIL}mail_port = {mailbox.port}", code=1).out
        assert not mailbox.mails


def test_addresses_that_a_mail_server_refuses(trial: Trial) -> None:
    with mail_server() as mailbox:
        text = f'{MAIL}mail_port = {mailbox.port}\nmail_tls = "none"'
        mailbox.refused = {"b@example.org"}
        assert trial(text).out == "told by mail (1 of 2 addresses were refused)"
        mailbox.refused.add("owner@example.org")
        assert "all addresses were refused" in trial(text, code=1).out
        assert len(mailbox.mails) == 1
