"""File systems whose bitmaps must not be believed: all of them is data, and a warning says why."""

from __future__ import annotations

import ctypes
import ctypes.util
import random
import re
from pathlib import Path

import pytest

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.crc import crc16, crc32c
from backupctl.formats.ext4_map import read_volume
from backupctl.formats.reader import BytesReader
from tests.formats import ext4_images

pytestmark = pytest.mark.formats


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    ext4_images.require_tools()
    return tmp_path_factory.mktemp("ext4")


@pytest.fixture(scope="module")
def summed(folder: Path) -> bytes:
    """With metadata_csum, several groups, in pieces."""
    tree = ext4_images.make_tree(folder / "tree")
    return ext4_images.make(folder / "summed", "40M", "-t", "ext4", "-b", "1024", tree=tree).read_bytes()


@pytest.fixture(scope="module")
def plain(folder: Path) -> bytes:
    """The same without any checksum."""
    return ext4_images.make(
        folder / "plain", "40M", "-t", "ext4", "-b", "1024", "-O", "^metadata_csum,^uninit_bg,^64bit"
    ).read_bytes()


def mapped(data: bytes) -> VolumeMap:
    found = read_volume(BytesReader(data))
    assert found is not None
    return found


def assert_whole(data: bytes, reason: str) -> None:
    found = mapped(data)
    assert not found.free
    assert not found.zero
    assert len(found.warnings) == 1
    assert re.search(reason, found.warnings[0]), found.warnings[0]


def patched(data: bytes, offset: int, new: bytes) -> bytes:
    assert data[offset : offset + len(new)] != new
    return data[:offset] + new + data[offset + len(new) :]


def by_debugfs(tmp_path: Path, data: bytes, *commands: str) -> bytes:
    """The image after debugfs changed it, with checksums made right again."""
    path, script = tmp_path / "volume", tmp_path / "script"
    path.write_bytes(data)
    script.write_text("\n".join(commands) + "\n")
    ext4_images.run("debugfs", "-w", "-f", script, path)
    changed = path.read_bytes()
    assert changed != data
    return changed


def place(data: bytes, tmp_path: Path, what: str) -> int:
    """Byte of group 0's structure, as `dumpe2fs` prints it ("Block bitmap at 131"), with blocks of 1 KiB."""
    path = tmp_path / "looked_at"
    path.write_bytes(data)
    match = re.search(rf"{what} at (\d+)", ext4_images.run("dumpe2fs", path))
    assert match
    return int(match[1]) * 1024


def test_the_images_can_be_mapped_as_they_are(summed: bytes, plain: bytes) -> None:
    for data in (summed, plain):
        assert mapped(data).warnings == ()
        assert mapped(data).free


def test_no_file_system() -> None:
    assert read_volume(BytesReader(b"")) is None
    assert read_volume(BytesReader(bytes(2047))) is None
    assert read_volume(BytesReader(bytes(4096))) is None


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ("feature needs_recovery", "needs_recovery"),
        ("ssv state 3", "errors were detected"),
        ("ssv state 0", "cleanly unmounted"),
        ("ssv state 5", "cleanly unmounted"),
        ("ssv feature_incompat 0x40002c2", "unknown bits 0x4000000"),
        ("ssv feature_incompat 0x12c2", "unknown bits 0x1000"),
        ("ssv feature_ro_compat 0x2046b", "unknown bits 0x20000"),
        ("ssv feature_ro_compat 0x4eb", "unknown bits 0x80"),
        ("ssv feature_incompat 0x2ca", "journal of another device"),
        ("ssv rev_level 2", "revision 1"),
        ("ssv journal_dev 0x801", "journal on another device"),
        ("ssv journal_inum 0", "journal on another device"),
        ("ssv journal_inum 2", "regular file"),
        ("ssv journal_inum 4000000", "journal inode that exists"),
        ("ssv blocks_count 40961", "no more than the volume has"),
        ("ssv blocks_count 0x100000000", "no more than the volume has"),
        ("ssv first_data_block 0", "first data block 1"),
        ("ssv log_block_size 7", "1 to 64 KiB"),
        ("ssv log_cluster_size 4", "cluster size"),
        ("ssv blocks_per_group 8200", "blocks in a group"),
        ("ssv clusters_per_group 0", "clusters in a group"),
        ("ssv clusters_per_group 8200", "clusters in a group"),
        ("ssv inodes_per_group 0", "inodes shared out"),
        ("ssv inode_size 100", "inodes of 128"),
        ("ssv desc_size 96", "descriptors of 64"),
        ("ssv reserved_gdt_blocks 300", "reserved descriptor blocks"),
        ("ssv checksum_type 2", "checksums of type 1"),
        ("set_bg 0 free_blocks_count 5\nset_bg 0 checksum calc", "free clusters, as its descriptor counts"),
        ("set_bg 0 block_bitmap 99999999\nset_bg 0 checksum calc", "block bitmap within blocks"),
        ("set_bg 0 inode_table 40900\nset_bg 0 checksum calc", "inode table within blocks"),
        ("set_bg 1 inode_bitmap 8194\nset_bg 1 checksum calc", "place of its own"),
        ("set_inode_field <8> mode 040755", "regular file"),
        ("set_inode_field <8> links_count 0", "that is linked"),
        ("set_inode_field <8> size 1025", "whole blocks"),
        ("set_inode_field <8> size 0", "whole blocks"),
        ("set_inode_field <8> size 0x400000000", "whole blocks"),
        ("set_inode_field <8> size 2048", "as its size says|next"),
        ("set_inode_field <8> flags 0", "next, within|journal"),
    ],
)
def test_what_debugfs_changed(summed: bytes, tmp_path: Path, command: str, reason: str) -> None:
    assert_whole(by_debugfs(tmp_path, summed, *command.split("\n")), reason)


