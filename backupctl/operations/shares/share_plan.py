"""How a board mounts its share: credentials file, and fstab line or systemd units, with a reason for each choice."""

from __future__ import annotations

import posixpath
import re
from dataclasses import dataclass
from typing import Any

from backupctl.domain.errors import UsageError
from backupctl.formats.fstab import Entry, format_entry
from backupctl.formats.systemd_unit import format_unit, unit_name

SMB, NFS = "smb", "nfs"
FSTAB, UNITS = "fstab", "units"
CREDENTIALS_FOLDER = "/etc/backupctl"
_MOUNT_TIMEOUT = "1min"
_SERVER = re.compile(r"[A-Za-z0-9](?:[A-Za-z0-9._-]{0,252}[A-Za-z0-9])?")
_CREDENTIAL_MOST = 256
_NOT_SHOWN = "(not shown)"
_TAKEN = {
    *("/", "/bin", "/boot", "/dev", "/etc", "/home", "/lib", "/media", "/mnt", "/opt", "/proc", "/root", "/run"),
    *("/sbin", "/srv", "/sys", "/tmp", "/usr", "/var"),
}


@dataclass(frozen=True)
class ShareWish:
    """What is to be mounted where. `user` is for SMB only, and None for a guest."""

    server: str
    path: str  # of the share on the server; may go on to a folder in it
    mount: str
    protocol: str = SMB
    user: str | None = None
    seal: bool = False
    units: bool = False


@dataclass(frozen=True)
class SharePlan:
    """What would be written."""

    entry: Entry  # as fstab has it
    user: str | None
    credentials: str | None  # the path of the file, None where there is no account
    units: dict[str, str]  # texts by name; empty for the form FSTAB
    reasons: tuple[tuple[str, str], ...]  # options, and why they are there
    on_the_server: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def form(self) -> str:
        return UNITS if self.units else FSTAB


def plan_share(wish: ShareWish) -> SharePlan:
    """Raises UsageError for what cannot be mounted so."""
    mount = _checked_mount(wish.mount)
    if wish.protocol not in (SMB, NFS):
        raise UsageError(f"there is no protocol {wish.protocol!r}", "Say --protocol smb, or --protocol nfs.")
    smb = wish.protocol == SMB
    if not smb and (wish.user is not None or wish.seal):
        raise UsageError("NFS has no accounts and no --seal", "Leave out --user and --seal, or use --protocol smb.")
    if wish.seal and wish.user is None:
        raise UsageError("a guest has no key to encrypt with", "Leave out --seal, or give the board an account.")
    credentials = credentials_path(mount) if wish.user is not None else None
    if wish.user is not None:
        _check_credential("a user's name", wish.user)
    reasons = (*(_smb_reasons(credentials, wish.seal) if smb else _NFS_REASONS), *_MOUNT_REASONS)
    options = tuple(option for given, _ in reasons for option in given.split(","))
    entry = Entry(share_source(wish.protocol, wish.server, wish.path), mount, "cifs" if smb else "nfs", options)
    format_entry(entry)
    return SharePlan(
        entry,
        wish.user,
        credentials,
        mount_units(entry) if wish.units else {},
        reasons,
        _on_the_server(wish.user, smb),
        (_GUEST,) if smb and wish.user is None else (),
    )


def _checked_mount(mount: str) -> str:
    plain = posixpath.normpath(f"/{mount.lstrip('/')}")
    if not mount.startswith("/") or not _is_plain(plain) or ".." in mount.split("/"):
        raise UsageError(f"{mount!r} cannot be a mount point", "Give a whole path, such as /mnt/nas.")
    if plain in _TAKEN or plain.startswith(("/dev/", "/proc/", "/run/", "/sys/")):
        raise UsageError(f"{plain} is the system's own", "Choose a folder for the share alone, such as /mnt/nas.")
    return plain


def _is_plain(name: str) -> bool:
    # A tab is fine. A line's end could be escaped in fstab, but systemd's generator (252) makes a broken unit of it.
    return name.replace("\t", " ").isprintable()


