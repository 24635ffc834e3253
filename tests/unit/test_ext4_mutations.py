"""ext4 metadata that lies: whatever the bytes, an answer, and never a free byte that the true file system uses.

The samples in `ext4_samples` were made by mke2fs 1.47.0 with `-U 5b0e6c3e-9d3f-4a53-8f55-1d2f1c0a7a11 -E
hash_seed=<the same>,root_owner=0:0 -L orchard -N 512 -J size=1 -d FOLDER`, FOLDER holding 30 files `cropNN` of
NN * 1700 letters "x", of which `debugfs -w` removed every second one, and with these options and sizes:

- summed: 24M -t ext4 -b 1024 -O metadata_csum,64bit,^resize_inode
- plain: 24M -t ext3 -b 1024 -I 128 -O ^resize_inode
- meta: 24M -t ext4 -b 1024 -g 256 -O meta_bg,^resize_inode,^metadata_csum,uninit_bg,64bit
- clusters: 40M -t ext4 -b 1024 -C 2048 -O bigalloc,^resize_inode,^metadata_csum
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from backupctl.domain.ranges import Ranges
from backupctl.domain.volume import VolumeMap
from backupctl.formats.crc import crc32c
from backupctl.formats.ext4_map import read_volume
from backupctl.formats.map_memory import MapMemory
from backupctl.formats.reader import RememberingReader, check_bounds

# "Free blocks" of `dumpe2fs -h`.
FREE_BLOCKS = {"summed": 23022, "plain": 23066, "meta": 22746, "clusters": 39394}
# "Block bitmap at" of `dumpe2fs summed`: of the groups that it does not call BLOCK_UNINIT, and of the one that it does.
SUMMED_BITMAPS, SUMMED_UNWRITTEN = (3, 5), 4
BLOCK = 1024

every_sample = pytest.mark.parametrize("name", FREE_BLOCKS)


@dataclass
class Patched:
    """ReadAt over bytes of which some are others; `size` may be less than there are."""

    data: bytes
    changes: dict[int, int]
    size: int

    def read_at(self, offset: int, length: int) -> bytes:
        check_bounds(offset, length, self.size)
        found = bytearray(self.data[offset : offset + length])
        for at, value in self.changes.items():
            if offset <= at < offset + length:
                found[at - offset] = value
        return bytes(found)


@cache
def sample(name: str) -> bytes:
    path = Path(__file__).parent / "ext4_samples" / f"{name}.img.zst"
    return zstandard.ZstdDecompressor().decompress(path.read_bytes())


@cache
def metadata(name: str) -> tuple[int, ...]:
    """Where mutations may hurt: superblock, and every byte in a block that is neither empty nor a file's content."""
    data = sample(name)
    blocks = (data[start : start + BLOCK] for start in range(0, len(data), BLOCK))
    known = [number for number, block in enumerate(blocks) if any(block) and block[:16] != b"x" * 16]
    return tuple(number * BLOCK + i for number in known for i in range(BLOCK))


MEMORY = MapMemory()  # of all that is mapped here, one after the other


def mapped(name: str, changes: dict[int, int], size: int | None = None) -> VolumeMap | None:
    data = sample(name)
    reader = Patched(data, changes, len(data) if size is None else size)
    found = read_volume(reader)
    assert read_volume(reader, memory=MEMORY) == found
    return found


@cache
def truth(name: str) -> VolumeMap:
    found = mapped(name, {})
    assert found is not None
    return found


def assert_sound(found: VolumeMap | None, size: int) -> None:
    if found is None:
        return
    assert found.free.end <= size
    assert found.zero.end <= size
    assert not found.free & found.zero
    assert not found.free.touches(0, 2048)
    if found.warnings:
        assert not found.free
        assert not found.zero
        assert all(isinstance(warning, str) and len(warning) > 40 for warning in found.warnings)


@every_sample
def test_a_sample_is_mapped(name: str) -> None:
    found = truth(name)
    assert found.warnings == ()
    assert found.free.total == FREE_BLOCKS[name] * BLOCK
    assert found.zero.total == 1023 * BLOCK  # the journal that `-J size=1` asks for, but its first block


@dataclass
class Counting(Patched):
    """Notes what is read."""

    read: list[tuple[int, int]]

    def read_at(self, offset: int, length: int) -> bytes:
        self.read.append((offset, offset + length))
        return super().read_at(offset, length)


