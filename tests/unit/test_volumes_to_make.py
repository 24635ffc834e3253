"""What a record says of its card's volumes: anybody may have written it."""

from __future__ import annotations

from typing import Any, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.board.volume_tools import Making
from backupctl.domain.errors import Refused
from backupctl.domain.record import CaptureRecord
from backupctl.operations.restoring.boot_texts import swap_files, with_other_root
from backupctl.operations.restoring.volumes_to_make import volumes_to_make

ROOT = {
    "partition": 2, "start": 1 << 20, "end": 5 << 20, "kind": "ext4", "label": "rootfs", "mounted": "/",
    "identity": "8e0f6b1c-3f0d-4a52-9c37-51b6a1d0c006",
    "made": {"features": ["extent", "needs_recovery"], "inodes": 1000, "reserved_percent": 1.0},
}  # fmt: skip


class Record:
    """As much of a record as is looked at."""

    id, kind, stream_bytes = "20261001T000001Z-files-0a1b01", "files", 0

    def __init__(self, **layout: object) -> None:
        self.layout = layout


def record(size: object, *volumes: object) -> CaptureRecord:
    return cast(CaptureRecord, Record(size=size, volumes=list(volumes)))


def test_a_root() -> None:
    (found,) = volumes_to_make(record(6 << 20, ROOT))
    assert found.making == Making("ext4", "rootfs", str(ROOT["identity"]), ("extent",), inodes=1000, reserved_percent=1)
    twice = found.resized(8 << 20, names=10)
    assert twice and twice.inodes == 2000
    assert (crowded := found.resized(2 << 20, names=4000)) and crowded.inodes > 4000


def test_what_cannot_be_is_not_used() -> None:
    odd = {"made": {"features": ["-F", 5], "inodes": -1, "block_size": "4096"}, "identity": "-x", "mounted": "/../etc"}
    (found,) = volumes_to_make(record(6 << 20, {**ROOT, **odd, "label": 7}))
    assert (found.making, found.mounted) == (Making("ext4"), None)
    assert volumes_to_make(record(6 << 20, {**ROOT, "kind": "sh -c"}))[0].making is None


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda of: st.lists(of) | st.dictionaries(st.text(), of),
)


@given(size=anything, key=st.sampled_from([*ROOT, "made"]), value=anything)
def test_no_value_ends_it_otherwise(size: Any, key: str, value: Any) -> None:
    for volumes in ([{**ROOT, key: value}], [ROOT, {**ROOT, key: value}], [value]):
        for card in (size, 6 << 20):
            try:
                volumes_to_make(record(card, *volumes))
            except Refused:
                pass


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        ("UUID=a / ext4 defaults 0 1\n", "btrfs", "UUID=a / btrfs defaults 0 0\n"),
        ("# /\na\t/\text4\tnoatime,data=ordered\t0\t1\nb /b ext4\n", "f2fs", "# /\na / f2fs noatime 0 1\nb /b ext4\n"),
        ("UUID=a / ext4 commit=9 0 1\r\n", "btrfs", "UUID=a / btrfs defaults 0 0\r\n"),
        ("UUID=a / btrfs defaults 0 0\n", "btrfs", "UUID=a / btrfs defaults 0 0\n"),
        ("a / ext4\nb / ext4\n", "btrfs", "a / ext4\nb / ext4\n"),
        ("", "btrfs", ""),
    ],
)  # fmt: skip
def test_the_root_in_fstab(text: str, kind: str, expected: str) -> None:
    changed, words = with_other_root(text, kind)
    assert changed == expected
    assert bool(words) == (changed != text)


def test_swap_files() -> None:
    assert swap_files("/a\\040b none swap sw\n/dev/sda2 none swap sw\nUUID=a none swap\n/img /m ext4 loop\n") == [
        "/a b"
    ]