def share_source(protocol: str, server: str, path: str) -> str:
    """How mount(8) is told which share of which server. Raises UsageError."""
    smb = protocol == SMB
    if not _SERVER.fullmatch(server):
        raise UsageError(
            f"{server!r} is no name or address of a server",
            "Give the name alone, such as nas.lan or 192.0.2.7; an IPv6 address needs a name in /etc/hosts.",
        )
    # mount.cifs(8), "Service formatting and delimiters": slashes are understood everywhere, backslashes are not.
    pieces = [piece for piece in (path.replace("\\", "/") if smb else path).split("/") if piece]
    if not _is_plain(path) or ".." in pieces or (smb and not pieces):
        raise UsageError(
            f"{path!r} is no path of a share",
            "For SMB, the name of the share, and perhaps a folder in it: 'Back ups/boards/mill'. For NFS, the "
            "exported path.",
        )
    return f"//{server}/{'/'.join(pieces)}" if smb else f"{server}:/{'/'.join(pieces)}"


def share_address(text: str) -> tuple[str, str, str]:
    """Protocol, server and path in `//nas.lan/Back ups`, `smb://nas.lan/x` or `nas.lan:/srv/x`. Raises UsageError."""
    plain = text.strip().replace("\\", "/")
    smb = re.fullmatch(r"(?:smb:)?//([^/]+)/+(.+?)/*", plain)
    nfs = re.fullmatch(r"(?:nfs://)?([^/:]{2,}):?(/(?!/).*)", plain)
    if smb:
        return SMB, smb[1], smb[2]
    if nfs and (plain.startswith("nfs://") or ":" in plain):
        return NFS, nfs[1], nfs[2]
    raise UsageError(
        f"{text!r} names no share", "Say server and share: //nas.lan/Back ups, or for NFS nas.lan:/srv/backups."
    )


def credentials_path(mount: str) -> str:
    """Of the credentials file for a mount point. No two have the same; `_XX` is the byte that is XX in hexadecimal."""
    name = re.sub(
        r"[^A-Za-z0-9/]",
        lambda found: "".join(f"_{byte:02x}" for byte in found[0].encode(errors="surrogateescape")),
        mount.strip("/"),
    )
    return f"{CREDENTIALS_FOLDER}/{name.replace('/', '-')}.credentials"


def credentials_text(user: str, password: str) -> str:
    """The file's text (mount.cifs(8), credentials=). Raises UsageError; it never tells the password."""
    _check_credential("a user's name", user)
    _check_credential("the password", password)
    return f"username={user}\npassword={password}\n"


def _check_credential(what: str, value: str) -> None:
    # mount.cifs(8), BUGS: a leading space is not handled.
    if not 0 < len(value) <= _CREDENTIAL_MOST or not value.isprintable() or value.startswith(" "):
        raise UsageError(
            f"{what} has to be of 1 to {_CREDENTIAL_MOST} printable characters, the first one no space",
            "That is what a credentials file can hold. For no account at all, say --guest.",
        )


# Those of fstab's options that are settings of their own in units (systemd.mount(5), "FSTAB").
_IN_UNITS: dict[str, dict[str, str]] = {
    "x-systemd.automount": {},  # the unit of that name
    f"x-systemd.mount-timeout={_MOUNT_TIMEOUT}": {"TimeoutSec": _MOUNT_TIMEOUT},
    "x-systemd.rw-only": {"ReadWriteOnly": "yes"},
}


def mount_units(entry: Entry) -> dict[str, str]:
    """The same as a `.mount` and an `.automount` unit, by their names. Raises UsageError."""
    options = ",".join(option for option in entry.options if option not in _IN_UNITS)
    mount = {"What": entry.source, "Where": entry.mount_point, "Type": entry.fstype, "Options": options}
    mount |= {key: value for option in entry.options for key, value in _IN_UNITS.get(option, {}).items()}
    about = {"Unit": {"Description": "Network share for captures of cards"}}
    automount = {"Automount": {"Where": entry.mount_point}, "Install": {"WantedBy": "multi-user.target"}}
    return {
        unit_name(entry.mount_point, "mount"): format_unit({**about, "Mount": mount}),
        unit_name(entry.mount_point, "automount"): format_unit({**about, **automount}),
    }


