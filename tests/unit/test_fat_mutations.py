"""Volumes that lie: whatever the bytes, an answer, and never a free byte that another reader of the volume may need."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats import fat
from tests.fat_image import FatImage, SparseReader, fat12, fat16, fat32

MAKERS = {"fat12": fat12, "fat16": fat16, "fat32": fat32}
BASES = {kind: (made(), made().head()) for kind, made in MAKERS.items()}


def mapped(image: FatImage, head: bytes | None = None) -> VolumeMap:
    found = fat.read_volume(SparseReader(image.head() if head is None else head, image.size))
    assert found is not None
    return found


def patched(data: bytes, at: int, new: bytes) -> bytes:
    return data[:at] + new + data[at + len(new) :]


def assert_read_whole(found: VolumeMap, why: str) -> None:
    assert not found.free
    assert len(found.warnings) == 1
    assert found.warnings[0].startswith("read whole: ")
    assert why in found.warnings[0]


@pytest.mark.parametrize("kind", BASES)
def test_the_unharmed_volumes_are_mapped(kind: str) -> None:
    image, head = BASES[kind]
    found = mapped(image, head)
    assert (found.kind, found.identity, found.warnings) == (kind, "1234-ABCD", ())
    assert found.free == Ranges(image.free())


@pytest.mark.parametrize("kind", BASES)
@settings(max_examples=300)
@given(
    changes=st.lists(st.tuples(st.integers(0, 511), st.binary(min_size=1, max_size=4)), min_size=1, max_size=4),
    keep=st.integers(1, 3),
)
def test_any_boot_sector_gives_an_answer_within_the_volume(
    kind: str, changes: list[tuple[int, bytes]], keep: int
) -> None:
    image, head = BASES[kind]
    for at, new in changes:
        head = patched(head, at, new[: 512 - at])
    size = image.size * keep // 3  # also a volume cut short
    found = fat.read_volume(SparseReader(head, size))
    if found is not None:
        assert found.free.end <= size
        assert not found.free.touches(0, 512)
        assert not found.zero


@settings(max_examples=200)
@given(entries=st.lists(st.sampled_from([0, 0, 1, 0xFF7, 0xFFF, 0x100, 0x010, 0x001]), min_size=1, max_size=400))
def test_every_12_bit_entry_is_told_from_its_neighbours(entries: list[int]) -> None:
    image = FatImage(len(entries), 12, dict(enumerate(entries, 2)))
    assert mapped(image).free == Ranges(image.free())


@settings(max_examples=50)
@given(
    entries=st.dictionaries(
        st.integers(3, 65526), st.sampled_from([1, 0x100, 0x10000, 0x1000000, 0x10000000, 0xF0000000, 0x30000000])
    )
)
def test_the_high_four_bits_of_a_32_bit_entry_do_not_count(entries: dict[int, int]) -> None:
    image = fat32(entries={2: 0x0FFFFFFF, **entries})
    assert mapped(image).free == Ranges(image.free())


@settings(max_examples=50)
@given(entries=st.dictionaries(st.integers(2, 5001), st.sampled_from([1, 0x100, 0xFFFF, 0xFFF7])))
def test_16_bit_entries(entries: dict[int, int]) -> None:
    image = fat16(entries=entries)
    assert mapped(image).free == Ranges(image.free())


def test_a_table_longer_than_what_is_read_at_once() -> None:
    # 2^18 entries are read at a time; used and free runs cross that boundary and the next.
    entries = {2: 0x0FFFFFFF, **{n: n + 1 for n in range(262_140, 262_150)}, 600_000: 0x0FFFFFFF}
    image = fat32(clusters=700_000, entries=entries)
    found = mapped(image)
    assert found.free == Ranges(image.free())
    assert len(found.free) == 3


@pytest.mark.parametrize("kind", BASES)
@settings(max_examples=50)
@given(data=st.data())
def test_copies_that_differ_anywhere_are_not_believed(kind: str, data: st.DataObject) -> None:
    image, head = BASES[kind]
    length = (image.clusters + 2) * image.bits // 8
    copy = data.draw(st.integers(0, 1))
    at = (image.reserved + copy * image.table_sectors) * 512 + data.draw(st.integers(0, length - 1))
    found = mapped(image, patched(head, at, bytes([head[at] ^ 0x01])))
    assert not found.free
    assert found.kind == kind
    assert found.warnings[0].startswith("read whole: ")


@pytest.mark.parametrize("kind", BASES)
def test_what_follows_the_last_entry_in_a_table_means_nothing(kind: str) -> None:
    image, head = BASES[kind]
    last = (image.reserved + image.table_sectors) * 512 - 1
    found = mapped(image, patched(head, last, b"\xff"))
    assert found.warnings == ()
    assert found.free == Ranges(image.free())


@pytest.mark.parametrize("kind", BASES)
def test_what_follows_the_last_cluster_is_data(kind: str) -> None:
    image = MAKERS[kind](entries={2: 0x0FFFFFFF}, per_cluster=4, spare_sectors=3)
    end = image.size - 3 * 512
    found = fat.read_volume(SparseReader(image.head(), image.size + 1_000_000))
    assert found is not None
    assert found.free == Ranges([((image.data_sector + 4) * 512, end)])


def test_a_wiped_table_is_not_a_table_of_free_clusters() -> None:
    image, head = BASES["fat16"]
    assert_read_whole(mapped(image, head[:512] + bytes(len(head) - 512)), "begins with 00")


def test_a_root_directory_in_a_free_cluster() -> None:
    assert_read_whole(mapped(fat32(entries={3: 0x0FFFFFFF})), "the root directory, is marked free")


def test_with_mirroring_off_a_cluster_is_free_if_no_table_uses_it() -> None:
    image = fat32(flags=0x81, entries={2: 0x0FFFFFFF, 9: 0x0FFFFFFF})
    second = (image.reserved + image.table_sectors) * 512
    head = patched(image.head(), second + 4 * 9, bytes(4) + b"\xff\xff\xff\x0f")  # there 10 is used, and 9 is not
    found = mapped(image, head)
    free = Ranges(fat32(entries={2: 1, 9: 1, 10: 1}).free())
    assert (found.free, found.warnings) == (free, ())


def test_an_active_table_that_is_not_there() -> None:
    assert_read_whole(mapped(fat32(flags=0x82)), "one of 2 tables")


@pytest.mark.parametrize(
    ("image", "why"),
    [
        (fat16(second=0x7FFF), "not unmounted cleanly"),
        (fat32(second=0x07FFFFFF), "not unmounted cleanly"),
        (fat12(state=1), "not unmounted cleanly"),
        (fat32(state=1), "not unmounted cleanly"),
        (fat16(second=0xBFFF), "read or write error"),
        (fat32(second=0x0BFFFFFF), "read or write error"),
    ],
)
def test_a_volume_left_open_is_mapped_with_a_warning(image: FatImage, why: str) -> None:
    found = mapped(image)
    assert found.free == Ranges(image.free())
    assert len(found.warnings) == 1
    assert why in found.warnings[0]


@pytest.mark.parametrize(
    ("kind", "at", "new", "why"),
    [
        ("fat16", 11, b"\x00\x03", "bytes in a sector"),
        ("fat16", 13, b"\x03", "power of two"),
        ("fat16", 13, b"\x00", "power of two"),
        ("fat16", 14, b"\x00\x00", "a reserved sector"),
        ("fat16", 16, b"\x00", "an allocation table"),
        ("fat16", 17, b"\x01\x00", "whole sectors"),
        ("fat16", 17, b"\x00\x00", "a root directory of its own"),
        ("fat16", 21, b"\x00", "media byte"),
        ("fat16", 22, b"\x01\x00", "tables for 5038 clusters, found tables for 254"),
        ("fat16", 22, b"\xff\xff", "more than the"),
        ("fat16", 19, b"\xff\xff", "a file system within"),
        ("fat32", 32, b"\xff\xff\xff\xff", "a file system within"),
        ("fat32", 36, b"\x00\x00\x00\x00", "the size of a table"),
        ("fat32", 42, b"\x01\x00", "version 0.0, found 0.1"),
        ("fat32", 44, b"\x01\x00\x00\x00", "a root cluster"),
        ("fat32", 44, b"\xf7\xff\x00\x00", "a root cluster from 2 to 65526"),
    ],
)
def test_an_impossible_boot_sector_is_named(kind: str, at: int, new: bytes, why: str) -> None:
    image, head = BASES[kind]
    assert_read_whole(mapped(image, patched(head, at, new)), why)


@pytest.mark.parametrize("image", [FatImage(65525, 16, {2: 1}), FatImage(65524, 32, {2: 1}, wide=True, reserved=32)])
def test_a_layout_against_the_count_of_clusters_is_not_believed(image: FatImage) -> None:
    assert_read_whole(mapped(image), "the layout of")


def test_the_two_entries_before_the_first_cluster_are_none() -> None:
    image = fat12(second=0)
    assert mapped(image).free == Ranges(image.free())


def test_the_16_bit_count_of_sectors_goes_first() -> None:
    # FATGEN, "FAT Type Determination".
    image, head = BASES["fat16"]
    shorter = (image.total_sectors - 100).to_bytes(4, "little")
    assert mapped(image, patched(head, 32, shorter)).free == Ranges(image.free())


def test_no_boot_signature_no_map() -> None:
    image, head = BASES["fat16"]
    assert fat.read_volume(SparseReader(patched(head, 510, b"\0\0"), image.size)) is None


def test_a_label_cannot_upset_a_terminal() -> None:
    image, head = BASES["fat16"]
    root = (image.data_sector - image.root_entries * 32 // 512) * 512
    assert mapped(image, patched(head, root, b"\x1b[2J       \x08")).label == "?[2J"


@pytest.mark.parametrize("data", [b"", b"\x55\xaa", bytes(512), bytes(510) + b"\x55\xaa"])
def test_no_fat_boot_sector(data: bytes) -> None:
    assert fat.read_volume(SparseReader(data, len(data))) is None
