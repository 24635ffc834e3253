"""Builds the card of the virtual board: Debian, an SMB server on its loopback, and what the program needs. As root.

The card is kept in the cache by a key of all that goes into it, so that it is built once. The program itself is not on
it: it is put in when a board starts.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
MIB = 1 << 20
CARD_BYTES = 2 << 30
BOOT_START = 4 * MIB
BOOT_BYTES = 256 * MIB
ROOT_START = BOOT_START + BOOT_BYTES
DISK_ID = "c4a2d017"
KEEPER = 1000  # the owner of the files behind the share
SHARE_LABEL = "share"
SHARE_FOLDER = "back ups"
MOUNT_POINT = "/mnt/net share"

_PACKAGES = (
    "systemd-sysv udev kmod python3 samba cifs-utils e2fsprogs dosfstools mtools fdisk mount zstd procps dmsetup "
    "initramfs-tools linux-image-cloud-amd64"
)
_MODULES = "virtio_pci virtio_blk ext4"
# What would only cost time at boot, or start by itself in the middle of a test.
_WITHOUT = (
    "apt-daily.timer apt-daily-upgrade.timer e2scrub_all.timer e2scrub_reap.service fstrim.timer dpkg-db-backup.timer "
    "nmbd.service winbind.service samba-ad-dc.service serial-getty@ttyS0.service getty@tty1.service "
    "getty-static.service systemd-binfmt.service proc-sys-fs-binfmt_misc.automount dev-hugepages.mount "
    "dev-mqueue.mount sys-kernel-debug.mount sys-kernel-config.mount sys-fs-fuse-connections.mount "
    "modprobe@configfs.service modprobe@dm_mod.service modprobe@drm.service modprobe@efi_pstore.service "
    "modprobe@fuse.service modprobe@loop.service"
)
# Drivers of what the board has no use for: together seconds of each boot on an emulated processor.
_NO_DRIVERS = "kvm_amd,kvm_intel,powernow_k8,ata_piix,ata_generic,evdev,serio_raw,button,qemu_fw_cfg"
_COMMAND_LINE = (
    f"root=PARTUUID={DISK_ID}-02 rootwait ro console=ttyS0 panic=-1 mitigations=off quiet systemd.show_status=0 "
    f"modprobe.blacklist={_NO_DRIVERS}"
)

_FILES = {
    "etc/hostname": "greenhouse\n",
    "etc/hosts": "127.0.0.1 localhost greenhouse\n",
    "etc/fstab": f"""\
PARTUUID={DISK_ID}-02 / ext4 defaults,noatime 0 1
PARTUUID={DISK_ID}-01 /boot/firmware vfat defaults 0 2
LABEL={SHARE_LABEL} /srv/share ext4 nofail,x-systemd.device-timeout=120s 0 2
//127.0.0.1/Back\\040ups /mnt/net\\040share cifs credentials=/etc/share.credentials,noauto,x-systemd.automount,\
x-systemd.requires=smbd.service,_netdev 0 0
""",
    "etc/share.credentials": "username=keeper\npassword=quiet-fern\n",
    "etc/samba/smb.conf": f"""\
[global]
server role = standalone server
interfaces = lo
bind interfaces only = yes
smb ports = 445
disable netbios = yes
map to guest = never
load printers = no
printing = bsd
printcap name = /dev/null

[Back ups]
path = /srv/share/{SHARE_FOLDER}
read only = no
valid users = keeper

[Small]
path = /srv/small/{SHARE_FOLDER}
read only = no
valid users = keeper
""",
    # Without what looks at the configuration each time before it starts.
    "etc/systemd/system/smbd.service.d/rig.conf": """\
[Unit]
RequiresMountsFor=/srv/share
[Service]
ExecCondition=
ExecStartPre=
""",
    "etc/systemd/system/rig-agent.service": """\
[Unit]
Description=Commands from the host of the virtual board
[Service]
ExecStart=/usr/bin/python3 /usr/local/sbin/rig-agent
OOMScoreAdjust=-900
[Install]
WantedBy=multi-user.target
""",
}
# Of this folder.
_PROGRAMS = {"agent.py": "usr/local/sbin/rig-agent", "client.py": "usr/local/bin/backupctl"}


def cache_folder() -> Path:
    """Where everything of the rig lies: ${XDG_CACHE_HOME:-$HOME/.cache}/backupctl-rig."""
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "backupctl-rig"


def missing_programs() -> list[str]:
    """What is not installed, of all that building and starting a board needs."""
    needed = ["mmdebstrap", "qemu-system-x86_64", "sfdisk", "mkfs.vfat", "mcopy", "mke2fs", "chroot"]
    return [name for name in needed if shutil.which(name) is None]


def card() -> Path:
    """The card, built if need be (minutes). Raises CalledProcessError, OSError."""
    cache = cache_folder()
    cache.mkdir(parents=True, exist_ok=True)
    found = cache / f"card-{_key()}.img"
    with (cache / "building").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not found.exists():
            began = time.monotonic()
            for old in (*cache.glob("card-*.img"), *cache.glob("*.unfinished")):
                old.unlink()
            tree = cache / "tree"
            unfinished = found.with_suffix(".unfinished")
            try:
                _make_tree(tree)
                _write_card(unfinished, tree)
            finally:
                shutil.rmtree(tree, ignore_errors=True)
            unfinished.rename(found)
            print(f"built {found} in {time.monotonic() - began:.0f} s", file=sys.stderr)
    return found


def make_share_disk(path: Path, size: int) -> None:
    """A disk for the SMB server in the board: an ext4 without partitions that holds the share's folder."""
    tree = path.with_suffix(".tree")
    (tree / SHARE_FOLDER).mkdir(parents=True)
    os.chown(tree / SHARE_FOLDER, KEEPER, KEEPER)
    run("mke2fs", "-q", "-F", "-t", "ext4", "-L", SHARE_LABEL, "-d", tree, path, f"{size // 1024}k")
    shutil.rmtree(tree)


