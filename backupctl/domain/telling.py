"""What somebody is told of boards, and when: a pure function of how they stand, what was told before, and the time.

Trouble is told when it is seen, again after three and seven days if it lasts, and once when it is over; on Monday
morning a line for each board says how it stands. A message goes through networks and other people's computers, so it is
made of the fields of `Standing` and of fixed words, and nothing else has a way into it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from backupctl.domain.errors import Exit
from backupctl.domain.names import checked_board
from backupctl.domain.telling_words import ENDINGS, TEST, WORDS, Matter
from backupctl.domain.units import counted, local

THE_SHARE = ""  # in place of a board's name, for what concerns all of a share
_TOLD_AFTER = (timedelta(0), timedelta(days=3), timedelta(days=7))
_NOT_SEEN = (Matter.UNREADABLE, Matter.GONE)  # then nothing is known of its captures
_MORNING = timedelta(hours=8)
_WIDTH = 76  # of lines: RFC 5322, 2.1.1, asks for no more than 78


class Kind(StrEnum):
    """Of a message: the most urgent of what it says."""

    TROUBLE = "trouble"
    RECOVERY = "recovery"
    WEEKLY = "weekly"
    TEST = "test"


@dataclass(frozen=True)
class Standing:
    """How a board stands: all that a message can say of it. Times are aware."""

    board: str
    matters: Mapping[Matter, datetime | None]  # since when; None: it is not so. What is not in it is not known
    newest_good: datetime | None = None  # when that capture was begun
    captures: int = 0
    away: bool = False  # its captures are not missed
    last_night: Exit | None = None

    def __post_init__(self) -> None:
        if self.board != THE_SHARE:
            checked_board(self.board)


@dataclass(frozen=True)
class Trouble:
    """Something that was seen: since when, how often it was told, and whether it is over by now."""

    since: datetime
    said: int = 0
    over: bool = False


@dataclass(frozen=True)
class Memory:
    """What one recipient was told. `week` is the last one with a line for each board."""

    boards: Mapping[str, Mapping[Matter, Trouble]] = field(default_factory=dict)
    week: str = ""


@dataclass(frozen=True)
class Item:
    """One thing that a message tells."""

    board: str
    matter: Matter
    since: datetime
    over: bool
    safe_up_to: datetime | None


@dataclass(frozen=True)
class Message:
    """`text` is ASCII, in lines of at most 76 characters. `week` is set where it has a line for each board."""

    kind: Kind
    subject: str
    text: str
    items: tuple[Item, ...] = ()
    week: str = ""


def trial_message(board: str) -> Message:
    """What `notify --try` sends."""
    name = checked_board(board)
    return Message(Kind.TEST, f"{name}: a test", _folded(f"{name}: {TEST}") + "\n")


def noted(memory: Memory, standings: Sequence[Standing], now: datetime) -> Memory:
    """The memory with what is seen now, before anybody is told."""
    boards = dict(memory.boards)
    for standing in standings:
        known = dict(boards.get(standing.board, {}))
        for matter, since in standing.matters.items():
            before = known.get(matter)
            if since is not None:
                known[matter] = replace(before, over=False) if before else Trouble(since)
            elif before and before.said:
                known[matter] = replace(before, over=True)
            else:
                known.pop(matter, None)
        boards[standing.board] = known
    return Memory(boards, memory.week or _week(now))


def message(memory: Memory, standings: Sequence[Standing], now: datetime, digest: bool) -> Message | None:
    """What is to be told now, by a memory that has noted `standings`; None if there is nothing."""
    found = [(standing, item) for standing in standings for item in _due(memory, standing, now)]
    items = tuple(item for _, item in found)
    blocks = [_block(standing, item, now) for standing, item in found]
    boards = [standing for standing in standings if standing.board != THE_SHARE]
    week = _week(now) if digest and boards and _week(now) != memory.week else ""
    if week:
        lines = [_folded(_digest_line(standing, memory, now), "    ") for standing in boards]
        blocks.append("\n".join(["This week:", *lines]))
    if not blocks:
        return None
    pressing = [item for item in items if not item.over]
    kind = Kind.TROUBLE if pressing else Kind.RECOVERY if items else Kind.WEEKLY
    subject = _subject(pressing or items) if items else _subject_of_digest(boards, memory)
    return Message(kind, subject, "\n\n".join(blocks) + "\n", items, week)


def told(memory: Memory, message: Message, now: datetime) -> Memory:
    """The memory once `message` has arrived."""
    boards = {board: dict(matters) for board, matters in memory.boards.items()}
    for item in message.items:
        trouble = boards[item.board].pop(item.matter)
        if not item.over:
            said = sum(now - trouble.since >= after for after in _TOLD_AFTER)
            boards[item.board][item.matter] = replace(trouble, said=max(said, 1))
    # Of a board that is gone nothing comes any more.
    there = {board: matters for board, matters in boards.items() if Matter.GONE not in matters}
    return Memory(there, message.week or memory.week)


def _due(memory: Memory, standing: Standing, now: datetime) -> Iterator[Item]:
    for matter, trouble in memory.boards.get(standing.board, {}).items():
        if standing.away and matter in (Matter.MISSED, Matter.OVERDUE):
            continue
        said = trouble.said
        again = 0 < said < len(_TOLD_AFTER) and now - trouble.since >= _TOLD_AFTER[said]
        if not said or again or trouble.over:
            yield Item(standing.board, matter, trouble.since, trouble.over, standing.newest_good)


def _week(now: datetime) -> str:
    """Weeks begin on Monday at eight in the morning, by the clock of the machine that tells."""
    year, week, _ = (now - _MORNING).isocalendar()
    return f"{year}-W{week:02}"


def _subject(items: Sequence[Item]) -> str:
    boards = {item.board for item in items}
    if len(items) == 1:
        return f"{_name(items[0].board)}: {_headline(items[0])}"
    whose = _name(items[0].board) if len(boards) == 1 else counted(len(boards), "board")
    return f"{whose}: {len(items)} things {'are well again' if items[0].over else 'to see to'}"


def _subject_of_digest(boards: Sequence[Standing], memory: Memory) -> str:
    troubled = sum(bool(memory.boards.get(standing.board)) for standing in boards)
    whose = boards[0].board if len(boards) == 1 else counted(len(boards), "board")
    if not troubled:
        return f"{whose}: all is well"
    return f"{whose}: trouble" if len(boards) == 1 else f"{whose}: trouble with {troubled}"


def _block(standing: Standing, item: Item, now: datetime) -> str:
    lines = [_folded(f"{_name(item.board)}: {_headline(item)}.", "  ")]
    if item.over:
        lines.append(f"  That was so since {_at(item.since, now)}.")
    else:
        lines.append(f"  Since: {_at(item.since, now)}")
    if item.matter not in _NOT_SEEN:
        lines.append(f"  Safe up to: {_at(item.safe_up_to, now) if item.safe_up_to else 'nothing is safe yet'}")
    if not item.over:
        if item.matter is Matter.MISSED and standing.last_night is not None:
            lines.append(f"  The last try: {ENDINGS[standing.last_night]} (code {int(standing.last_night)})")
        lines.append(_folded(f"  What to do: {WORDS[item.matter].to_do}", "  "))
    return "\n".join(lines)


def _digest_line(standing: Standing, memory: Memory, now: datetime) -> str:
    pieces = [] if any(standing.matters.get(matter) for matter in _NOT_SEEN) else [_captures(standing, now)]
    pieces += ["away"] if standing.away else []
    pieces += [WORDS[matter].holds for matter, trouble in memory.boards[standing.board].items() if not trouble.over]
    return f"  {standing.board}: {'; '.join(pieces)}"


def _captures(standing: Standing, now: datetime) -> str:
    good = f"last good capture {_at(standing.newest_good, now)}" if standing.newest_good else "no good capture"
    return f"{good}, {standing.captures} in all"


def _headline(item: Item) -> str:
    words = WORDS[item.matter]
    return words.over if item.over else words.holds


def _name(board: str) -> str:
    return "the share" if board == THE_SHARE else board


def _at(moment: datetime, now: datetime) -> str:
    return local(moment.astimezone(now.tzinfo).isoformat())


def _folded(text: str, indent: str = "") -> str:
    return textwrap.fill(text, _WIDTH, subsequent_indent=indent, break_on_hyphens=False)
