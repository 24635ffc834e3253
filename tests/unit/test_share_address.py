"""How people write the name of a share: as UNC paths (MS-DTYP, 2.2.57), URLs (RFC 2224 for NFS), and for mount(8)."""

from __future__ import annotations

import pytest

from backupctl.domain.errors import UsageError
from backupctl.operations.shares.share_plan import NFS, SMB, share_address, share_source
from backupctl.operations.shares.share_trial import meaning_of


@pytest.mark.parametrize(
    ("said", "protocol", "source"),
    [
        ("//nas.lan/Back ups", SMB, "//nas.lan/Back ups"),
        (r"\\nas\copies\boards\mill", SMB, "//nas/copies/boards/mill"),
        ("smb://192.0.2.7/copies/", SMB, "//192.0.2.7/copies"),
        ("nas.lan:/srv/copies", NFS, "nas.lan:/srv/copies"),
        ("nfs://nas.lan/srv/copies", NFS, "nas.lan:/srv/copies"),
        ("  //nas/x ", SMB, "//nas/x"),
    ],
)
def test_forms(said: str, protocol: str, source: str) -> None:
    found = share_address(said)
    assert found[0] == protocol
    assert share_source(*found) == source


@pytest.mark.parametrize(
    "said", ["", "nas", "nas/x", "/mnt/nas", "//nas", "//nas/", "//", "C:\\copies", "https://nas/x"]
)
def test_what_is_none(said: str) -> None:
    with pytest.raises(UsageError):
        share_source(*share_address(said))


def test_what_mount_says() -> None:
    """Numbers of errno(3), as mount.cifs prints them; its words from memory, cifs-utils 7."""
    assert "password" in meaning_of("mount error(13): Permission denied")
    assert "share's name" in meaning_of("mount error(2): No such file or directory")
    assert "server's name" in meaning_of("mount error: could not resolve address for nas.lan: Unknown error")
    assert meaning_of("mount error(12345): no such thing") == ""
