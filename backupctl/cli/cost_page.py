"""What keeping costs as one HTML page that needs nothing else: for a browser, a printer, or somebody else's eyes."""

from __future__ import annotations

import calendar
import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from html import escape
from importlib.resources import files
from math import ceil
from typing import Any

from backupctl.cli.ahead_view import day_of, full, how, month_of, periods, when_steady, which_runs
from backupctl.cli.page import html_page
from backupctl.domain.units import counted, size

Json = dict[str, Any]

_GOES = "goes"
_TIERS = ("guarded", "yearly", "monthly", "weekly", "daily", "recent", "safety", "unusable", _GOES)  # by strength
_REST = "rest"
_TIER_WORDS = {
    "guarded": "guarded", "yearly": "stands for a year", "monthly": "stands for a month", "weekly": "stands for a week",
    "daily": "stands for a day", "recent": "recent", "safety": "kept for safety", "unusable": "cannot be used",
    _GOES: "would go",
    _REST: "not needed any more, tables and all else",
}  # fmt: skip
_TICKS_MOST = 5


def page(cost: Json, ahead: Json, made: datetime) -> str:
    """`cost`: as `cost --json` has it, of one board; `ahead`: what its `ahead` is. `made`: when, aware."""
    policy = ahead["policies"][0]
    board = str(ahead["board"])
    sections = [
        _calendar(cost["captures"]),
        _tiers_over_time(ahead["course"]),
        _forecast(ahead),
        _policies(ahead["policies"]),
        _captures(cost["captures"]),
    ]
    style = files("backupctl.cli").joinpath("cost_page.css").read_text(encoding="utf-8")
    title = f"What keeping {board} costs"
    body = f"""\
<header>
<h1>{escape(title)}</h1>
<p class="soft">{day_of(made.isoformat())}, policy {escape(policy["policy"])}: {periods(policy["retention"])}.</p>
{_tiles(cost, policy, ahead)}
</header>
<main>
{"".join(sections)}
</main>
<footer>
<p>{escape(how(ahead))}</p>
<p>All these captures stand on one share, in one place: fire, theft and a mistake reach all of them.</p>
</footer>
"""
    return html_page(title, style, body)


def _tiles(cost: Json, policy: Json, ahead: Json) -> str:
    year, steady = policy["year"], policy["steady"]
    tiles = [
        ("On the share now", _bytes(cost["total_bytes"]), counted(len(cost["captures"]), "capture")),
        ("In a year", _bytes(year["median_bytes"]), f"90 % of runs: {_range(year)}"),
    ]
    if steady["at"] != year["at"]:
        said = f"{month_of(steady['at'])}, {when_steady(policy)}: {_range(steady)}"
        tiles.append(("In the long run", _bytes(steady["median_bytes"]), said))
    tiles.append(("Free on the share", _bytes(cost["free_bytes"]), escape(full(policy))))
    items = (f"<div><dt>{name}</dt><dd>{value}<small>{said}</small></dd></div>" for name, value, said in tiles)
    return f'<dl class="tiles">{"".join(items)}</dl>'


def _calendar(captures: Sequence[Json]) -> str:
    """A small calendar for each month that has captures; the strongest reason of a day's captures colours it."""
    days: dict[date, Json] = {}
    for capture in captures:
        if capture["started"] is not None:
            day = datetime.fromisoformat(capture["started"]).date()
            if day not in days or _TIERS.index(capture["tier"]) < _TIERS.index(days[day]["tier"]):
                days[day] = capture
    months = sorted({(day.year, day.month) for day in days}, reverse=True)
    pieces = []
    for number, (year, month) in enumerate(months):
        if number:
            later = months[number - 1]
            empty = 12 * (later[0] - year) + later[1] - month - 1
            if empty:
                pieces.append(f'<div class="gap">{counted(empty, "month")} without a capture</div>')
        pieces.append(_month_table(year, month, days))
    used = [tier for tier in _TIERS if any(capture["tier"] == tier for capture in days.values())]
    return f"""<section aria-labelledby="calendar">
<h2 id="calendar">Calendar of captures</h2>
<p class="soft">Days with a capture, newest month first. The letter is that of the strongest reason why one stays; a day
that keeps its number has none that would stay under this policy.</p>
{_legend(used)}
<div class="months">{"".join(pieces)}</div>
</section>
"""


def _month_table(year: int, month: int, days: dict[date, Json]) -> str:
    head = "".join(f'<th scope="col" abbr="{day}">{day[0]}</th>' for day in calendar.day_name)
    rows = []
    for week in calendar.Calendar().monthdayscalendar(year, month):
        cells = [_day_cell(days.get(date(year, month, day)), day) if day else "<td></td>" for day in week]
        rows.append(f"<tr>{''.join(cells)}</tr>")
    caption = f"<caption>{calendar.month_name[month]} {year}</caption>"
    return f'<table class="month">{caption}<thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table>'


