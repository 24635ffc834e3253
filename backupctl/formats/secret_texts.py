"""Keys and passwords in the texts that usually hold them, wherever on a card such a text stands.

Sources: wpa_supplicant.conf(5); nm-settings-keyfile(5); iwd.network(5); mount.cifs(8), "FILE FORMAT OF CREDENTIALS"
and the options user and pass; wg(8), "CONFIGURATION FILE FORMAT"; shadow(5) with crypt(5); RFC 7468 for PEM; OpenSSH's
PROTOCOL.key for its own.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass

_MOST = 16 << 10  # of such a text
_HINTS = (b"psk=", b"Passphrase=", b"pass", b"PrivateKey", b"PRIVATE KEY-----", b":$y$", b":$6$", b":$5$", b":$1$")

_NETWORK = re.compile(rb"(?m)^[ \t]*(?:(ssid)|psk|Passphrase)[ \t]*=[ \t]*\"?([^\"\r\n]+)")
_CREDENTIALS = re.compile(rb"\s*(?:(?:user|username|pass|password|dom|domain)=[^\r\n]*(?:[\r\n]\s*|\Z))+")
_CIFS_LINE = re.compile(rb"(?m)^//\S+[ \t]+\S+[ \t]+(?:cifs|smb3)[ \t]+(\S+)")
_USER, _PASSWORD = re.compile(rb"(?:^|[,\s])user(?:name)?=([^,\s]+)"), re.compile(rb"(?:^|[,\s])pass(?:word)?=[^,\s]")
_TUNNEL = re.compile(rb"(?m)^[ \t]*PrivateKey[ \t]*=[ \t]*[A-Za-z0-9+/]{43}=")
_LOGIN = re.compile(rb"(?m)^([a-z_][a-z0-9_.-]*):\$(?:y|gy|7|6|5|1|2[aby])\$[^:\s]+:[0-9]*:")
_PEM = re.compile(
    rb"-----BEGIN ((?:[A-Z]+ )?PRIVATE KEY)-----\r?\n"
    rb"(?:(?:[A-Za-z-]+: [^\r\n]{1,80}\r?\n){1,4}\r?\n)?"  # of an encrypted one, in the way from before PKCS #8
    rb"((?:[A-Za-z0-9+/=]{1,80}\r?\n){1,200})-----END \1-----"
)
_OPENSSH = b"openssh-key-v1\0"


@dataclass(frozen=True, order=True)
class Secret:
    """`kind`: `network key`, `share password`, `ssh key`, `private key`, `login password`; `name`: whose, in words."""

    kind: str
    name: str


def secrets_in(data: bytes) -> set[Secret]:
    """What is found in a stretch of a card. A text that a file system has cut in two may be missed."""
    found: set[Secret] = set()
    looked_at = 0  # up to here
    for at in sorted(_places(data)):
        if at >= looked_at:
            start = max(data.rfind(b"\0", 0, at) + 1, at - _MOST)
            end = data.find(b"\0", at, at + _MOST)
            looked_at = end if end >= 0 else min(len(data), at + _MOST)
            found.update(_of_text(data[start:looked_at]))
    return found


def _places(data: bytes) -> Iterator[int]:
    for hint in _HINTS:
        at = data.find(hint)
        while at >= 0:
            yield at
            at = data.find(hint, at + len(hint))


def _of_text(text: bytes) -> Iterator[Secret]:
    network = "not named beside it"
    for setting in _NETWORK.finditer(text):
        if setting[1]:
            network = _words(setting[2])
        else:
            yield Secret("network key", network)
    if _TUNNEL.search(text):
        yield Secret("network key", "of a WireGuard tunnel")
    options = [text] if _CREDENTIALS.fullmatch(text) else [line[1] for line in _CIFS_LINE.finditer(text)]
    for each in options:
        if _PASSWORD.search(each):
            user = _USER.search(each)
            yield Secret("share password", _words(user[1]) if user else "of a user who is not named")
    for login in _LOGIN.finditer(text):
        yield Secret("login password", _words(login[1]))
    for key in _PEM.finditer(text):
        label = _words(key[1])
        yield Secret("ssh key", _ssh_key(key[2])) if label.startswith("OPENSSH") else Secret("private key", label)


def _ssh_key(body: bytes) -> str:
    """Its type and fingerprint, as `ssh-keygen -l` prints it; the public key stands before the private one."""
    try:
        blob = base64.b64decode(body, validate=False)
    except binascii.Error:
        return "that cannot be read"
    if not blob.startswith(_OPENSSH):
        return "that cannot be read"
    at = len(_OPENSSH)
    for _ in range(3):  # cipher, key derivation, its options
        _, at = _string(blob, at)
    public, _ = _string(blob, at + 4)  # behind the number of keys
    kind, _ = _string(public, 0)
    digest = base64.b64encode(hashlib.sha256(public).digest()).rstrip(b"=")
    return f"{_words(kind)} SHA256:{digest.decode()}"


def _string(data: bytes, at: int) -> tuple[bytes, int]:
    """A string of RFC 4251, section 5, and where the next field is; what is cut off is missing."""
    end = at + 4 + int.from_bytes(data[at : at + 4])
    return data[at + 4 : end], end


def _words(text: bytes) -> str:
    return text.decode(errors="replace").strip()[:100]