def test_a_warning_is_words_for_a_person(summed: bytes, tmp_path: Path) -> None:
    found = mapped(by_debugfs(tmp_path, summed, "feature needs_recovery"))
    assert found.kind == "ext4"
    assert found.label == "rooftop"
    assert found.warnings == (
        "the ext4 file system cannot be mapped, so its free space is read too: ext4 superblock at byte 1120: expected "
        "a journal that has been written back, found needs_recovery set: the bitmaps are older than the journal",
    )


def test_checksums(summed: bytes, tmp_path: Path) -> None:
    # The superblock's s_mtime, then a descriptor's count of directories: both in nothing that a map needs.
    assert_whole(patched(summed, 1024 + 0x2C, b"\x77"), "superblock at byte 2044: expected checksum")
    assert_whole(patched(summed, 2048 + 0x10, b"\x77"), "descriptor of group 0 at byte 2048: expected checksum")
    bitmap = place(summed, tmp_path, "Block bitmap")
    assert_whole(patched(summed, bitmap, b"\x7f"), "block bitmap of group 0 .*checksum")
    inode = place(summed, tmp_path, "Inode table") + 7 * 256
    assert_whole(patched(summed, inode + 0x10, b"\x77"), "journal inode 8 .*checksum")


def test_crc16_of_a_descriptor(folder: Path) -> None:
    path = ext4_images.make(
        folder / "crc16", "40M", *["-t", "ext4", "-b", "1024", "-O", "^metadata_csum,uninit_bg,^64bit"]
    )
    data = path.read_bytes()
    assert mapped(data).free
    assert_whole(patched(data, 2048 + 0x10, b"\x77"), "descriptor of group 0 at byte 2048: expected checksum")


def test_structures_of_another_group_in_one_whose_bitmap_was_never_written(summed: bytes, tmp_path: Path) -> None:
    """flex_bg may put them there; group 1's descriptor counts one block less, or it contradicts the layout."""
    path = tmp_path / "looked_at"
    path.write_bytes(summed)
    group = re.search(
        r"^Group 1: \(Blocks 8193-16384\).*BLOCK_UNINIT.*?(\d+) free blocks",
        ext4_images.run("dumpe2fs", path),
        re.MULTILINE | re.DOTALL,
    )
    assert group
    moved = ["set_bg 0 inode_bitmap 16000", "set_bg 0 checksum calc"]
    assert_whole(by_debugfs(tmp_path, summed, *moved), "block bitmap of group 1 .*free clusters")
    counted = f"set_bg 1 free_blocks_count {int(group[1]) - 1}\nset_bg 1 checksum calc".split("\n")
    found = mapped(by_debugfs(tmp_path, summed, *moved, *counted))
    assert found.warnings == ()
    assert found.free == mapped(summed).free - Ranges([(16000 * 1024, 16001 * 1024)])


