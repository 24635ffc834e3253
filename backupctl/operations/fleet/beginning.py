"""How far the setting up of a board is, by the world itself: tables, mounts, the share, its shelves, units.

Nothing is noted down for that, so it is true as well after what somebody did by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from backupctl.board.host import board_name
from backupctl.board.systemd import Systemd
from backupctl.domain.errors import BackupctlError, UsageError
from backupctl.domain.events import History
from backupctl.domain.notify_policy import NotifyPolicy
from backupctl.domain.policy import Policy
from backupctl.domain.record import CaptureRecord
from backupctl.domain.units import counted, local
from backupctl.formats.night_units import NIGHT, night_in
from backupctl.operations.facts import Facts
from backupctl.operations.fleet.boards_seen import NOBODYS, OURS, boards_seen
from backupctl.operations.listing import captures_of
from backupctl.operations.nights import sending, timer
from backupctl.operations.preflight.check import REFUSE
from backupctl.operations.preflight.share import look_at_share
from backupctl.operations.progress import Reporter, Step
from backupctl.operations.shares.adopt import existing_shelf
from backupctl.operations.shares.share_check import MOUNTED, check_shares
from backupctl.operations.shares.share_identity import remembered
from backupctl.share.captures import Captures
from backupctl.share.shelf import Shelf

Json = dict[str, Any]

DONE, TO_DO, WRONG = "done", "to do", "wrong"
SHARE, BOARD, POLICY, CAPTURE, TIMER, MESSAGE, DRILL, SHEET = (
    "share", "board", "policy", "capture", "timer", "message", "drill", "sheet",
)  # fmt: skip


@dataclass(frozen=True)
class Wish:
    """What was said beforehand; the rest is found, or asked for. `policy` names it for root, from any folder."""

    share: Path | None = None
    board: str | None = None
    policy: str | None = None
    source: Path | None = None
    same_machine: bool = False


@dataclass(frozen=True)
class World:
    """Where to look: this machine, its systemd, its tables (`root` as in `mount_tables`), its policies by name."""

    facts: Facts
    systemd: Systemd
    root: Path
    load_policy: Callable[[str], Policy]


def standing(wish: Wish, world: World, reporter: Reporter) -> Json:
    """Behind `begin`: `steps`, each with its `state` and words about it; and what they follow from.

    `share`: its folder, None if there is none yet; `shares`: as `share check` finds them; `seen`: as `boards_seen`,
    None where the share cannot be read; `board`, `policy`: their names, None if they are still to be chosen;
    `proposed`: a name for a board that has none. Raises as `existing_shelf` does, and UsageError for a policy.
    """
    reporter.step(Step("looking at what is there", 0, 0))
    installed = _installed(world.systemd)
    known = wish.share or (Path(installed["--share"]) if installed else None)
    shares = [] if known else check_shares(world.facts.state_folder, reporter, world.root)["shares"]
    folder = known or _marked(shares, world.facts)
    share, seen = _look(wish, folder, shares, world.facts)
    name = _board(wish, installed, seen)
    marked = seen is not None and seen["identity"] is not None
    shelf = existing_shelf(folder, name) if folder and name and marked else None
    captures, history = captures_of(shelf) if shelf else (None, History())
    words = wish.policy or installed.get("--policy") or _policy_of(captures, history, world)
    policy = world.load_policy(words) if words else None
    wanted = {"--share": str(folder), "--board": shelf.board if shelf else name, "--policy": words}
    steps = [
        share,
        _board_step(name, shelf, world.facts),
        _policy_step(policy),
        _capture_step(captures, history, world.facts),
        _timer_step(installed, wanted, world),
        _message_step(policy),
        _drill_step(captures, history, world.facts),
        _sheet_step(world),
    ]
    return {
        "share": str(folder) if folder else None,
        "board": wanted["--board"],
        "policy": words,
        "shares": shares,
        "seen": seen,
        "proposed": _proposed(seen),
        "steps": [{"number": number, **step} for number, step in enumerate(steps, 1)],
    }


def _step(name: str, state: str, words: str) -> Json:
    return {"name": name, "state": state, "words": words}


def _installed(systemd: Systemd) -> dict[str, str]:
    """The options of the nights that are installed; nothing where there are none."""
    path = systemd.folder / NIGHT
    command = night_in(path.read_text(errors="replace")) if path.is_file() else None
    return dict(zip(command.options[::2], command.options[1::2], strict=True)) if command else {}


def _marked(shares: list[Json], facts: Facts) -> Path | None:
    """A share of this program, or a folder on a mounted one that this machine has joined."""
    found = [Path(share["mount"]) for share in shares if share["share"]]
    mounted = [share["mount"] for share in shares if share["state"] == MOUNTED]
    joined = (Path(folder) for folder in remembered(facts.state_folder))
    found += [folder for folder in joined if any(folder.is_relative_to(mount) for mount in mounted)]
    return found[0] if found else None


def _look(wish: Wish, folder: Path | None, shares: list[Json], facts: Facts) -> tuple[Json, Json | None]:
    if folder is None:
        there = [f"{share['source']} at {share['mount']} ({share['state']})" for share in shares]
        found = f"; network shares here: {'; '.join(there)}" if there else ""
        return _step(SHARE, TO_DO, f"none is adopted yet{found}"), None
    mount, *mark = look_at_share(folder, facts)
    if not mark or (mount.result == REFUSE and not wish.same_machine):
        return _step(SHARE, WRONG, f"{mount.detail}. {mount.todo}".strip()), None
    if mark[0].result == REFUSE and str(folder.resolve()) in remembered(facts.state_folder):
        return _step(SHARE, WRONG, f"{mark[0].detail}. {mark[0].todo}"), None
    where = "a folder of this machine" if wish.same_machine else mount.detail
    return _step(SHARE, DONE, f"{folder}, {where}"), boards_seen(folder, facts)


def _board(wish: Wish, installed: dict[str, str], seen: Json | None) -> str | None:
    """The name that counts: the one that was said, or is installed, or whose captures this machine has taken."""
    boards = seen["boards"] if seen else []
    if seen and seen["alone"]:
        return wish.board or str(boards[0]["name"])
    named = wish.board or installed.get("--board") or next((b["name"] for b in boards if b["whose"] == OURS), None)
    if named:
        return str(named)
    # A shelf without captures that has this host's name was made for it.
    name = _host_name()
    return name if any(board["name"] == name and board["whose"] == NOBODYS for board in boards) else None


def _proposed(seen: Json | None) -> str | None:
    """This host's name, unless another board has it; else the only shelf that waits for a first capture."""
    boards = seen["boards"] if seen else []
    name = str(boards[0]["name"]) if seen and seen["alone"] else _host_name()
    if name is not None and all(board["name"] != name or board["whose"] in (NOBODYS, OURS) for board in boards):
        return name
    waiting = [str(board["name"]) for board in boards if board["whose"] == NOBODYS]
    return waiting[0] if len(waiting) == 1 else None


