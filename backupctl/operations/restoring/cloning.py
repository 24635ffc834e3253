"""Making a clone of a capture that stands in scratch files: other identities, another name, no keys of its own yet.

What names an identity is looked for in every file of a FAT, in /etc and /boot of a root file system, and in all of an
ext file system without /etc. Text is changed in place; a file there that is no text, and names one, ends it.
"""

from __future__ import annotations

import os
import re
import secrets
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field

from backupctl.board import ext4_tools
from backupctl.board.scratch import ScratchFile
from backupctl.domain.errors import Malformed, Refused, UsageError
from backupctl.domain.fitting import RESIZABLE, Piece
from backupctl.domain.identities import Renaming, names_by_label
from backupctl.domain.left_out import HOST_KEYS
from backupctl.domain.patterns import exactly, parse_pattern
from backupctl.domain.units import counted
from backupctl.domain.volume import PartitionTable
from backupctl.formats.volume import read_volume
from backupctl.formats.volume_identity import fat_serial_patches, swap_uuid_patches
from backupctl.operations.progress import Reporter, Stop, step_by_step
from backupctl.operations.restoring.clone_files import Found, VolumeFiles, is_text

_HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?", re.ASCII)  # a label of RFC 1123, section 2.1
_SAFE_NAME = re.compile(r"[A-Za-z0-9._+-]+", re.ASCII)
_is_host_key = exactly([parse_pattern(text) for text in HOST_KEYS])
_KEY_FOLDERS = ("/etc/ssh", "/etc/dropbear")
# systemd, "Safely Building Images": what must not be in two places.
_OF_ONE_MACHINE = ("/var/lib/dbus/machine-id", "/var/lib/systemd/random-seed")


@dataclass(frozen=True)
class CloneWishes:
    """What is to be other than on the captured card."""

    new_identity: bool = False
    host_name: str | None = None
    forget_machine: bool = False  # empty machine id, no host keys, no random seed

    def __bool__(self) -> bool:
        return self.new_identity or self.host_name is not None or self.forget_machine

    def check(self) -> None:
        """Raises UsageError."""
        if self.host_name is not None and not _HOST_NAME.fullmatch(self.host_name):
            raise UsageError(
                f"{self.host_name!r} cannot be a host name", "Letters, digits and hyphens, at most 63, none at an end."
            )


@dataclass
class Cloned:
    """What became of it. `disk` and `partitions`: the identities that the table is to have."""

    disk: str = ""
    partitions: dict[int, str] = field(default_factory=dict)
    changes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def cloned(
    pieces: list[Piece], files: Mapping[int, ScratchFile], table: PartitionTable | None, wishes: CloneWishes,
    reporter: Reporter, stop: Stop,
) -> Cloned:  # fmt: skip
    """Changes the volumes in `files`. Raises Refused for what cannot be changed; nothing is on the card by then."""
    work = _Cloning(pieces, files, table, wishes, Cloned())
    step = step_by_step(reporter, stop)
    try:
        if wishes.new_identity:
            step("looking for what names the old identities")
            work.rename()
            step("giving new identities")
            work.give_identities()
        if wishes.host_name is not None:
            work.name_host(wishes.host_name)
        if wishes.forget_machine:
            work.forget_machine()
    except Malformed as error:
        raise Refused(
            f"not all files of the capture can be read, so that it cannot be made a clone: {error.cause}",
            "Nothing was written to the card. Restore it as it is.",
        ) from None
    for piece in pieces:
        if piece.kind in RESIZABLE:
            step(f"checking {piece.name}")
            ext4_tools.judge(files[piece.number].path, piece.name)
    return work.cloned


