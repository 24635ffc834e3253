"""What `timer show` says of the last night, by what systemctl(1) has shown on a board (systemd 252)."""

from __future__ import annotations

from backupctl.cli.timers_view import shown

SERVICE = {
    "ActiveState": "inactive",
    "Result": "success",
    "ExecMainStatus": "0",
    "ExecMainStartTimestamp": "Mon 2031-05-05 03:18:31 UTC",
    "ExecMainExitTimestamp": "Mon 2031-05-05 03:19:02 UTC",
}
TIMER = {
    "ActiveState": "active",
    "LastTriggerUSec": "Mon 2031-05-05 03:18:30 UTC",
    "NextElapseUSecRealtime": "Tue 2031-05-06 03:17:00 UTC",
}
FOUND = {
    "unit": "backupctl-night.service",
    "command": ["backupctl", "night"],
    "policy": "hub",
    "outdated": None,
    "enabled": True,
    "timer": TIMER,
    "service": SERVICE,
}


def said(timer: dict[str, str], service: dict[str, str], **others: object) -> str:
    text = shown({"timers": [{**FOUND, "timer": TIMER | timer, "service": SERVICE | service, **others}]})
    assert max(map(len, text.splitlines())) < 80
    return " ".join(text.split())


def test_a_night_that_went_well() -> None:
    assert "came to success, code 0, Mon 2031-05-05 03:19:02 UTC" in said({}, {})
    assert "next Tue 2031-05-06 03:17:00 UTC" in said({}, {})


def test_a_night_that_failed_and_one_that_is_at_work() -> None:
    assert "came to exit-code, code 3," in said(
        {}, {"ActiveState": "failed", "Result": "exit-code", "ExecMainStatus": "3"}
    )
    assert "came to at work now" in said({}, {"ActiveState": "activating", "ExecMainExitTimestamp": ""})


def test_a_night_that_could_not_begin_is_not_the_one_before() -> None:
    assert "could not begin" in said({"LastTriggerUSec": "Tue 2031-05-06 03:17:40 UTC"}, {})
    never = {"ExecMainStartTimestamp": "", "ExecMainExitTimestamp": ""}
    assert "could not begin" in said({}, never)
    assert "came to" not in said({"LastTriggerUSec": "n/a"}, never)
    assert "came to" not in said({"LastTriggerUSec": ""}, never)


def test_a_timer_that_is_off_or_of_an_older_policy() -> None:
    assert "switched off" in said({}, {}, enabled=False)
    assert "switched off" in said({"ActiveState": "inactive"}, {})
    assert "backupctl-night.timer would be written otherwise" in said(
        {}, {}, outdated="backupctl-night.timer would be written otherwise today"
    )
    assert "switched off" not in said({}, {})


def test_nothing_is_installed() -> None:
    assert shown({"timers": []}) == "No timer is installed here."


def test_a_policy_that_is_gone() -> None:
    lost = {"command": None, "enabled": None, "outdated": "there is no policy 'hub'"}
    text = shown({"timers": [{**FOUND, **lost, "timer": {}, "service": {}}]})
    assert "there is no policy 'hub'" in text
    assert "switched off" not in text