def _host_name() -> str | None:
    try:
        return board_name()
    except UsageError:
        return None  # one that many hosts have


def _board_step(name: str | None, shelf: Shelf | None, facts: Facts) -> Json:
    if shelf is None:
        return _step(BOARD, TO_DO, f"{name} has no shelf yet" if name else "it has no name on the share yet")
    joined = {str(shelf.path.resolve()), str(shelf.share_folder.resolve())} & remembered(facts.state_folder).keys()
    if not joined and not shelf.mark.same_machine:
        # So that another share in its place would be noticed.
        return _step(BOARD, TO_DO, f"{shelf.board} has a shelf, which this machine has not joined yet")
    return _step(BOARD, DONE, f"{shelf.board}, whose shelf is {shelf.path}")


def _policy_of(captures: Captures | None, history: History, world: World) -> str | None:
    """That of the newest capture which this machine has taken, if its name finds a policy."""
    for record in reversed(captures.records if captures else ()):
        name = record.policy.get("name")
        if history.taken_by.get(record.id) == world.facts.machine and isinstance(name, str) and "/" not in name:
            try:
                return world.load_policy(name).name
            except BackupctlError:
                return None
    return None


def _policy_step(policy: Policy | None) -> Json:
    if policy is None:
        return _step(POLICY, TO_DO, "none is chosen yet")
    return _step(POLICY, DONE, f"{policy.name}; nights: {policy.schedule.when}")