def test_bitmap_that_calls_the_file_systems_own_blocks_free(plain: bytes, tmp_path: Path) -> None:
    # Without checksums: group 0's first block (its superblock) free and another block, free before, in use instead.
    bitmap = place(plain, tmp_path, "Block bitmap")
    bits = int.from_bytes(plain[bitmap : bitmap + 1024], "little")
    last_free = (bits ^ ((1 << 8192) - 1)).bit_length() - 1
    swapped = (bits & ~1 | 1 << last_free).to_bytes(1024, "little")
    assert_whole(patched(plain, bitmap, swapped), "own blocks .* in use, found some of them free")


def test_padding_of_the_last_bitmap_counts_for_nothing(plain: bytes, tmp_path: Path) -> None:
    path = tmp_path / "volume"
    path.write_bytes(plain)
    places = re.findall(r"Block bitmap at (\d+)", ext4_images.run("dumpe2fs", path))
    # 40960 blocks of 1 KiB from block 1: the last group of 8192 has 8191.
    last = int(places[-1]) * 1024 + 1023
    assert plain[last] & 0x80
    assert mapped(patched(plain, last, bytes([plain[last] & 0x7F]))) == mapped(plain)


def test_more_groups_than_memory_is_spent_on(plain: bytes) -> None:
    class Vast(BytesReader):
        size = 1 << 40

    # s_blocks_count 0x04, s_blocks_per_group 0x20, s_clusters_per_group 0x24.
    data = bytearray(plain)
    data[1024 + 0x04 : 1024 + 0x08] = (1 << 29).to_bytes(4, "little")
    data[1024 + 0x20 : 1024 + 0x28] = (8).to_bytes(4, "little") * 2
    found = read_volume(Vast(bytes(data)))
    assert found is not None
    assert "at most 65536 groups" in found.warnings[0]
    assert not found.free


JOURNAL_LIES = {
    "magic": (0x0, b"\0", "magic"),
    "type": (0x4, b"\0\0\0\5", "type 5"),
    "block size": (0xC, b"\0\0\x10\0", "4096"),
    "length": (0x10, b"\0\1\0\0", "length of 2 to"),
    "first": (0x14, b"\0\1\0\0", "first log block"),
    "start": (0x1C, b"\0\0\0\7", "log from block 7"),
    "errno": (0x20, b"\xff\xff\xff\xfb", "aborted"),
    "unknown feature": (0x28, b"\0\0\1\0", "unknown bits 0x100"),
}


@pytest.mark.parametrize("lie", JOURNAL_LIES)
def test_journal_superblock(summed: bytes, tmp_path: Path, lie: str) -> None:
    """Offsets: kernel documentation, filesystems/ext4, "Journal (jbd2)", Super Block. No checksum in mke2fs's own."""
    offset, new, reason = JOURNAL_LIES[lie]
    path = tmp_path / "looked_at"
    path.write_bytes(summed)
    start = ext4_images.journal_by_debugfs(path)[0][0] * 1024
    assert summed[start : start + 4] == bytes.fromhex("c03b3998")
    assert_whole(patched(summed, start + offset, new), f"jbd2 superblock .*{reason}")


def test_crc_catalogue_and_libext2fs() -> None:
    # "check" of CRC-32/ISCSI (0xE3069283, inverted at the end) and of CRC-16/MODBUS (0x4B37): the catalogue of
    # parametrised CRC algorithms. RFC 3720, B.4: 32 bytes of zeros, of ones.
    assert crc32c(b"123456789") ^ 0xFFFFFFFF == 0xE3069283
    assert crc16(b"123456789") == 0x4B37
    assert crc32c(bytes(32)) ^ 0xFFFFFFFF == 0x8A9136AA
    assert crc32c(b"\xff" * 32) ^ 0xFFFFFFFF == 0x62A8AB43
    name = ctypes.util.find_library("ext2fs")
    if name is None:
        pytest.skip("libext2fs is not installed")
    library = ctypes.CDLL(name)
    rng = random.Random(3)
    for length in (0, 1, 3, 63, 64, 65, 66, 127, 128, 1020, 1024, 4096, 4097, 8192, 65536):
        data, start = rng.randbytes(length), rng.getrandbits(32)
        their = library.ext2fs_crc32c_le(ctypes.c_uint32(start), data, ctypes.c_size_t(length)) & 0xFFFFFFFF
        assert crc32c(data, start) == their, length
        their = library.ext2fs_crc16(ctypes.c_uint16(start & 0xFFFF), data, ctypes.c_uint(length)) & 0xFFFF
        assert crc16(data, start & 0xFFFF) == their, length