@every_sample
def test_a_second_map_reads_what_has_changed(name: str) -> None:
    data = sample(name)
    reader = Counting(data, {}, len(data), [])
    remembering, memory = RememberingReader(reader, 1 << 20), MapMemory()
    assert read_volume(remembering, live=True, memory=memory) == truth(name)
    remembering.forget(Ranges([(len(data) - 512, len(data))]))
    reader.read.clear()
    assert read_volume(remembering, memory=memory) == truth(name)
    # That its journal is empty is looked at in the end only.
    assert sum(end - start for start, end in reader.read) <= 1024
    reader.read.clear()
    reader.changes[1024 + 0x58] = 7  # the size of inodes
    assert read_volume(remembering, memory=memory) == truth(name)
    remembering.forget(Ranges([(1024, 1025)]))
    assert read_volume(remembering, memory=memory) == mapped(name, reader.changes) != truth(name)
    assert reader.read[0] == (1024, 2048)
    # What there is no room for is read each time.
    reader.read.clear()
    forgetful = RememberingReader(reader, 0)
    assert forgetful.read_at(3, 5) == forgetful.read_at(3, 5)
    assert reader.read == [(3, 8)] * 2


@every_sample
@given(data=st.data())
@settings(max_examples=150)
def test_many_lies(name: str, data: st.DataObject) -> None:
    changes = data.draw(
        st.dictionaries(st.sampled_from(metadata(name)), st.integers(0, 255), min_size=1, max_size=8), label="changes"
    )
    size = data.draw(st.sampled_from((len(sample(name)), len(sample(name)) // 2, 5000, 2048)), label="size")
    assert_sound(mapped(name, changes, size), size)


@every_sample
@given(data=st.data())
@settings(max_examples=150)
def test_one_wrong_bit_frees_nothing(name: str, data: st.DataObject) -> None:
    """The map is what it was, or knows less; also without checksums, where two bits of a bitmap may make up."""
    at = data.draw(st.sampled_from(metadata(name)), label="at")
    found = mapped(name, {at: sample(name)[at] ^ 1 << data.draw(st.integers(0, 7), label="bit")})
    if found is not None:
        assert not found.free - truth(name).free
        # ext3's pointer blocks have no checksum: one that points into a file makes that file's block the journal's,
        # for the kernel as well.
        assert name == "plain" or not found.zero - truth(name).zero


FIELDS = st.sampled_from((*range(0x2C), *range(0x3A, 0x64), 0xCE, 0xCF, *range(0xE0, 0xE8), *range(0xFE, 0x108)))


@given(changes=st.dictionaries(FIELDS, st.sampled_from((0, 1, 2, 3, 4, 16, 127, 128, 255)), min_size=1, max_size=4))
@settings(max_examples=150)
def test_lies_with_a_right_checksum(changes: dict[int, int]) -> None:
    superblock = bytearray(sample("summed")[1024:2048])
    for at, value in changes.items():
        superblock[at] = value
    superblock[0x3FC:] = crc32c(bytes(superblock[:0x3FC])).to_bytes(4, "little")
    size = len(sample("summed"))
    found = mapped("summed", {1024 + at: value for at, value in enumerate(superblock)})
    assert_sound(found, size)
    if found is not None:
        assert not found.free - truth("summed").free


@given(block=st.sampled_from(SUMMED_BITMAPS), bit=st.integers(0, 8 * BLOCK - 1))
@settings(max_examples=150)
def test_every_flipped_bit_of_a_bitmap_is_noticed(block: int, bit: int) -> None:
    at = block * BLOCK + bit // 8
    found = mapped("summed", {at: sample("summed")[at] ^ 1 << bit % 8})
    assert found is not None
    assert not found.free
    assert "checksum" in found.warnings[0]


def test_a_bitmap_that_was_never_written_is_not_read() -> None:
    assert mapped("summed", dict.fromkeys(range(SUMMED_UNWRITTEN * BLOCK, (SUMMED_UNWRITTEN + 1) * BLOCK), 0x55)) == (
        truth("summed")
    )


@every_sample
def test_a_volume_too_small_for_its_file_system(name: str) -> None:
    found = mapped(name, {}, len(sample(name)) - 1)
    assert found is not None
    assert "no more than the volume has" in found.warnings[0]
    assert_sound(found, len(sample(name)) - 1)


def test_what_cannot_be_read_is_said() -> None:
    class Failing(Patched):
        def read_at(self, offset: int, length: int) -> bytes:
            if offset > 2048:
                raise OSError(5, "Input/output error")
            return super().read_at(offset, length)

    with pytest.raises(OSError, match="Input/output"):
        read_volume(Failing(sample("plain"), {}, len(sample("plain"))))