def _smb_reasons(credentials: str | None, seal: bool) -> tuple[tuple[str, str], ...]:
    account = (
        (f"credentials={credentials}", "user and password, in a file that root alone can read; fstab is for everybody")
        if credentials
        else ("guest", "no account: see the warning")
    )
    sealed = (("seal", "all that crosses the network is encrypted, for some processor time"),) if seal else ()
    return (
        account,
        ("uid=0,gid=0", "all on the share belongs to root here"),
        ("file_mode=0600,dir_mode=0700", "captures hold every secret of the card; without this, all users could read"),
        ("vers=3", "SMB 3.0 or newer, the highest that both speak; by itself it might settle for 2.1"),
        *sealed,
        (
            "soft",
            "a lost server makes a run fail, instead of hanging where nothing can end it; nothing is lost by it: only "
            "what the server has said to hold counts as written",
        ),
    )


_NFS_REASONS = (("hard", "nfs(5): with soft, what was written can be lost in silence"),)

_MOUNT_REASONS = (
    ("nosuid,nodev,noexec", "a share has no programs or devices for this board"),
    ("nofail", "the board starts without the share as well"),
    ("_netdev", "mounted after the network is there, unmounted before it goes"),
    ("x-systemd.automount", "mounted when it is first used: at boot, the network is often late, or the server off"),
    (
        f"x-systemd.mount-timeout={_MOUNT_TIMEOUT}",
        "a server whose disks sleep has time to wake; an absent one is an error then",
    ),
    ("x-systemd.rw-only", "never mounted read-only in silence where it cannot be mounted for writing"),
)

_LAST_FIELDS = ("0 0", "no dump, and no check at boot: the file system is the server's")

_GUEST = (
    "A guest share lets everybody in your network read the captures, with every secret in them, and change or remove "
    "them. Give the board an account if the server can."
)


def _on_the_server(user: str | None, smb: bool) -> tuple[str, ...]:
    account = (
        f"An account for this board alone{f' ({user})' if user else ''}, that may write to the folder of its own "
        "shelf, boards/NAME, and to nothing else: whoever steals the board has its password, and should find no other "
        "board's captures with it. `backupctl share adopt --board NAME` makes that folder, from a computer that may "
        "write to the whole share; then it is the board's --path."
        if smb
        else "NFS believes addresses, not passwords: export the folder of this board's shelf, boards/NAME, to this "
        "board's address only, with all_squash and the anonuid of an account that owns the folder. Root of the board "
        "is nobody on the server, and can write nothing without that."
    )
    return (
        account,
        f"A read-only {'account' if smb else 'export'} for the computer that watches over all boards: it has to write "
        "nothing.",
        "Snapshots of the share, kept for weeks, that no board's account can remove: what a board may write, somebody "
        "who has taken over the board may remove.",
    )


def as_json(plan: SharePlan) -> dict[str, Any]:
    """What is shown, never with a password."""
    files = [{"path": f"/etc/systemd/system/{name}", "mode": "0644", "text": text} for name, text in plan.units.items()]
    if plan.user is not None and plan.credentials:
        shown = credentials_text(plan.user, _NOT_SHOWN)
        files.insert(0, {"path": plan.credentials, "mode": "0600", "text": shown})
    reasons = [*plan.reasons, *([] if plan.units else [_LAST_FIELDS])]
    return {
        "source": plan.entry.source,
        "mount": plan.entry.mount_point,
        "user": plan.user,
        "form": plan.form,
        "fstab_line": None if plan.units else format_entry(plan.entry),
        "files": files,
        "reasons": [{"option": _shown_option(plan, option), "why": why} for option, why in reasons],
        "on_the_server": list(plan.on_the_server),
        "warnings": list(plan.warnings),
    }


def _shown_option(plan: SharePlan, option: str) -> str:
    if not plan.units or option not in _IN_UNITS:
        return option
    return ",".join(f"{key}={value}" for key, value in _IN_UNITS[option].items()) or ".automount"
