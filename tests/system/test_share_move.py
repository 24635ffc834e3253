"""`share move`: only to where the same share is found. Folders stand for servers, by bind mounts."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from backupctl.board.mounting import mounted_aside
from backupctl.domain.errors import BackupctlError, NotFound, Refused, UsageError
from backupctl.formats.systemd_unit import parse_unit
from backupctl.operations.progress import Quiet
from backupctl.operations.shares.share_apply import Account, apply_plan
from backupctl.operations.shares.share_identity import identity_at, remember
from backupctl.operations.shares.share_move import MoveWish, move_share
from backupctl.operations.shares.share_plan import ShareWish, plan_share
from backupctl.share.shelf import adopt_share, make_shelf
from tests.formats import mntent
from tests.made_up_system import MadeUpSystem, make
from tests.system.loop_device import need

pytestmark = pytest.mark.system

MADE = "2026-12-01T02:00:00+01:00"


@dataclass
class Network:
    """Servers by the sources of their shares; and what the program asked for."""

    system: MadeUpSystem
    servers: dict[str, Path] = field(default_factory=dict)
    options: list[str] = field(default_factory=list)
    credentials: str = ""

    @contextmanager
    def mounting(self, source: str, fstype: str, options: Sequence[str]) -> Iterator[Path]:
        self.options = list(options)
        (path,) = [option.partition("=")[2] for option in options if option.startswith("credentials=")]
        self.credentials = Path(path).read_text()
        with mounted_aside(str(self.servers.get(source, "/no/such/server")), "none", ["bind"]) as folder:
            yield folder

    def move(self, *, asked: bool = False, **words: object) -> dict[str, object]:
        wish = MoveWish(**{"yes": not asked, **words})  # type: ignore[arg-type]
        return move_share(wish, self.system.root / "state", Quiet(), self.system.root, self.mounting)


def a_share(folder: Path) -> Path:
    folder.mkdir()
    adopt_share(folder, same_machine=False, made=MADE)
    make_shelf(folder, "greenhouse", "xxh3-128", MADE)
    return folder


def network(tmp_path: Path, path: str = "Back ups", units: bool = False, known: str = ".") -> Network:
    """A board that has joined a share, whose server is gone; the same share on a new one, and another one."""
    need("findmnt", "mount", "systemctl")
    system = make(tmp_path)
    nas = system.mounts / "nas"
    wish = ShareWish("old.lan", path, str(nas), user="mill", units=units)
    apply_plan(plan_share(wish), Account("mill", "old"), system.root)
    share = a_share(tmp_path / "new")
    found = identity_at(share / known)
    assert found is not None
    remember(system.root / "state", nas / known, found)
    other = a_share(tmp_path / "other")
    return Network(system, {f"//new.lan/{path}": share, "//other.lan/moved": other, "//new.lan/moved": share})


@pytest.fixture
def net(tmp_path: Path) -> Network:
    return network(tmp_path)


def test_the_same_share_on_another_server(net: Network) -> None:
    before = net.system.fstab.read_text()
    result = net.move(server="new.lan")
    assert (result["from"], result["to"], result["moved"]) == ("//old.lan/Back ups", "//new.lan/Back ups", True)
    assert net.system.fstab.read_text() == before.replace("old.lan", "new.lan")
    assert mntent.read(net.system.fstab)[-1].source == "//new.lan/Back ups"
    assert Path(str(result["kept"])).read_text() == before
    # Looked at in the same way, but read-only, and without what only the table needs.
    assert net.credentials == "username=mill\npassword=old\n"
    assert {"soft", "vers=3", "uid=0", "ro"} <= set(net.options)
    assert [option for option in net.options if option.startswith("x-") or option in ("nofail", "_netdev")] == []


def test_another_path_and_another_account(net: Network) -> None:
    (file,) = (net.system.root / "etc/backupctl").iterdir()
    net.move(server="new.lan", path="moved", account=Account("board7", "new"))
    assert net.credentials == "username=board7\npassword=new\n" == file.read_text()
    assert file.stat().st_mode & 0o777 == 0o600
    assert mntent.read(net.system.fstab)[-1].source == "//new.lan/moved"


def test_units(tmp_path: Path) -> None:
    net = network(tmp_path, units=True)
    (unit,) = net.system.units.glob("*.mount")
    before = unit.read_text()
    net.move(server="new.lan", path="moved")
    assert parse_unit(unit.read_text())["Mount"]["What"] == "//new.lan/moved"
    assert unit.read_text() == before.replace("//old.lan/Back ups", "//new.lan/moved")


@pytest.mark.parametrize(("path", "known"), [("b/boards/greenhouse", "."), ("b", "boards/greenhouse")])
def test_a_shelf_is_told_from_others(tmp_path: Path, path: str, known: str) -> None:
    """One that is all that is mounted, and one within the mount."""
    net = network(tmp_path, path, known="boards/greenhouse")
    inside = known != "."
    if not inside:
        shelf = identity_at(tmp_path / "new/boards/greenhouse")
        assert shelf is not None
        remembering = net.system.root / "state/shares.json"
        remembering.unlink()
        remember(remembering.parent, net.system.mounts / "nas", shelf)
    folder = "" if inside else "boards/greenhouse"
    net.servers = {"//new.lan/x": tmp_path / "new" / folder, "//other.lan/x": tmp_path / "other" / folder}
    with pytest.raises(Refused, match=r"the shelf of greenhouse .* was expected"):
        net.move(server="other.lan", path="x")
    assert net.move(server="new.lan", path="x")["moved"] is True


def spoil_share(net: Network) -> None:
    (net.servers["//new.lan/Back ups"] / "share.json").write_text("{}")


def forget(net: Network) -> None:
    (net.system.root / "state/shares.json").unlink()


def password_in_table(net: Network) -> None:
    net.system.fstab.write_text(net.system.fstab.read_text().replace("credentials=", "password=x,x="))


def password_behind_user(net: Network) -> None:
    net.system.fstab.write_text(net.system.fstab.read_text().replace("credentials=", "username=mill%x,x="))


def broken_table(net: Network) -> None:
    net.system.fstab.write_text(f"{net.system.fstab.read_text()}/dev/x /no/such/place ext4 rw 0 0\n")


def no_entry(net: Network) -> None:
    net.system.fstab.write_text("")


def two_entries(net: Network) -> None:
    net.system.fstab.write_text(f"{net.system.fstab.read_text()}//a/b /mnt/other cifs guest 0 0\n")


def overlay(net: Network) -> None:
    net.system.mountinfo.write_text("27 1 0:9 / / rw - overlay overlay rw\n")


@pytest.mark.parametrize(
    ("server", "path", "spoil", "error", "said"),
    [
        ("other.lan", "moved", None, Refused, "share .* was expected"),
        ("gone.lan", None, None, Refused, "cannot be mounted"),
        ("old.lan", None, None, UsageError, "already"),
        ("//new.lan", None, None, UsageError, "no name or address"),
        ("new.lan", None, spoil_share, Refused, "share.json"),
        ("new.lan", None, forget, Refused, "does not know which share"),
        ("new.lan", None, password_in_table, Refused, "stands in the table"),
        ("new.lan", None, password_behind_user, Refused, "stands in the table"),
        ("new.lan", None, broken_table, Refused, "findmnt --verify"),
        ("new.lan", None, no_entry, NotFound, "neither fstab nor a unit"),
        ("new.lan", None, two_entries, UsageError, "which one"),
        ("new.lan", None, overlay, Refused, "an overlay"),
    ],
)
def test_nothing_changes_otherwise(
    net: Network,
    server: str,
    path: str | None,
    spoil: Callable[[Network], None] | None,
    error: type[BackupctlError],
    said: str,
) -> None:
    if spoil:
        spoil(net)
    before = net.system.everything()
    with pytest.raises(error, match=said):
        net.move(server=server, path=path, account=None)
    assert net.system.everything() == before


def test_a_dry_run_and_a_question_that_nobody_answers(net: Network) -> None:
    before = net.system.everything()
    assert net.move(server="new.lan", dry_run=True)["moved"] is False
    with pytest.raises(Refused, match="not moved"):
        net.move(server="new.lan", asked=True)
    assert net.system.everything() == before


def test_what_is_mounted_now_says_which_share_it_is(net: Network, tmp_path: Path) -> None:
    forget(net)
    shutil.copytree(tmp_path / "new", net.system.mounts / "nas", dirs_exist_ok=True)
    with pytest.raises(Refused, match="does not know"):
        net.move(server="new.lan")  # it is not mounted: what lies there is no share
    net.system.mount("//old.lan/Back ups", net.system.mounts / "nas")
    assert net.move(server="new.lan")["moved"] is True
