"""What was planned, found or changed about timers, in words."""

from __future__ import annotations

import shlex
from datetime import datetime
from typing import Any

from backupctl.cli.text import command, facts, paragraph
from backupctl.domain.units import local, span

Json = dict[str, Any]


def question(result: Json) -> str:
    return f"{to_be_installed(result)}{_nobody_told(result)}\n\nType yes to install the timer:"


def to_be_installed(result: Json, shows_texts: str = "--dry-run") -> str:
    lines = ["What will run:", command(result["command"]), "", f"Units, whose texts {shows_texts} shows:"]
    lines += [f"  {unit['path']} ({unit['state']})" for unit in result["units"]]
    return "\n".join([*lines, "", _to_come(result)])


def texts(result: Json) -> str:
    """Of all units. Not wrapped: this is what will stand there."""
    return "\n\n".join(
        "\n".join([f"{unit['path']} ({unit['state']}):", *(f"  {line}".rstrip() for line in unit["text"].splitlines())])
        for unit in result["units"]
    )


def _planned(result: Json) -> str:
    blocks = [texts(result)]
    if result["crontab"]:
        blocks.append("\n".join(["systemd does not run this system. For root's crontab:", *result["crontab"]]))
    return "\n\n".join([*blocks, f"{_to_come(result)}{_nobody_told(result)}", "Nothing was written."])


def _to_come(result: Json) -> str:
    later = f", up to {span(result['delay_seconds'])} later" if result["delay_seconds"] else ""
    times = ", ".join(local(at, zone=False) for at in result["next"])
    return paragraph(f"With policy {result['policy']}, next: {times or 'never'}{later}.")


def _nobody_told(result: Json) -> str:
    if result["tells"]:
        return ""
    return "\n" + paragraph(
        "note: that policy tells nobody when something goes wrong: put into its [notify] who is to be told, and try it "
        "with `backupctl notify --try`."
    )


def installed(result: Json) -> str:
    if result["applied"]:
        first = "The timer is installed." if result["changes"] else "The timer was there already, just so."
        return f"{first}\n{_to_come(result)}{_nobody_told(result)}"
    return _planned(result)


def shown(result: Json) -> str:
    return "\n\n".join(map(_shown, result["timers"])) or "No timer is installed here."


def _shown(item: Json) -> str:
    timer, service = item["timer"], item["service"]
    pairs = [
        ("unit", item["unit"]),
        ("runs", shlex.join(item["command"] or [])),
        ("next", timer.get("NextElapseUSecRealtime", "")),
        ("last", timer.get("LastTriggerUSec", "")),
        ("came to", _came_to(item["unit"], timer, service)),
    ]
    lines = [facts([(name, said) for name, said in pairs if said])]
    if item["enabled"] is False or timer.get("ActiveState", "active") != "active":
        lines.append("It is switched off: `backupctl timer install` switches it on again.")
    if item["outdated"]:
        lines.append(paragraph(f"warning: {item['outdated']}. Run `backupctl timer install` again."))
    return "\n".join(lines)


def _came_to(unit: str, timer: Json, service: Json) -> str:
    if service.get("ActiveState") == "activating":
        return "at work now"
    triggered, started = _time(timer.get("LastTriggerUSec")), _time(service.get("ExecMainStartTimestamp"))
    if triggered and (started is None or started < triggered):
        # systemd keeps nothing of that: what it shows is of the run before.
        return f"it could not begin, since what it needs was not there: journalctl -u {unit}"
    if not service.get("ExecMainExitTimestamp"):
        return ""  # it did not run since the system was started
    return f"{service['Result']}, code {service['ExecMainStatus']}, {service['ExecMainExitTimestamp']}"


def _time(text: str | None) -> datetime | None:
    """Of `Wed 2026-11-25 03:17:00 UTC`, as systemctl(1) shows it; None for an empty one. For comparing only."""
    words = (text or "").split()
    return datetime.fromisoformat(f"{words[1]}T{words[2]}") if len(words) > 2 else None


def removed(result: Json) -> str:
    if not result["removed"]:
        return "No timer is installed here."
    return "\n".join(["Removed:", *(f"  {path}" for path in result["removed"])])


def due(result: Json) -> str:
    return paragraph(f"{'due' if result['due'] else 'not due'}: {result['why']}")
