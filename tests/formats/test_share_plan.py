"""The fstab line and the units of a plan, against systemd's own reading of both."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from backupctl.formats.fstab import format_entry
from backupctl.formats.systemd_unit import parse_unit
from backupctl.operations.shares.share_plan import NFS, ShareWish, plan_share
from tests.formats.test_fstab import GENERATOR

pytestmark = pytest.mark.formats

WISHES = [
    ShareWish("nas.lan", "backups", "/mnt/nas", user="mill"),
    ShareWish("192.0.2.7", "Back ups/boards/mill", "/mnt/net share", user="mill", seal=True),
    ShareWish("nas", "back\tups#1 100% \"x\" 'y' ü", "/srv/ä b-c#d/100%", user="mill"),
    ShareWish("nas", "open", "/mnt/.open"),
    ShareWish("nas", "/srv/copies of boards/", "/mnt/nas//", protocol=NFS),
]


def settings(text: str) -> dict[str, str]:
    found = parse_unit(text)["Mount"]
    options = [option for option in found["Options"].split(",") if not option.startswith("x-systemd.")]
    return {**found, "Options": ",".join(options)}


@pytest.mark.parametrize("wish", WISHES, ids=lambda wish: wish.path)
def test_units_are_what_systemd_makes_of_the_line(tmp_path: Path, wish: ShareWish) -> None:
    if not GENERATOR.exists():
        pytest.skip("needs systemd's fstab generator")
    plan = plan_share(ShareWish(**{**vars(wish), "units": True}))
    fstab, out = tmp_path / "fstab", tmp_path / "out"
    fstab.write_text(f"{format_entry(plan.entry)}\n")
    out.mkdir()
    subprocess.run([GENERATOR, out, out, out], env={**os.environ, "SYSTEMD_FSTAB": str(fstab)}, check=True)
    made = {path.name: path.read_text() for path in out.iterdir() if path.suffix in (".mount", ".automount")}
    assert made.keys() == plan.units.keys()
    for name, text in plan.units.items():
        if name.endswith(".automount"):
            assert parse_unit(text)["Automount"] == parse_unit(made[name])["Automount"]
        else:
            assert settings(text) == settings(made[name])


@pytest.mark.parametrize("wish", WISHES, ids=lambda wish: wish.path)
def test_systemd_has_nothing_to_say_against_the_units(tmp_path: Path, wish: ShareWish) -> None:
    plan = plan_share(ShareWish(**{**vars(wish), "units": True}))
    for name, text in plan.units.items():
        (tmp_path / name).write_text(text)
    told = subprocess.run(
        ["systemd-analyze", "verify", *(tmp_path / name for name in plan.units)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    # It exits with 0 on what it ignores, so any message counts.
    assert (told.returncode, told.stdout, told.stderr) == (0, "", "")
