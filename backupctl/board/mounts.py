"""The mount table of the running system."""

from __future__ import annotations

import os
from pathlib import Path

from backupctl.domain.errors import NotFound
from backupctl.formats import mountinfo
from backupctl.formats.mountinfo import Mount

# What libmount's mnt_fs_is_netfs() and systemd's list of network file systems agree on; "9p" is how a virtual
# machine sees a folder of its host. From memory; the names are checked against the strings in libmount by a test.
_NETWORK_TYPES = frozenset(
    {"9p", "afs", "ceph", "cifs", "davfs", "glusterfs", "lustre", "ncpfs", "nfs", "nfs4", "smb3", "smbfs", "sshfs"}
)


def read_mounts(root: Path = Path("/")) -> tuple[Mount, ...]:
    """The mounts that this process sees. Raises OSError where there is no /proc, Malformed if it cannot be read."""
    return mountinfo.parse_mountinfo(os.fsdecode((root / "proc/self/mountinfo").read_bytes()))


def mount_of(path: str | Path) -> Mount:
    """The mount in force at `path` (symbolic links are followed, and an automount there is made to mount).

    Blocks as long as a dead share blocks. Raises NotFound if the path does not exist, OSError if it cannot be reached.
    """
    try:
        real = os.path.realpath(path, strict=True)
        found = mountinfo.mount_of(real, read_mounts())
        if found is not None and found.fstype == "autofs":
            # A stat of the mount point itself is no access (stat(2), AT_NO_AUTOMOUNT); opening it is.
            os.close(os.open(real, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC))
            found = mountinfo.mount_of(real, read_mounts())
    except FileNotFoundError:
        raise NotFound(f"{path} does not exist") from None
    if found is None:
        raise NotFound(f"no mount is listed for {path}", "Is this a change-root environment without its own mount?")
    return found


def is_network(mount: Mount) -> bool:
    """Whether the file system is on another machine (an autofs alone is nothing mounted yet: no)."""
    return is_network_type(mount.fstype)


def is_network_type(fstype: str) -> bool:
    """Whether file systems of that type are on another machine."""
    return fstype.removeprefix("fuse.") in _NETWORK_TYPES
