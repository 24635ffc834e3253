"""Tables that must not be believed, each one lie away from a sound one; and the odd ones that may be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from backupctl.domain.errors import Malformed
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import BytesReader
from tests.formats.table_images import GptCard, mbr_card, put_record

LINUX, CONTAINER, SECOND_CONTAINER, PROTECTIVE = 0x83, 0x05, 0x0F, 0xEE


def refused(card: bytearray, message: str, sector_size: int | None = None) -> None:
    with pytest.raises(Malformed, match=message):
        read_partition_table(BytesReader(bytes(card)), sector_size)


@pytest.mark.parametrize(
    ("card", "message"),
    [
        (mbr_card((LINUX, 64, 100), (LINUX, 163, 100)), "MBR partition 2 .*sector 164"),
        (mbr_card((LINUX, 163, 100), (LINUX, 64, 100)), "MBR partition 1 .*sector 164"),
        (mbr_card((LINUX, 64, 1985)), "sectors 64 to 2049"),
        (mbr_card((LINUX, 0xFFFFFFFF, 0xFFFFFFFF)), "the card"),
        (mbr_card((LINUX, 0, 0xFFFFFFFF)), "the card"),
        (mbr_card((CONTAINER, 512, 100), (LINUX, 600, 100)), "MBR partition 2"),
        (mbr_card((CONTAINER, 512, 100), (SECOND_CONTAINER, 700, 100)), "at most one extended"),
        (mbr_card((CONTAINER, 0, 100)), "from sector 0"),
        (mbr_card((CONTAINER, 512, 2000)), "the card"),
        (mbr_card((PROTECTIVE, 1, 2047), (LINUX, 64, 100)), "hybrid"),
        (mbr_card((LINUX, 64, 100), (PROTECTIVE, 1, 63)), "hybrid"),
        (mbr_card((PROTECTIVE, 1, 1023), (PROTECTIVE, 1024, 1024)), "hybrid"),
        (mbr_card((PROTECTIVE, 2, 2046)), "protective entry from sector 1"),
        (mbr_card((PROTECTIVE, 1, 2047)), "found none"),
    ],
)
def test_mbr_lies(card: bytearray, message: str) -> None:
    refused(card, message)


@pytest.mark.parametrize("flag", [0x01, 0x7F, 0x81, 0xFF])
def test_boot_flag_that_is_none(flag: int) -> None:
    card = mbr_card((LINUX, 64, 100), (LINUX, 200, 100))
    card[446] = flag
    refused(card, f"boot flag of 00 or 80, found {flag:02x}")


def test_damaged_table_over_an_old_file_system_is_not_a_bare_file_system() -> None:
    card = mbr_card((LINUX, 64, 100), (LINUX, 200, 100))
    card[:26] = bytes.fromhex("eb3c906d6b66732e66617400020404000200020008f80600 2000")
    assert read_partition_table(BytesReader(bytes(card))) is not None
    card[446] = 0x41
    refused(card, "boot flag")


def chained(*records: tuple[int, list[tuple[int, int, int]]]) -> bytearray:
    """A card with its extended partition at sectors 512 to 1536, and these boot records in it."""
    card = mbr_card((CONTAINER, 512, 1024))
    for lba, entries in records:
        put_record(card, lba * 512, entries)
    return card


LOGICAL = (LINUX, 8, 100)


@pytest.mark.parametrize(
    ("card", "message"),
    [
        (chained(), "expected 55aa"),
        (chained((512, [LOGICAL, (CONTAINER, 256, 200)])), "sector 768 at byte 393726: expected 55aa"),
        (chained((512, [LOGICAL, (CONTAINER, 0, 200)])), "a loop"),
        (chained((512, [LOGICAL, (CONTAINER, 256, 200)]), (768, [LOGICAL, (CONTAINER, 256, 200)])), "a loop"),
        (chained((512, [LOGICAL, (CONTAINER, 256, 200)]), (768, [LOGICAL, (CONTAINER, 0, 200)])), "a loop"),
        (chained((512, [LOGICAL, (CONTAINER, 1024, 200)])), "a link into sectors 512 to 1536"),
        (chained((512, [LOGICAL, (CONTAINER, 0xFFFFFFFF, 200)])), "a link into sectors 512 to 1536"),
        (chained((512, [(LINUX, 0, 100)])), "MBR partition 5"),
        (chained((512, [(LINUX, 8, 1017)])), "sectors 520 to 1537"),
        (chained((512, [(LINUX, 8, 300), (CONTAINER, 256, 200)]), (768, [LOGICAL])), "sector 820"),
        (chained((512, [(LINUX, 300, 100), (CONTAINER, 256, 200)]), (768, [(LINUX, 8, 100)])), "MBR partition 5"),
        (chained((512, [LOGICAL, (LINUX, 200, 10)])), "one partition and one link"),
        (chained((512, [LOGICAL, (CONTAINER, 256, 9), (CONTAINER, 300, 9)])), "one partition and one link"),
        (chained((512, [(PROTECTIVE, 8, 100)])), "type ee"),
    ],
)
def test_chain_lies(card: bytearray, message: str) -> None:
    refused(card, message, 512)


def test_chain_is_bounded() -> None:
    """One link more than a PARTUUID has numbers for, without any loop."""
    endless = [(512 + 2 * i, [(LINUX, 1, 1), (CONTAINER, 2 * i + 2, 2)]) for i in range(300)]
    refused(chained(*endless), "at most 251 links", 512)


SOUND = GptCard.with_partitions((40, 99), (100, 199))


def entry_lies(places: list[tuple[int, int]]) -> GptCard:
    return GptCard.with_partitions(*places)


@pytest.mark.parametrize(
    ("card", "message"),
    [
        (entry_lies([(40, 99), (99, 199)]), "GPT partition 2 .*sector 100"),
        (entry_lies([(33, 99)]), "sectors in 34 to 478, found 33"),
        (entry_lies([(40, 479)]), "found 40 to 479"),
        (entry_lies([(99, 98)]), "found 99 to 98"),
        (entry_lies([(40, 2**64 - 1)]), "GPT partition 1"),
        (SOUND.lying(magic=b"EFI TRAP"), "found none"),
        (SOUND.lying(revision=0x00020000), "revision"),
        (SOUND.lying(size=91), "a size of 92 to 512"),
        (SOUND.lying(size=0xFFFFFFFF), "a size of 92 to 512"),
        (SOUND.lying(header_crc=0x12345678), "found 12345678"),
        (SOUND.lying(array_crc=0x12345678), "CRC 12345678"),
        (SOUND.lying(my_lba=7), "its own sector"),
        (SOUND.lying(entry_size=96), "96"),
        (SOUND.lying(entry_size=384), "384"),
        (SOUND.lying(entry_size=0), "128 x 0"),
        (SOUND.lying(count=0), "0 x 128"),
        (SOUND.lying(count=0xFFFFFFFF), "4294967295 x 128"),
        (SOUND.lying(count=8193), "8193 x 128"),
        (SOUND.lying(first_usable=1), "usable sectors"),
        (SOUND.lying(last_usable=512), "below 512, found 34 to 512"),
        (SOUND.lying(last_usable=2**64 - 1), "usable sectors"),
        (SOUND.lying(first_usable=33, last_usable=479), "the usable area"),
        (SOUND.lying(array_lba=0), "GPT entries"),
        (SOUND.lying(array_lba=40), "GPT entries"),
        (SOUND.lying(array_lba=490), "entries before sector 512"),
        (SOUND.lying(array_lba=2**64 - 1), "entries before sector 512"),
        (replace(SOUND, primary=replace(SOUND.primary, header_crc=1), backup=SOUND.primary), "its own sector 511"),
        (replace(SOUND, backup=replace(SOUND.backup, alternate=3)), "the same table"),
        (
            replace(SOUND, primary=replace(SOUND.primary, header_crc=1), backup=replace(SOUND.backup, alternate=3)),
            "the same table",
        ),
        (replace(SOUND, backup=replace(SOUND.backup, last_usable=470)), "the same table"),
        (replace(SOUND, backup=replace(SOUND.backup, array=entry_lies([(40, 99)]).backup.array)), "the same table"),
    ],
)
def test_gpt_lies(card: GptCard, message: str) -> None:
    refused(card.bytes(), message)


def test_the_sound_tables_that_the_lies_start_from() -> None:
    """Sectors as given to the builder; it is shown to sfdisk and sgdisk elsewhere."""
    table = read_partition_table(BytesReader(bytes(SOUND.bytes())))
    assert table is not None and table.warnings == ()
    assert [(p.start, p.end) for p in table.partitions] == [(40 * 512, 100 * 512), (100 * 512, 200 * 512)]
    chain = chained((512, [LOGICAL, (CONTAINER, 256, 200)]), (768, [LOGICAL]))
    table = read_partition_table(BytesReader(bytes(chain)))
    assert table is not None and table.warnings == ()
    assert [(p.number, p.start, p.end) for p in table.partitions] == [
        (5, 520 * 512, 620 * 512),
        (6, 776 * 512, 876 * 512),
    ]


def oddly_empty_chain() -> bytearray:
    return chained((512, [(CONTAINER, 256, 200)]), (768, [LOGICAL]))


@pytest.mark.parametrize(
    ("make", "warning"),
    [
        (lambda: mbr_card((0x00, 64, 100)), "type 0"),
        (lambda: mbr_card((LINUX, 0, 100)), "sector 0"),
        (lambda: mbr_card(), "no partitions"),
        (oddly_empty_chain, "sector 512 holds no partition"),
        (lambda: replace(SOUND, primary=replace(SOUND.primary, my_lba=7)).bytes(), "primary GPT is damaged"),
        (lambda: replace(SOUND, primary=replace(SOUND.primary, alternate=1)).bytes(), "primary GPT is damaged"),
        (lambda: replace(SOUND, backup=replace(SOUND.backup, array_crc=7)).bytes(), "no sound backup"),
        (lambda: replace(SOUND, primary=replace(SOUND.primary, alternate=2**40)).bytes(), "no sound backup"),
        (lambda: SOUND.bytes() + bytes(512 * 8), "made for a smaller card"),
    ],
)
def test_odd_but_trustworthy(make: Callable[[], bytearray], warning: str) -> None:
    table = read_partition_table(BytesReader(bytes(make())), 512)
    assert table is not None
    assert any(warning in told for told in table.warnings), table.warnings


def test_gpts_for_both_sector_sizes_at_once() -> None:
    """A small table for 512 byte sectors whose entries leave room for a header at byte 4096."""
    small = GptCard.with_partitions((400, 480), sectors=1024)
    large = GptCard.with_partitions((40, 99), sectors=128, sector_size=4096)
    for header in ("primary", "backup"):
        short = replace(getattr(small, header), count=1, array=getattr(small, header).array[:128])
        small = replace(small, **{header: short})
    card = large.bytes()
    overlay = small.bytes()
    card[512:1152] = overlay[512:1152]
    assert len(card) == len(overlay)
    refused(card, "two, for 512 and for 4096")
    table = read_partition_table(BytesReader(bytes(card)), 4096)
    assert table is not None and table.sector_size == 4096


@pytest.mark.parametrize("size", [0, 1, 511, 512, 1024, 4095])
@pytest.mark.parametrize("told", [None, 512, 4096])
def test_cards_too_small_for_anything(size: int, told: int | None) -> None:
    table = read_partition_table(BytesReader(bytes(mbr_card()[:size])), told)
    assert table is None or table.structures.end <= size