class _Cloning:
    def __init__(
        self, pieces: list[Piece], files: Mapping[int, ScratchFile], table: PartitionTable | None, wishes: CloneWishes,
        result: Cloned,
    ) -> None:  # fmt: skip
        self._pieces = pieces
        self._files = files
        self._table = table
        self.cloned = result
        for piece in pieces:
            if piece.kind in RESIZABLE:
                ext4_tools.make_clean(files[piece.number].path, piece.name)
        self._old = {piece.number: read_volume(files[piece.number]).identity for piece in pieces}
        # Two that had the same one have the same one again: what names it means what it meant before.
        other = {self._old[piece.number]: _other(piece, self._old[piece.number]) for piece in pieces}
        self._new = {piece.number: other[self._old[piece.number]] for piece in pieces}
        self._trees: dict[int, VolumeFiles] = {}
        if wishes.new_identity and table:
            self.cloned.disk, self.cloned.partitions = _table_identities(table)

    def _files_of(self, piece: Piece) -> VolumeFiles:
        if piece.number not in self._trees:
            self._trees[piece.number] = VolumeFiles(piece, self._files[piece.number])
        return self._trees[piece.number]

    def _with_files(self) -> list[VolumeFiles]:
        return [self._files_of(piece) for piece in self._pieces if _has_files(piece)]

    def _roots(self) -> list[VolumeFiles]:
        """The ext volumes that have an /etc. Raises Refused if there is none."""
        found = [tree for tree in self._with_files() if tree.piece.kind in RESIZABLE and tree.find("/etc")]
        if not found:
            raise Refused("no ext2, ext3 or ext4 file system of this capture has an /etc", "Nothing was written.")
        return found

    def rename(self) -> None:
        """Every reference to an identity that will change."""
        renaming = Renaming(self._renamed())
        by_label = []
        for tree in self._with_files():
            folders = ("/etc", "/boot") if tree.piece.kind in RESIZABLE and tree.find("/etc") else ("/",)
            for found in (found for folder in folders for found in tree.below(folder)):
                content = tree.content(found)
                if content is None:
                    continue
                places = renaming.places(content)
                if places and not is_text(content):
                    raise Refused(
                        f"{found.path} of {tree.piece.name} names an identity, and is no text that can be changed",
                        "Nothing was written to the card. Restore it without --new-identity, give the board a boot "
                        "configuration in plain text, and capture it again.",
                    )
                for offset, text in places:
                    tree.write(found, offset, text)
                if places:
                    self.cloned.changes.append(
                        f"{found.path} of {tree.piece.name} is changed in {counted(len(places), 'place')}"
                    )
                if is_text(content) and names_by_label(content) and _boots_or_mounts(found.path):
                    by_label.append(f"{found.path} of {tree.piece.name}")
            if tree.unseen:
                raise Refused(
                    f"{tree.piece.name} has too many files to be looked through for old identities",
                    "Nothing was written to the card. Restore it without --new-identity.",
                )
        if by_label:
            self.cloned.warnings.append(
                f"{', '.join(by_label)} may name a volume by its label, and labels stay: in one machine, that may be "
                "the original's"
            )
        self.cloned.warnings.append(
            "what an initial RAM disk names, or a program under /usr, /opt or /home, is not looked at"
        )

    def _renamed(self) -> dict[str, str]:
        """Old text, new text."""
        volumes = {self._old[number]: new for number, new in self._new.items() if new}
        if self._table is None:
            return volumes
        if self._table.scheme == "mbr":
            partitions = {p.identity: self.cloned.disk + p.identity[8:] for p in self._table.partitions}
        else:
            partitions = {p.identity: self.cloned.partitions[p.number] for p in self._table.partitions}
        return {**volumes, **partitions, self._table.identity: self.cloned.disk}

    def give_identities(self) -> None:
        """To volumes; the table gets its own when it is written."""
        told = []
        if self._table:
            kind = "disk signature" if self._table.scheme == "mbr" else "disk GUID, and those of the partitions,"
            told.append(f"{kind} {self._table.identity} becomes {self.cloned.disk}")
        for piece in self._pieces:
            new, old = self._new[piece.number], self._old[piece.number]
            file = self._files[piece.number]
            if not new:
                if piece.kind not in ("unknown", "left out"):
                    self.cloned.warnings.append(
                        f"{piece.name} ({piece.kind}) keeps its identity: do not mount it beside the original"
                    )
                continue
            if piece.kind in RESIZABLE:
                ext4_tools.set_uuid(file.path, new)
            else:
                patches = swap_uuid_patches(new) if piece.kind == "swap" else _fat_patches(piece, file, new)
                for offset, data in patches:
                    file.write(offset, data)
            if read_volume(file).identity != new:
                raise Refused(f"{piece.name} did not take another identity", "Nothing was written to the card.")
            told.append(f"{piece.name} ({piece.kind}) {old} becomes {new}")
        self.cloned.changes[:0] = told
        self._trees.clear()  # checksums may start from the UUID, and then they are all others

    def name_host(self, name: str) -> None:
        """In /etc/hostname, and where /etc/hosts has the old one. Raises Refused."""
        done = False
        for tree in self._roots():
            found = tree.find("/etc/hostname")
            old = (tree.content(found) or b"").strip() if found and found.node.kind == "file" else b""
            if found is None or not old:
                continue
            self._replace(tree, found, f"{name}\n".encode())
            changed = found.path
            hosts = tree.find("/etc/hosts")
            if hosts and hosts.node.kind == "file" and (text := tree.content(hosts)):
                word = rb"(?<![0-9A-Za-z.-])" + re.escape(old) + rb"(?![0-9A-Za-z-])"
                other = re.sub(word, name.encode(), text)
                if other != text:
                    self._replace(tree, hosts, other)
                    changed += f" and {hosts.path}"
            self.cloned.changes.append(f"host name {old.decode(errors='replace')} becomes {name} in {changed}")
            done = True
        if not done:
            raise Refused(
                "no /etc/hostname was found that names the host", "Nothing was written. Leave out --host-name."
            )

    def _replace(self, tree: VolumeFiles, found: Found, content: bytes) -> None:
        """All of a file, in the blocks that it has."""
        file, old = self._files[tree.piece.number], found.node.size
        block = tree.block_size
        room = -(-old // block) * block
        if len(content) > room or len(content) <= room - block:
            raise Refused(
                f"{found.path} of {tree.piece.name} has no room for its new content",
                "Nothing was written to the card. Change it on the restored card.",
            )
        both = min(old, len(content))
        tree.write(found, 0, content[:both])
        if len(content) != old:
            (last,) = tree.tree.pieces(found.node, both - 1, both)
            file.write(last.place + 1, content[both:].ljust(max(0, old - both), b"\0"))
            ext4_tools.change(file.path, [f"set_inode_field <{found.node.number}> size {len(content)}"])
        self._trees.pop(tree.piece.number)
        again = self._files_of(tree.piece)
        now = again.find(found.path)
        if now is None or again.content(now) != content:
            raise Refused(f"{found.path} of {tree.piece.name} could not be changed", "Nothing was written to the card.")

    def forget_machine(self) -> None:
        """Machine id, keys of its servers, and the random seed. Raises Refused."""
        anything = False
        for tree in self._roots():
            requests, gone = [], []
            machine = tree.find("/etc/machine-id")
            had_id = bool(machine and machine.node.kind == "file" and machine.node.size)
            if machine and had_id:
                requests += [f"punch <{machine.node.number}> 0", f"set_inode_field <{machine.node.number}> size 0"]
            keys = [found for folder in _KEY_FOLDERS for found in tree.below(folder)]
            doomed = [found.path for found in keys if _is_host_key(os.fsencode(found.path.lstrip("/")))]
            doomed += [path for path in _OF_ONE_MACHINE if (there := tree.find(path)) and there.node.kind == "file"]
            for path in doomed:
                if all(_SAFE_NAME.fullmatch(part) for part in path.strip("/").split("/")):
                    requests.append(f"rm {path}")
                    gone.append(path)
            if not requests:
                continue
            anything = True
            file = self._files[tree.piece.number]
            ext4_tools.change(file.path, requests)
            self._trees.pop(tree.piece.number)
            again = self._files_of(tree.piece)
            left = [path for path in gone if again.find(path)]
            emptied = again.find("/etc/machine-id")
            if left or (emptied and emptied.node.size):
                raise Refused(
                    f"{', '.join(left) or '/etc/machine-id'} of {tree.piece.name} could not be removed",
                    "Nothing was written to the card.",
                )
            if had_id:
                self.cloned.changes.append(
                    f"/etc/machine-id of {tree.piece.name} is emptied: it gets its own at the next start"
                )
            if gone:
                self.cloned.changes.append(f"removed from {tree.piece.name}: {', '.join(gone)}")
            if any("/ssh/" in path for path in gone):
                self.cloned.warnings.append(
                    "without host keys an SSH server does not start: see to it that the clone makes its own "
                    "(ssh-keygen -A), or it cannot be reached that way"
                )
        if not anything:
            self.cloned.warnings.append(
                "there is no machine id, no SSH host key and no random seed on it that could be forgotten"
            )


def _has_files(piece: Piece) -> bool:
    return piece.kind in RESIZABLE or piece.kind in ("fat12", "fat16", "fat32")


def _boots_or_mounts(path: str) -> bool:
    return path == "/etc/fstab" or not path.startswith("/etc/")


def _other(piece: Piece, old: str) -> str:
    """A new identity of the same form; empty where it has none, or one that is not understood."""
    if not old:
        return ""
    if piece.kind in RESIZABLE or piece.kind == "swap":
        return str(uuid.uuid4())
    if piece.kind.startswith("fat"):
        raw = secrets.randbits(32)
        return f"{raw >> 16:04X}-{raw & 0xFFFF:04X}"
    return ""


def _fat_patches(piece: Piece, file: ScratchFile, serial: str) -> list[tuple[int, bytes]]:
    try:
        return fat_serial_patches(file, piece.kind, serial)
    except Malformed as error:
        raise Refused(f"{piece.name} cannot get another serial: {error.cause}", "Nothing was written.") from None


def _table_identities(table: PartitionTable) -> tuple[str, dict[int, str]]:
    """UEFI, section 5.3.3: whoever copies a disk makes new GUIDs for it and its partitions."""
    if table.scheme == "mbr":
        return f"{secrets.randbelow(0xFFFFFFFF) + 1:08x}", {}
    return str(uuid.uuid4()), {partition.number: str(uuid.uuid4()) for partition in table.partitions}