def _day_cell(capture: Json | None, day: int) -> str:
    if capture is None:
        return f"<td>{day}</td>"
    tier = capture["tier"]
    said = escape("; ".join(capture["reasons"]) or _TIER_WORDS[tier], quote=True)
    if tier == _GOES:
        return f'<td class="goes" title="{day}: {said}">{day}</td>'
    return f'<td class="kept" style="background:var(--{tier})" title="{day}: {said}">{tier[0].upper()}</td>'


def _legend(kinds: Iterable[str]) -> str:
    looks = ((kind, 'class="goes"' if kind == _GOES else f'style="background:var(--{kind})"') for kind in kinds)
    items = (f"<li><i {look}></i>{_TIER_WORDS[kind]}</li>" for kind, look in looks)
    return f'<ul class="legend">{"".join(items)}</ul>'


def _tiers_over_time(course: Sequence[Json]) -> str:
    kinds = [tier for tier in _TIERS if any(moment["tier_bytes"].get(tier) for moment in course)]
    layers = [[moment["tier_bytes"].get(kind, 0) for moment in course] for kind in kinds]
    rest = [max(0, moment["median_bytes"] - sum(moment["tier_bytes"].values())) for moment in course]
    kinds, layers = [*kinds, _REST], [*layers, rest]
    top = max(map(sum, zip(*layers, strict=True)))
    ticks = _ordinates(top)
    areas, below = [], [0] * len(course)
    for kind, layer in zip(kinds, layers, strict=True):
        above = [low + more for low, more in zip(below, layer, strict=True)]
        areas.append(f'<path d="{_area(below, above, ticks[-1])}" style="fill:var(--{kind})"/>')
        below = above
    head = ["", *(_TIER_WORDS[kind] for kind in kinds)]
    rows = [[day_of(moment["at"]), *(_bytes(layer[number]) for layer in layers)] for number, moment in _some(course)]
    return f"""<section aria-labelledby="tiers">
<figure>
<h2 id="tiers">Space by what it is kept for</h2>
<figcaption class="soft">The next year, in the middle one of the simulated runs. What several captures need counts for
the strongest reason among them.</figcaption>
{_legend(kinds)}
{_plot("Space by what it is kept for, over the next year", "".join(areas), ticks, course)}
</figure>
{_details(_table("Space by what it is kept for", head, rows))}
</section>
"""


def _forecast(ahead: Json) -> str:
    course, room = ahead["course"], ahead["room_bytes"]
    band = which_runs(course)
    high = max(moment["high_bytes"] for moment in course)
    ticks = _ordinates(max(high, room) if room < 2 * high else high)
    low, middle, top = ([moment[f"{name}_bytes"] for moment in course] for name in ("low", "median", "high"))
    shapes = (
        f'<path class="band" d="{_area(low, top, ticks[-1])}"/><path class="median" d="{_line(middle, ticks[-1])}"/>'
    )
    room_shown = room <= ticks[-1]
    if room_shown:
        shapes += f'<path class="room" d="{_line([room] * 2, ticks[-1])}"/>'
    beyond = "" if room_shown else f" The share has room for {_bytes(room)} of this board, which is beyond the top."
    rows = [
        [day_of(moment["at"]), str(moment["captures"]),
         *(_bytes(moment[f"{name}_bytes"]) for name in ("low", "median", "high"))]
        for _, moment in _some(course)
    ]  # fmt: skip
    return f"""<section aria-labelledby="forecast">
<figure>
<h2 id="forecast">Forecast</h2>
<figcaption class="soft">All that this board has on the share, over the next year.{beyond}</figcaption>
<ul class="legend"><li><i class="line"></i>middle of the simulated runs</li><li><i class="band"></i>{band}</li>
{'<li><i class="room"></i>all the room that there is</li>' if room_shown else ""}</ul>
{_plot(f"Space over the next year, with the band that {band} lie in", shapes, ticks, course)}
</figure>
{_details(_table("Forecast", ["", "captures", "low", "middle", "high"], rows))}
</section>
"""


def _policies(policies: Sequence[Json]) -> str:
    band = which_runs([policy["year"] for policy in policies])
    head = ["policy", "keeps", "captures", "oldest", "longest gap: week", "month", "quarter", "year", "before",
            "today", "in a year", band]  # fmt: skip
    rows = []
    ends = " or ".join(sorted({when_steady(policy) for policy in policies}, reverse=True))
    for policy in policies:
        kept, today = policy["kept"], policy["today"]
        gaps = [_days(kept["longest_gap_days"][name]) for name in ("week", "month", "quarter", "year", "before")]
        now = f"{today['captures']} stay, {_bytes(today['freed_bytes'])} freed" if today else "-"
        rows.append([
            escape(policy["policy"]), periods(policy["retention"]), str(kept["captures"]), _days(kept["oldest_days"]),
            *gaps, now, _bytes(policy["year"]["median_bytes"]), _range(policy["year"]),
        ])  # fmt: skip
    return f"""<section aria-labelledby="policies">
<h2 id="policies">What a policy keeps in the end</h2>
<p class="soft">{ends[0].upper()}{ends[1:]}: how many captures, how far back, and how far apart they lie at most in
the last week, in the rest of the last month, and so on.</p>
{_table("Policies", head, rows, texts=2)}
</section>
"""


