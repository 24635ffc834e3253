"""What policies will cost, drawn for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from backupctl.cli.cost_view import bars
from backupctl.cli.text import facts, paragraph, table
from backupctl.domain.forecast import NINE_IN_TEN
from backupctl.domain.units import counted, size

Json = dict[str, Any]

_BARS_MOST = 14  # about one a month
_IN_THE_END = (
    "In the end: how many captures stay, how old the oldest is, and how far they lie apart at most in the last week, "
    "in the rest of the last month, of the quarter, of the year, and before that; all in days."
)
_GAPS = ("week", "month", "quarter", "year", "before")


def ahead(result: Json) -> str:
    policies = result["policies"]
    lines = [paragraph(how(result)), "", _one(policies[0], result), "", _course(result["course"])]
    if len(policies) > 1:
        lines += ["", _compared(policies), "", paragraph(_IN_THE_END), "", _reach(policies)]
    return "\n".join(lines)


def how(result: Json) -> str:
    """Where the figures come from."""
    board = result["board"] or "a new board"
    said = result["assumed"]
    if said:
        words = (
            f"Forecast for {board}, by assumption: {said['changed']:g} % of {size(said['in_use_bytes'])} change in a "
            f"night, {said['again']:g} % of that again and again, and data shrinks to {said['stored']:g} %. Nothing of "
            "that was measured on the board."
        )
    else:
        words = (
            f"Forecast for {board}, simulated from {counted(result['nights_measured'], 'measured night')}, with a "
            f"capture every {result['interval_hours']:g} hours. What the board has not done yet, no simulation knows."
        )
    if result.get("of_other_kinds"):
        foreseen, others = ("files", "cards") if result["kind"] == "files" else ("cards", "files")
        words += (
            f" Only captures of {foreseen} are foreseen: of {others} it has the "
            f"{counted(result['of_other_kinds'], 'capture')} that there are, and what more of them take comes on top."
        )
    return words


def _one(policy: Json, result: Json) -> str:
    year, steady, today, kept = policy["year"], policy["steady"], policy["today"], policy["kept"]
    pairs = [("policy", f"{policy['policy']}: {periods(policy['retention'])}")]
    if today:
        said = f"{counted(today['captures'], 'capture')} would stay, {len(today['goes'])} go"
        if today["goes"]:
            said += f"; {size(today['freed_bytes'])} would be freed, after a day and two runs in the trash"
            said += f", and {size(today['freed_later_bytes'])} are needed no more in parts that stay for now"
        pairs.append(("today", said))
    more = year["median_bytes"] - result["now_bytes"]
    pairs.append(("in a year", f"{_space(year)}: {size(abs(more))} {'more' if more >= 0 else 'less'} than now"))
    if steady["at"] != year["at"]:
        pairs.append(("in the end", f"{_space(steady)}, in {month_of(steady['at'])}, {when_steady(policy)}"))
    pairs.append(("reaches back", f"{kept['oldest_days']:g} days then, with {counted(kept['captures'], 'capture')}"))
    if result["room_bytes"] is not None:
        pairs.append(("room", _room(policy, result)))
    return facts(pairs)


def _room(policy: Json, result: Json) -> str:
    said = f"{size(result['room_bytes'] - result['now_bytes'])} are free: {full(policy)}"
    if policy["full"] is None:
        return said
    fits = result["never_full"]
    return f"{said}. " + (f"It would always fit with {periods(fits)}." if fits else "Fewer captures alone do not help.")


def full(policy: Json) -> str:
    """When the share has no room left, in words."""
    found = policy["full"]
    if found is None:
        return f"enough until {month_of(policy['steady']['at'])} at least"
    if found["median"] is None:
        return f"perhaps full from {month_of(found['earliest'])} on"
    return f"full in {month_of(found['median'])}, at the earliest in {month_of(found['earliest'])}"


def when_steady(policy: Json) -> str:
    """Up to when a simulation went, in words."""
    year, steady = policy["year"], policy["steady"]
    if steady["filled"]:
        return "when every period is filled"
    return "after a year" if steady["at"] == year["at"] else f"after {_years_until(policy)} years"


def _years_until(policy: Json) -> str:
    """The course ends a year from now, and the end is so much later."""
    year, steady = (datetime.fromisoformat(policy[name]["at"]) for name in ("year", "steady"))
    return f"{1 + (steady - year).days / 365.25:.2g}"


def _course(course: Sequence[Json]) -> str:
    every = max(1, len(course) // (_BARS_MOST - 1))
    rows = [
        ((day_of(moment["at"]), size(moment["median_bytes"]), between(moment)), moment["median_bytes"])
        for number, moment in enumerate(course)
        if number % every == 0 or moment is course[-1]
    ]
    return bars(("night of", "in the middle", which_runs(course)), rows, right=(1,))


def _compared(policies: Sequence[Json]) -> str:
    rows = []
    for policy in policies:
        today, year = policy["today"], policy["year"]
        freed = size(today["freed_bytes"]) if today else "-"
        rows.append((policy["policy"], freed, size(year["median_bytes"]), between(year)))
    band = which_runs([policy["year"] for policy in policies])
    return table(("policy", "frees today", "in a year", band), rows, right=(1, 2))


def _reach(policies: Sequence[Json]) -> str:
    rows = []
    for policy in policies:
        kept = policy["kept"]
        gaps = (_days(kept["longest_gap_days"][name]) for name in _GAPS)
        rows.append((policy["policy"], str(kept["captures"]), f"{kept['oldest_days']:g}", *gaps))
    return table(("policy", "captures", "oldest", *_GAPS), rows, right=range(1, 3 + len(_GAPS)))


def _days(gap: float | None) -> str:
    return "-" if gap is None else f"{gap:g}"


def _space(moment: Json) -> str:
    return f"{size(moment['median_bytes'])} ({between(moment)} in {which_runs([moment])})"


def which_runs(moments: Sequence[Json]) -> str:
    """Which ones lie from the low to the high."""
    made = {moment["runs"] for moment in moments}
    if min(made) >= NINE_IN_TEN:
        return "9 of 10 runs"
    return f"all {made.pop()} runs" if len(made) == 1 else "all runs"


def between(moment: Json) -> str:
    return f"{size(moment['low_bytes'])} to {size(moment['high_bytes'])}"


def periods(retention: Json) -> str:
    """`7 daily, 4 weekly`."""
    return ", ".join(f"{count} {name}" for name, count in retention.items() if count) or "no periods"


def day_of(text: str) -> str:
    at = datetime.fromisoformat(text)
    return f"{at:%a} {at.day} {at:%b} {at.year}"


def month_of(text: str) -> str:
    at = datetime.fromisoformat(text)
    return f"{at:%b} {at.year}"
