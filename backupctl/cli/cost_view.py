"""What keeping captures costs, drawn for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from backupctl.cli.render import short, when
from backupctl.cli.text import WIDTH, paragraph, table
from backupctl.domain.units import counted, size

Json = dict[str, Any]

_BAR_MOST = 36

_CLASSES = {
    "alone": "for one capture alone",
    "within_one_tier": "within one tier",
    "between_tiers": "shared between tiers",
    "dead": "for no capture",
}
_OVERHEAD = {
    "contents": "contents of captures",
    "tables": "tables of parts",
    "records": "records of captures",
    "standalone": "standalone images",
    "manifest": "manifest",
    "padding": "heads and gaps of parts",
    "parts_without_table": "parts without a table",
    "unfinished": "unfinished runs",
    "trash": "trash",
    "ballast": "ballast",
    "readers": "marks of readers",
    "lock": "lock",
    "texts_and_marks": "texts and marks",
    "not_ours": "files that are not ours",
}


def cost(result: Json) -> str:
    lines = [
        paragraph(
            f"{size(result['total_bytes'])} on {result['share']}; {size(result['free_bytes'])} are free. "
            f"Tiers are those of the policy {result['policy']}."
        )
    ]
    for item in result["boards"]:
        captures = [capture for capture in result["captures"] if capture["board"] == item["board"]]
        lines += ["", _board(item, captures)]
    if len(result["boards"]) > 1:
        lines += ["", "all boards, and what is beside them", "", _bytes(result)]
    elif result["boards"] and result["total_bytes"] != result["boards"][0]["total_bytes"]:
        beside = _without(result, result["boards"][0])
        lines += ["", f"beside the board: {size(beside['total_bytes'])}", "", _bytes(beside)]
    lines += ["", paragraph(_OFF_SITE)]
    lines += [paragraph(f"warning: {text}") for text in result["problems"]]
    return "\n".join(lines)


_AFTER_THE_TRASH = (
    "What a capture frees lies in the trash for a day and two runs when the capture goes; the room comes back after "
    "that."
)
_LATER = (
    "What is only for a capture, and is not freed with it, stands in files that others need, until these files are "
    "mostly dead and are rewritten."
)
# "Data Backup Options", P. Ruggiero and M. Heckathorn, Carnegie Mellon University for US-CERT, page 1.
_OFF_SITE = (
    "A card and one share are two copies on two kinds of media, and none of them off-site: less than the rule 3-2-1, "
    "three copies on two kinds of media and one of them off-site (Data Backup Options, US-CERT). Whatever takes the "
    "house takes both."
)


def _board(item: Json, captures: list[Json]) -> str:
    lines = [f"board {item['board']}: {size(item['total_bytes'])}", "", _bytes(item)]
    if captures:
        later = any(capture["alone_bytes"] > capture["freed_now_bytes"] for capture in captures)
        said = f"{_AFTER_THE_TRASH} {_LATER}" if later else _AFTER_THE_TRASH
        lines += ["", _tiers(item), "", _captures(captures), "", paragraph(said)]
    whole, total = item["whole_images_bytes"], item["total_bytes"]
    if whole:
        lines += [
            "",
            paragraph(
                f"Each of {counted(len(captures), 'capture')} as an image of its own, with the same compression and "
                f"without what is free, would take {size(whole)} together: {whole / max(1, total):.1f} times as much."
            ),
        ]
    return "\n".join(lines)


def _without(whole: Json, item: Json) -> Json:
    kinds = ("classes", "overhead")
    rest = {kind: {name: bytes - item[kind][name] for name, bytes in whole[kind].items()} for kind in kinds}
    return {"total_bytes": whole["total_bytes"] - item["total_bytes"], **rest}


def _bytes(item: Json) -> str:
    """Classes and overhead, as far as there is any of it."""
    rows = [(words, item["classes"][kind]) for kind, words in _CLASSES.items()]
    rows += [(words, item["overhead"][kind]) for kind, words in _OVERHEAD.items()]
    return bars(("what", "takes"), [((words, size(bytes)), bytes) for words, bytes in rows if bytes], right=(1,))


def _tiers(item: Json) -> str:
    rows = [
        ((tier["tier"], str(tier["captures"]), size(tier["alone_bytes"])), tier["alone_bytes"])
        for tier in item["tiers"]
    ]
    return bars(("tier", "captures", "only for it"), rows, right=(1, 2))


def _captures(captures: list[Json]) -> str:
    ids = [item["id"] for item in captures]
    rows = []
    for item in captures:
        taken = when(item["started"]) if item["started"] else "?"
        only, freed = size(item["alone_bytes"]), size(item["freed_now_bytes"])
        rows.append(((taken, short(item["id"], ids), item["tier"], only, freed), item["alone_bytes"]))
    return bars(("taken", "capture", "tier", "only for it", "frees"), rows, right=(3, 4))


def bars(head: Sequence[str], rows: Sequence[tuple[Sequence[str], int]], right: Sequence[int]) -> str:
    """A table with a bar behind each row, as long as its number is large; `right`: columns aligned to the right."""
    widths = [max(len(cells[column]) for cells in (head, *(cells for cells, _ in rows))) for column in range(len(head))]
    room = min(_BAR_MOST, WIDTH - sum(widths) - 2 * len(widths))
    most = max((number for _, number in rows), default=0)
    drawn = [(*cells, "#" * _length(number, most, room)) for cells, number in rows]
    return table((*head, ""), drawn, right)


def _length(number: int, most: int, room: int) -> int:
    """Of a bar: what is more than nothing can be seen."""
    return max(1, round(room * number / most)) if number else 0