def _ours(captures: Captures | None, history: History, facts: Facts) -> list[CaptureRecord]:
    """Those that this machine has taken."""
    records = captures.records if captures else ()
    return [record for record in records if history.taken_by.get(record.id) == facts.machine]


def _capture_step(captures: Captures | None, history: History, facts: Facts) -> Json:
    records = captures.records if captures else ()
    ours = _ours(captures, history, facts)
    good = [
        record
        for record in ours
        if captures and record.id in captures.good and record.id not in history.damaged_captures
    ]
    if good:
        return _step(
            CAPTURE, DONE, f"{counted(len(ours), 'capture')}, the newest good one of {local(good[-1].started)}"
        )
    if ours:
        return _step(CAPTURE, TO_DO, f"{counted(len(ours), 'capture')}, and no good one")
    there = f"none that this machine has taken, of {len(records)}" if records else "none yet"
    return _step(CAPTURE, TO_DO, there)


def _timer_step(installed: dict[str, str], wanted: dict[str, str | None], world: World) -> Json:
    if not installed:
        return _step(TIMER, TO_DO, "none is installed")
    shown = next(each for each in timer.show(world.systemd, world.load_policy)["timers"] if each["unit"] == NIGHT)
    other = [
        f"{key[2:]} {installed.get(key)}, not {value}" for key, value in wanted.items() if installed.get(key) != value
    ]
    if other:
        return _step(TIMER, TO_DO, f"one is installed that says otherwise: {'; '.join(other)}")
    if shown["outdated"]:
        return _step(TIMER, TO_DO, shown["outdated"])
    if not shown["enabled"]:
        return _step(TIMER, TO_DO, "it is installed, and switched off")
    upcoming = shown["timer"].get("NextElapseUSecRealtime")
    return _step(TIMER, DONE, f"installed{f', next {upcoming}' if upcoming else ''}")


def _message_step(policy: Policy | None) -> Json:
    if policy is None:
        return _step(MESSAGE, TO_DO, "the policy says who is told, and how")
    ways = ways_of(policy.notify)
    if not ways:
        return _step(MESSAGE, TO_DO, f"[notify] of {policy.name} is empty: nobody is told anything")
    return _step(MESSAGE, TO_DO, f"by {', '.join(ways)}; it leaves no trace, and can be sent again")


def _drill_step(captures: Captures | None, history: History, facts: Facts) -> Json:
    passed = [record for record in _ours(captures, history, facts) if record.id in history.drilled]
    if not passed:
        return _step(DRILL, TO_DO, "no capture of this machine has passed one")
    return _step(DRILL, DONE, f"the capture of {local(passed[-1].started)} has passed one")


def sheet_file(root: Path) -> Path:
    """Where the page for the bad day lies until it is printed. `root` as in `mount_tables`."""
    return root / "var/lib/backupctl/sheet.html"


def _sheet_step(world: World) -> Json:
    file = sheet_file(world.root)
    if not file.exists():
        return _step(SHEET, TO_DO, "it is not written yet")
    return _step(SHEET, DONE, f"{file}; print it, if that was not done")


def ways_of(notify: NotifyPolicy) -> list[str]:
    """Names of all ways to be told that a policy has."""
    return [*sending.ways(notify), *(["ping"] if notify.ping else [])]