def run(*arguments: str | Path, stdin: str = "") -> None:
    done = subprocess.run([str(a) for a in arguments], input=stdin, text=True, check=False, capture_output=True)
    if done.returncode:
        sys.stderr.write(done.stdout[-4000:] + done.stderr[-4000:])
        done.check_returncode()


def _key() -> str:
    described = [_release(), " ".join(_dependencies())]
    described += [(Path(__file__).parent / name).read_text() for name in ("recipe.py", *_PROGRAMS)]
    return hashlib.sha256("\0".join(described).encode()).hexdigest()[:12]


def _release() -> str:
    lines = dict(line.split("=", 1) for line in Path("/etc/os-release").read_text().splitlines() if "=" in line)
    return lines["VERSION_CODENAME"].strip('"')


def _dependencies() -> list[str]:
    found: list[str] = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    return found


def _make_tree(tree: Path) -> None:
    shutil.rmtree(tree, ignore_errors=True)
    initial = "MODULES=list\\nCOMPRESS=zstd\\nBUSYBOX=n\\n"
    hook = (
        f'mkdir -p "$1/etc/initramfs-tools/conf.d" && printf "{initial}" >"$1/etc/initramfs-tools/conf.d/rig" && '
        f'printf "%s\\n" {_MODULES} >"$1/etc/initramfs-tools/modules"'
    )
    run(
        "mmdebstrap", "--quiet", "--variant=minbase", "--mode=root", "--format=directory", "--architectures=amd64",
        f"--include={','.join(_PACKAGES.split())}", '--aptopt=Apt::Install-Recommends "false"',
        '--aptopt=Acquire::Languages "none"', "--dpkgopt=force-unsafe-io",
        *(f"--dpkgopt=path-exclude=/usr/share/{name}/*" for name in ("doc", "man", "locale")),
        f"--essential-hook={hook}", _release(), tree,
    )  # fmt: skip
    for name, text in _FILES.items():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(text)
    (tree / "etc/share.credentials").chmod(0o600)
    for name, place in _PROGRAMS.items():
        shutil.copy(Path(__file__).with_name(name), tree / place)
        (tree / place).chmod(0o755)
    # Fixed: after a power cut a board whose card is thrown away is still the same board.
    (tree / "etc/machine-id").write_text(f"{hashlib.md5(b'rig').hexdigest()}\n")
    for folder in ("boot/firmware", "srv/share", MOUNT_POINT.lstrip("/"), "opt/backupctl/program"):
        (tree / folder).mkdir(parents=True, exist_ok=True)
    _install_libraries(tree)
    inside = _in(tree)
    inside(f"useradd --no-create-home --uid {KEEPER} keeper")
    inside("printf 'quiet-fern\\nquiet-fern\\n' | smbpasswd -a -s keeper")
    inside("systemctl enable --quiet rig-agent smbd")
    inside(f"systemctl mask --quiet {_WITHOUT}")
    inside("systemctl set-default --quiet multi-user.target")


def _in(tree: Path) -> Callable[[str], None]:
    return lambda command: run("chroot", tree, "/bin/sh", "-ec", command)


def _install_libraries(tree: Path) -> None:
    """The project's dependencies, for the Python that is in the tree."""
    version = max(path.name for path in (tree / "usr/bin").glob("python3.[0-9]*")).removeprefix("python")
    platforms = [f"--platform={name}_x86_64" for name in ("manylinux2014", "manylinux_2_17", "manylinux_2_28")]
    target = tree / "opt/backupctl/lib"
    run(
        sys.executable, "-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--no-compile",
        "--only-binary=:all:", "--implementation=cp", f"--python-version={version}", *platforms,
        f"--target={target}", *_dependencies(),
    )  # fmt: skip
    _in(tree)("python3 -m compileall -q /opt/backupctl/lib")


def _write_card(card: Path, tree: Path) -> None:
    with card.open("wb") as file:
        file.truncate(CARD_BYTES)
    table = (
        f"label: dos\nlabel-id: 0x{DISK_ID}\nunit: sectors\n"
        f"start={BOOT_START // 512}, size={BOOT_BYTES // 512}, type=c, bootable\n"
        f"start={ROOT_START // 512}, type=83\n"
    )
    run("sfdisk", "--quiet", "--no-reread", "--no-tell-kernel", card, stdin=table)
    # Without -s 2 a volume of 256 MiB has too few clusters for FAT32.
    fat = ("mkfs.vfat", "-F", "32", "-s", "2", "-n", "BOOT", f"--offset={BOOT_START // 512}")
    run(*fat, card, str(BOOT_BYTES // 1024))
    boot = card.with_suffix(".boot")
    shutil.rmtree(boot, ignore_errors=True)
    boot.mkdir()
    (boot / "cmdline.txt").write_text(_COMMAND_LINE + "\n")
    shutil.copy(tree / "vmlinuz", boot / "vmlinuz")
    shutil.copy(tree / "initrd.img", boot / "initrd.img")
    run("mcopy", "-i", f"{card}@@{BOOT_START}", *sorted(boot.iterdir()), "::/")
    shutil.rmtree(boot)
    extended = f"offset={ROOT_START},root_owner=0:0,lazy_itable_init=0,lazy_journal_init=0"
    size = f"{(CARD_BYTES - ROOT_START) // 1024}k"
    run("mke2fs", "-q", "-F", "-t", "ext4", "-L", "root", "-d", tree, "-E", extended, card, size)
