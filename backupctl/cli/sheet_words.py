"""What the page for the bad day says, in order: the same for a terminal and for a printer."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from backupctl.domain.units import local

Json = dict[str, Any]


@dataclass(frozen=True)
class Passage:
    """A heading, and below it sentences and commands in turn."""

    title: str
    steps: tuple[tuple[str, tuple[str, ...]], ...]  # each a sentence, and the commands that go with it


def where(result: Json) -> list[tuple[str, str]]:
    """What the share is, and what is never printed."""
    share: Json = result["share"]
    if not share["network"]:
        return [("Share", f"{share['folder']}, a folder of the machine that printed this, and lost with it")]
    pairs = [("Share", f"{share['source']}, in Windows {share['windows']}" if share["windows"] else share["source"])]
    pairs.append(("Account", share["account"] or "none (guest)"))
    if share["account"]:
        pairs.append(("Password", "is not on this page. It is kept: ________________________________"))
    return pairs


HEAD = ("board", "newest good copy", "passed a drill", "new card")


def rows(result: Json) -> Iterator[tuple[str, str, str, str]]:
    """Of `HEAD`: one for each board, and one for its files where those are others, or all that there is."""
    for item in result["boards"]:
        newest, drilled, files = item["newest_good"], item["newest_drilled"], item["newest_files"]
        if newest or not files:
            yield (
                item["board"],
                local(newest["started"], zone=False) if newest else "none",
                (local(drilled["started"], zone=False) if drilled else "none yet") if newest else "",
                card(item) if newest else "",
            )
        if files and (newest is None or files["id"] != newest["id"]):
            yield item["board"], local(files["started"], zone=False), "", f"files: {files['of']}"


def card(item: Json) -> str:
    """`32 GB; 62 333 952 sectors`: decimal as printed on cards, and what counts."""
    sectors = f"{item['card_sectors']:,}".replace(",", " ")
    sold = f"{item['card_sold_gb']} GB; " if item["card_sold_gb"] else ""
    return f"{sold}{sectors} sectors"


def passages(result: Json) -> list[Passage]:
    """Everything that is to be done, in order."""
    if not result["linux"]:  # no card can be made of any of it
        return list(_files(result))
    return [_before(result), _linux(result), *_without(result), *_windows(result), *_files(result), _after(result)]


def _before(result: Json) -> Passage:
    of_files = [item["board"] for item in result["boards"] if item["holds_files"]]
    only_a = (
        f"The newest copy of {', '.join(of_files)} holds files, of which a card is made: that takes A (and on Debian "
        "e2fsprogs dosfstools mtools). B and C know copies of whole cards, if there are any.",
        (),
    )
    return Passage(
        "First",
        (
            *((only_a,) if of_files else ()),
            ("Nothing on this page changes the copies on the share. There is time.", ()),
            ("Switch the board off, take its card out, write the date on it, and keep it: it is the newest copy.", ()),
            (
                "Take a new card with at least the sectors above (of 512 bytes). Cards of one size differ: if the new "
                "one is a little too small, --shrink makes the copy fit.",
                (),
            ),
            ("EVERYTHING ON THE CARD THAT YOU NAME BELOW IS LOST. Plug in no other card or stick meanwhile.", ()),
        ),
    )


def _linux(result: Json) -> Passage:
    mount = (("Mount the share (it asks for the password):", tuple(result["mount"])),) if result["mount"] else ()
    return Passage(
        "A. Linux with backupctl, or another board that has it",
        (
            ("Open a terminal, and become root (sudo -i). On a board that is set up the share is mounted already.", ()),
            *mount,
            ("See what the new card is called:", tuple(result["linux"][:1])),
            ("Say which board it is for, where the share is, and which card:", tuple(result["choose"])),
            (
                "Restore. It shows what it will erase, asks for the board's name, and reads the card back:",
                tuple(result["linux"][1:]),
            ),
            (
                'If that copy is damaged, or the board does not start with it: --as-of "2026-11-24 09:00" in place of '
                "newest takes the newest one by then. The one that passed a drill is the best guess.",
                (),
            ),
        ),
    )


def _without(result: Json) -> Iterator[Passage]:
    commands = result["rebuild"]
    if not commands:
        return
    yield Passage(
        "B. Any Linux, without backupctl",
        (
            (
                "As root. It takes zstd (Debian: apt-get install zstd), and room in /root for what the card holds. "
                "Mount the share, and set board, share and card, as under A. Then:",
                tuple(commands[:5]),
            ),
            (
                "If rebuild.sh says that something is lost: ls captures, capture=NAME of the one before, and again.",
                (),
            ),
            (
                "Is $card the new card, and no disk of this computer? Then write it:",
                tuple(commands[5:6]),
            ),
            (
                "Pull the card out, and plug it in again. Compare: nothing is said if all is well. Then remove the "
                "file, which holds all secrets:",
                tuple(commands[6:]),
            ),
        ),
    )


def _windows(result: Json) -> Iterator[Passage]:
    if not result["windows"]:
        return
    yield Passage(
        "C. Windows",
        (
            (
                "It takes Python (3.11 or newer) and backupctl (py -m pip install, and the folder of the program). "
                "Open a command prompt. The first command asks for the password:",
                tuple(result["windows"]),
            ),
            (
                "Write card.img to the card with a program that writes raw images; copying the file onto the card does "
                "not do. Delete card.img afterwards: it holds all secrets.",
                (),
            ),
        ),
    )


def _files(result: Json) -> Iterator[Passage]:
    if not result["files"]:
        return
    only = not result["linux"]
    lines = (*result["mount"], *result["choose"][:-1])  # without the card
    reach = ("As root. Mount the share; say which board, and where the share is:", lines)
    yield Passage(
        "Files alone, with or without backupctl",
        (
            *((reach,) if only else ()),
            (
                "Copies with -files- in their names are tar archives. As root, after board and share are set, the "
                "newest goes into a new folder; put back from there what the board lacks:",
                tuple(result["files"]),
            ),
        ),
    )


def _after(result: Json) -> Passage:
    return Passage(
        "At last",
        (
            (
                "Put the card into the board, or into another of the same model, and switch it on. Do not run the old "
                "card in a second board beside it: both have one name, one address and one identity.",
                (),
            ),
            ("When it runs, say that its card is another one:", tuple(result["afterwards"])),
        ),
    )
