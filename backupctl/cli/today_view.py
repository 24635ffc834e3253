"""This board today, in about ten lines."""

from __future__ import annotations

from typing import Any

from backupctl.cli.text import facts
from backupctl.domain.units import counted, local, size, span

Json = dict[str, Any]


def today(result: Json) -> str:
    about, good = result["about"], result["newest_good"]
    pairs = [("board", f"{result['board']}, {local(result['now'])}"), ("last good", _good(good, about))]
    if about:
        verified = local(good["verified"]) if good and good["verified"] else "not yet"
        since = f" since {local(result['oldest'], zone=False)}" if result["oldest"] else ""
        kept = [f"{counted(about['captures'], 'capture')}{since}"]
        kept += [f"{about['guarded']} guarded"] if about["guarded"] else []
        pairs += [("verified", verified), ("drilled", _drill(about))]
        pairs += [("kept", ", ".join(kept)), ("share", f"{size(result['free_bytes'])} free")]
        pairs += [("away", f"until {local(about['away_until'], zone=False)}")] if about["away_until"] else []
    pairs.append(("next night", _night(result)))
    attention = result["attention"] or ["nothing"]
    pairs += [("attention" if number == 0 else "", text) for number, text in enumerate(attention)]
    return facts(pairs)


def _drill(about: Json) -> str:
    return f"one passed on {local(about['drilled'])}" if about["drilled"] else "none has passed a drill yet"


def _good(good: Json | None, about: Json | None) -> str:
    if good is None or about is None:
        return "none"
    age = about["age_seconds"]
    ago = f", {span(age)} ago" if age is not None else " by a clock that was not trusted"
    return f"{local(good['started'])}{ago}; {size(good['in_use_bytes'])} in use, {size(good['written_bytes'])} written"


def _night(result: Json) -> str:
    if result["next_night"] is None:
        return "none, by the policy"
    later = f", up to {span(result['delay_seconds'])} later" if result["delay_seconds"] else ""
    timer = "" if result["timer"] else "; no timer of systemd is installed here for it (backupctl timer install)"
    return f"{local(result['next_night'])}{later}{timer}"