def _captures(captures: Sequence[Json]) -> str:
    head = ["taken", "label", "why it stays, or goes", "alone", "frees"]
    rows = [
        [
            day_of(capture["started"]) if capture["started"] else escape(capture["id"]),
            escape(capture["label"] or ""),
            escape("; ".join(capture["reasons"]) or _TIER_WORDS[capture["tier"]]),
            _bytes(capture["alone_bytes"]),
            _bytes(capture["freed_now_bytes"]),
        ]
        for capture in captures
    ]
    return f"""<section aria-labelledby="captures">
<h2 id="captures">The captures that there are</h2>
<p class="soft">Alone is what no other capture needs. What a capture frees would really go with it, and lies in the
trash for a day and two runs before the room comes back.</p>
{_table("Captures", head, rows, texts=3)}
</section>
"""


def _plot(title: str, shapes: str, ticks: Sequence[int], course: Sequence[Json]) -> str:
    grid = "".join(f'<path class="grid" d="M0 {_y(tick, ticks[-1])}H1000"/>' for tick in ticks)
    labels = "".join(f'<span style="top:{_y(tick, ticks[-1]) / 10:g}%">{_on_axis(tick)}</span>' for tick in ticks)
    times = [datetime.fromisoformat(moment["at"]) for moment in course]
    shown = [times[round(number * (len(times) - 1) / 4)] for number in range(5)]
    below = "".join(f"<span>{at:%b} {at.year}</span>" for at in shown)
    return f"""<div class="plot"><div class="ordinates" aria-hidden="true">{labels}</div>
<svg viewBox="0 0 1000 1000" preserveAspectRatio="none" role="img" aria-label="{escape(title, quote=True)}">
<title>{escape(title)}</title>{grid}{shapes}</svg>
<div class="abscissas" aria-hidden="true">{below}</div></div>"""


def _ordinates(top: int) -> list[int]:
    """From 0 to at least `top`, in steps that people count in."""
    unit = 1024 ** max(0, int(math.log(max(top, 1), 1024)))
    steps = (round(number * tens * unit) for tens in (0.1, 1, 10, 100) for number in (1, 2.5, 5))
    step = max(1, next(step for step in steps if step * _TICKS_MOST >= top))
    return [number * step for number in range(max(1, ceil(top / step)) + 1)]


def _on_axis(count: int) -> str:
    """As `size`, without noughts at the end: `20 MiB`."""
    number, unit = size(count).split()
    return f"{float(number):g} {unit}" if count else "0"


def _y(value: float, top: int) -> float:
    return round(1000 - 1000 * value / top, 1)


def _points(values: Sequence[int], top: int) -> list[str]:
    last = max(1, len(values) - 1)
    return [f"{1000 * number / last:.1f} {_y(value, top)}" for number, value in enumerate(values)]


def _line(values: Sequence[int], top: int) -> str:
    return f"M{'L'.join(_points(values, top))}"


def _area(below: Sequence[int], above: Sequence[int], top: int) -> str:
    return f"M{'L'.join([*_points(above, top), *reversed(_points(below, top))])}Z"


def _some(course: Sequence[Json]) -> list[tuple[int, Json]]:
    """About one moment a month, and the last."""
    return [(number, moment) for number, moment in enumerate(course) if number % 4 == 0 or moment is course[-1]]


def _table(title: str, head: Sequence[str], rows: Sequence[Sequence[str]], texts: int = 1) -> str:
    """`texts`: so many columns are words, the others figures."""

    def cells(tag: str, row: Sequence[str]) -> str:
        return "".join(f"<{tag}{' class=text' if at < texts else ''}>{cell}</{tag}>" for at, cell in enumerate(row))

    body = "".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    return f"""<div class="scroll" tabindex="0" role="region" aria-label="{title}">
<table class="figures"><thead><tr>{cells("th", head)}</tr></thead><tbody>{body}</tbody></table></div>"""


def _details(table: str) -> str:
    return f"<details><summary>The same as a table</summary>{table}</details>"


def _bytes(count: int) -> str:
    return f'<data value="{count}">{size(count)}</data>'


def _range(moment: Json) -> str:
    return f"{_bytes(moment['low_bytes'])} to {_bytes(moment['high_bytes'])}"


def _days(count: float | None) -> str:
    return "-" if count is None else f"{count:g} d"
