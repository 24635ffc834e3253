"""Whatever is done to a table: it is refused by Malformed, or its partitions lie on the card and do not overlap."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.domain.volume import PartitionTable
from backupctl.formats.partition_table import read_partition_table
from backupctl.formats.reader import BytesReader
from tests.formats.table_images import GptCard, mbr_card, put_record

SECTOR_SIZES = st.sampled_from([None, 512, 4096])
INTERESTING = st.sampled_from([0, 1, 2, 5, 0x0F, 0x55, 0x7F, 0x80, 0x83, 0x85, 0xAA, 0xEE, 0xFF])
EDGES = st.sampled_from([0, 1, 2, 33, 34, 63, 64, 478, 479, 511, 512, 513, 2**31, 2**32 - 1, 2**63, 2**64 - 1])


def chain_card() -> bytearray:
    card = mbr_card((0x0C, 64, 64), (0x05, 128, 300), (0x83, 450, 60), sectors=512)
    put_record(card, 128 * 512, [(0x83, 8, 50), (0x05, 100, 100)])
    put_record(card, 228 * 512, [(0x82, 8, 50), (0x05, 200, 100)])
    put_record(card, 328 * 512, [(0x83, 8, 50)])
    return card


MBR = bytes(chain_card())
MBR_RECORDS = (0, 128 * 512, 228 * 512, 328 * 512)
GPT = GptCard.with_partitions((40, 99), (100, 199), (300, 478))
GPT_BYTES = bytes(GPT.bytes())
GPT_4096 = bytes(GptCard.with_partitions((40, 99), (100, 120), sectors=160, sector_size=4096).bytes())


def check(card: bytes | bytearray, sector_size: int | None) -> PartitionTable | None:
    try:
        table = read_partition_table(BytesReader(bytes(card)), sector_size)
    except Malformed:
        return None
    if table is None:
        return None
    for partition in table.partitions:
        assert 0 <= partition.start < partition.end <= len(card)
    for lower, upper in pairwise(sorted(table.partitions, key=lambda p: p.start)):
        assert lower.end <= upper.start
    assert table.structures.end <= len(card)
    assert table.structures.covers(0, 512)
    for partition in table.partitions:
        if partition.start > 0:
            assert not table.structures.touches(partition.start, partition.end)
    numbers = [partition.number for partition in table.partitions]
    assert numbers == sorted(set(numbers))
    return table


def test_sound_tables_pass_the_check() -> None:
    for card, sector_size, count in ((MBR, 512, 5), (GPT_BYTES, 512, 3), (GPT_4096, 4096, 2)):
        for told in (None, sector_size):
            table = check(card, told)
            assert table is not None
            assert (len(table.partitions), table.sector_size, table.warnings) == (count, sector_size, ())


@given(
    st.lists(st.tuples(st.sampled_from(MBR_RECORDS), st.integers(440, 511), st.integers(0, 255) | INTERESTING)),
    SECTOR_SIZES,
)
def test_mutated_boot_records(changes: list[tuple[int, int, int]], sector_size: int | None) -> None:
    card = bytearray(MBR)
    for record, offset, value in changes:
        card[record + offset] = value
    check(card, sector_size)


FIELDS = st.tuples(
    st.sampled_from(MBR_RECORDS),
    st.integers(0, 3),
    st.sampled_from([0x00, 0x05, 0x0F, 0x83, 0xEE]),
    st.integers(0, 600) | EDGES,
    st.integers(0, 600) | EDGES,
)


@given(st.lists(FIELDS, min_size=1, max_size=4), SECTOR_SIZES)
def test_mutated_entries(changes: list[tuple[int, int, int, int, int]], sector_size: int | None) -> None:
    """Whole fields at once: plausible places get past more checks than random bytes do."""
    card = bytearray(MBR)
    for record, index, kind, start, sectors in changes:
        at = record + 446 + 16 * index
        card[at + 4] = kind
        card[at + 8 : at + 16] = (start & 0xFFFFFFFF).to_bytes(4, "little") + (sectors & 0xFFFFFFFF).to_bytes(
            4, "little"
        )
    check(card, sector_size)


@given(
    st.sampled_from([GPT_BYTES, GPT_4096]),
    st.lists(st.tuples(st.integers(0, 20 * 1024), st.booleans(), st.integers(0, 255)), max_size=8),
    SECTOR_SIZES,
)
def test_mutated_gpt_bytes(card: bytes, changes: list[tuple[int, bool, int]], sector_size: int | None) -> None:
    mutated = bytearray(card)
    for offset, from_end, value in changes:
        mutated[-1 - offset if from_end else offset] = value
    check(mutated, sector_size)


HEADER_FIELDS = {
    "my_lba": st.integers(0, 520) | EDGES,
    "alternate": st.integers(0, 520) | EDGES,
    "first_usable": st.integers(0, 520) | EDGES,
    "last_usable": st.integers(0, 520) | EDGES,
    "array_lba": st.integers(0, 520) | EDGES,
    "count": st.integers(0, 300) | st.sampled_from([8192, 8193, 2**31, 2**32 - 1]),
    "entry_size": st.sampled_from([0, 1, 64, 127, 128, 129, 256, 512, 4096, 2**31, 2**32 - 1]),
    "size": st.integers(0, 600) | st.sampled_from([2**31, 2**32 - 1]),
}


@given(
    st.fixed_dictionaries({}, optional=HEADER_FIELDS),
    st.fixed_dictionaries({}, optional=HEADER_FIELDS),
    SECTOR_SIZES,
)
def test_gpt_headers_that_lie_with_right_checksums(
    primary: dict[str, int], backup: dict[str, int], sector_size: int | None
) -> None:
    card = GptCard(
        primary=GPT.lying(**primary).primary,
        backup=GPT.lying(**backup).backup,
        sectors=GPT.sectors,
        sector_size=GPT.sector_size,
    )
    check(card.bytes(), sector_size)


PLACE = st.integers(0, 520) | EDGES


@given(st.lists(st.tuples(PLACE, PLACE), max_size=6), SECTOR_SIZES)
def test_gpt_entries_that_lie_with_right_checksums(places: list[tuple[int, int]], sector_size: int | None) -> None:
    table = check(GptCard.with_partitions(*places).bytes(), sector_size)
    sound = all(34 <= first <= last <= 478 for first, last in places) and all(
        lower[1] < upper[0] for lower, upper in pairwise(sorted(places))
    )
    assert (table is not None) == (sound and sector_size != 4096)


@settings(max_examples=50)
@given(st.sampled_from([MBR, GPT_BYTES, GPT_4096]), st.integers(0, 700_000), SECTOR_SIZES)
def test_cards_cut_short(card: bytes, length: int, sector_size: int | None) -> None:
    check(card[:length], sector_size)


@given(st.binary(min_size=510, max_size=510), st.binary(max_size=4096), SECTOR_SIZES)
def test_noise_that_ends_like_a_boot_record(record: bytes, rest: bytes, sector_size: int | None) -> None:
    check(record + b"\x55\xaa" + rest, sector_size)
