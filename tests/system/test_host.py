"""The machine's id as systemd derives it."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from backupctl.board import host

pytestmark = pytest.mark.system


def test_machine_id_as_systemd_derives_it() -> None:
    if not shutil.which("systemd-id128"):
        pytest.skip("needs systemd-id128")
    # The number that backupctl.board.host drew for this program.
    command = ["systemd-id128", "machine-id", "--app-specific=6f1d3c529a0e4d0b8a574c1be6d2f3a9"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"this machine has no id: {done.stderr}")
    assert host.machine_id() == done.stdout.strip()


def test_boot_id_as_systemd_reads_it() -> None:
    if not shutil.which("systemd-id128"):
        pytest.skip("needs systemd-id128")
    done = subprocess.run(["systemd-id128", "boot-id", "--uuid"], capture_output=True, text=True, check=True)
    assert host.boot_id() == done.stdout.strip()
