"""What is left out of a capture of files without being named: the usual, and, where that is asked for, secrets.

Patterns as `domain/patterns.py` has them, each with its reason. Those that begin with a slash are for a whole system's
root. Sources: the Filesystem Hierarchy Standard 3.0 (FHS); the XDG Base Directory and Trash specifications; for
secrets, the manual pages named. "By habit": common practice, no source. From memory where nothing else is said.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class LeftOut:
    """A pattern, and why what it names does not come along."""

    pattern: str
    why: str


# The names of host keys as their servers make them: sshd(8), FILES, and dropbear(8).
HOST_KEYS = (
    "/etc/ssh/ssh_host_*_key",
    "/etc/ssh/ssh_host_*_key.pub",
    "/etc/ssh/ssh_host_*_key-cert.pub",
    "/etc/dropbear/dropbear_*_host_key",
)

USUAL = (
    LeftOut("/proc/*", "made by the kernel; the folder is where it is mounted (FHS 6.1.5)"),
    LeftOut("/sys/*", "made by the kernel; the folder is where it is mounted (FHS 6.1.7)"),
    LeftOut("/dev/*", "made by the kernel and udev at each start (FHS 3.6)"),
    LeftOut("/run/*", "emptied at each start (FHS 3.15)"),
    LeftOut("/tmp/*", "no program may rely on it from one start to the next (FHS 3.18)"),
    LeftOut("/var/tmp/*", "temporary, if for longer: tidied away after a month (FHS 5.15, tmpfiles.d(5))"),
    LeftOut("/swapfile", "swap: worth nothing after a start (by habit the name)"),
    LeftOut("/swap.img", "swap: worth nothing after a start (by habit the name)"),
    LeftOut("/var/swap", "swap: worth nothing after a start (by habit the name)"),
    LeftOut("/var/cache/apt/archives/*.deb", "packages that were installed, and can be had again (apt-get(8), clean)"),
    LeftOut("/var/cache/apt/archives/partial/*", "packages that were not loaded to the end"),
    LeftOut("/var/cache/apt/*.bin", "made anew from the lists of packages (apt-get(8), clean)"),
    LeftOut("/var/lib/apt/lists/*", "lists of packages, loaded anew by the next update; they change daily (by habit)"),
    LeftOut("/var/lib/systemd/coredump/*", "memory of programs that crashed, secrets included (systemd-coredump(8))"),
    LeftOut("/var/crash/*", "memory and reports of crashes (by habit)"),
    LeftOut(".cache/*", "what programs can make or load again (XDG Base Directory, XDG_CACHE_HOME)"),
    LeftOut(".local/share/Trash/*", "thrown away (XDG Trash, home trash)"),
    LeftOut(".Trash/*", "thrown away (XDG Trash, shared by users)"),
    LeftOut(".Trash-*/", "thrown away (XDG Trash, of one user)"),
    LeftOut("lost+found/*", "what a file system check has found, without a name (mklost+found(8))"),
)

SECRETS = (
    LeftOut("/etc/NetworkManager/system-connections/*", "network keys (nm-settings-keyfile(5))"),
    LeftOut("/etc/wpa_supplicant/*.conf", "network keys (wpa_supplicant.conf(5))"),
    LeftOut("/boot/**/wpa_supplicant.conf", "network keys, for the first start (by habit)"),
    LeftOut("/var/lib/iwd/*", "network keys (iwd.network(5))"),
    LeftOut("/var/lib/connman/*", "network keys (connman-service.config(5))"),
    LeftOut("/etc/netplan/*", "network keys, beside addresses (netplan(5), wifis)"),
    LeftOut("/etc/hostapd/*", "the key of the network that the board itself offers (by habit)"),
    LeftOut("/var/lib/bluetooth/*", "keys of paired devices (by habit)"),
    *(LeftOut(pattern, "proves to others that this is the board (sshd(8), dropbear(8))") for pattern in HOST_KEYS),
    LeftOut(".ssh/id_*", "keys that log in to other machines (ssh(1), FILES)"),
    LeftOut(".netrc", "passwords for other machines (by habit)"),
    LeftOut(".git-credentials", "passwords for other machines (git-credential-store(1))"),
    LeftOut(".gnupg/private-keys-v1.d/*", "private keys (gpg-agent(1))"),
    LeftOut(".local/share/keyrings/*", "passwords (by habit)"),
    LeftOut("/etc/backupctl/*", "credentials of the share, and of how people are told"),
    LeftOut("/var/lib/backupctl/*", "policies as they were used last, with how people are told"),
    LeftOut(".smbcredentials", "credentials of a share (by habit the name)"),
    LeftOut("/etc/*credentials*", "credentials of a share (by habit the name; mount.cifs(8), credentials=)"),
    LeftOut("/etc/samba/*credentials*", "credentials of a share (by habit the name)"),
    LeftOut("/var/lib/samba/private/*", "passwords of the board's own shares (pdbedit(8))"),
    LeftOut("/etc/wireguard/*", "keys of tunnels (wg-quick(8))"),
    LeftOut("/etc/systemd/network/*.netdev", "keys of tunnels (systemd.netdev(5), PrivateKey=)"),
    LeftOut("/etc/openvpn/*", "keys of tunnels (openvpn(8))"),
    LeftOut("/etc/ipsec.secrets", "keys of tunnels (ipsec.secrets(5))"),
    LeftOut("/etc/ipsec.d/private/*", "keys of tunnels (ipsec.secrets(5))"),
    LeftOut("/etc/swanctl/private/*", "keys of tunnels (swanctl.conf(5))"),
    LeftOut("/etc/ppp/*-secrets", "passwords of dial-in and tunnels (pppd(8))"),
    LeftOut("/etc/ssl/private/*", "private keys of servers (by habit; Debian's ssl-cert)"),
    LeftOut("/etc/letsencrypt/*", "private keys of servers, and the account that they come from (by habit)"),
    LeftOut("/etc/credstore/*", "credentials of services (systemd.exec(5), LoadCredential=)"),
    LeftOut("/etc/credstore.encrypted/*", "credentials of services (systemd.exec(5), LoadCredentialEncrypted=)"),
    LeftOut("/var/lib/systemd/credential.secret", "opens encrypted credentials of services (systemd-creds(1))"),
)
