"""Whether a clock can be trusted. Boards without a battery believe that it is some other year."""

from __future__ import annotations

from datetime import datetime, timedelta

FORGIVEN = timedelta(hours=1)  # clocks of two machines differ


def distrust(
    now: datetime,
    built: datetime,
    newest_event: datetime | None,
    synchronised: bool | None,
    server: datetime | None = None,
) -> str | None:
    """Why the clock that says `now` is not trusted; None if it is. All times are aware.

    `newest_event` is that of the newest event under a trusted clock; `synchronised` is what the time service says
    since boot, None if there is none. A clock that no service has set is trusted where the server's (None: not known)
    says the same; where there is no service, unless the server's says otherwise.
    """
    if now < built:
        return f"the clock says {now:%Y-%m-%d}, before this version of the program was made"
    if newest_event is not None and now < newest_event - FORGIVEN:
        return (
            f"the clock says {now:%Y-%m-%d %H:%M}, before the newest event on the share "
            f'({newest_event:%Y-%m-%d %H:%M}); if that event is wrong, say trust = "always" in [clock] of the policy'
        )
    vouched = server is not None and abs(now - server) <= FORGIVEN
    if synchronised is False and not vouched:
        return "the time service has not set the clock since this machine was started"
    if synchronised is None and server is not None and not vouched:
        return (
            f"the clock says {now:%Y-%m-%d %H:%M}, the server's {server.astimezone(now.tzinfo):%Y-%m-%d %H:%M}, and no "
            "time service is known that could tell which is right"
        )
    return None
