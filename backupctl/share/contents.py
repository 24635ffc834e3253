"""The contents of a capture: what its stream holds, not where that stands.

    #backupctl contents<TAB>1<TAB><shelf id><TAB><capture id><TAB><stream><TAB><name of the hash><TAB><stream length>
    <offset><TAB><length><TAB>data|zero|unreadable<TAB><hash, or ->
    #end<TAB><lines><TAB><XXH3-128 of all lines above>

Ascending, without overlap; what is not listed is free space. One zstd frame.
"""

from __future__ import annotations

import hashlib
import re
from binascii import unhexlify
from collections.abc import Iterable, Iterator

import xxhash
import zstandard

from backupctl.domain.errors import Malformed
from backupctl.domain.names import CAPTURE_ID
from backupctl.domain.segments import MOST_SEGMENT_BYTES, STATE_NAMES, STATES_BY_NAME, Entry, State
from backupctl.share.hashing import HASH_BYTES
from backupctl.share.lines import lines_of, text_of
from backupctl.share.marks import FORMAT, ShelfMark
from backupctl.share.storage import Storage

_STREAM_MOST = 1 << 60
_LINES_MOST = 1 << 26
_LINES_AT_ONCE = 4096
_TEXT_MOST = 128 << 20  # what is held in memory as a whole: of a card with half a TiB in use
_WITH_HASH, _WITHOUT_HASH = {b"data", b"unreadable"}, {b"zero", b"unreadable"}


def contents_name(capture: str, stream: int = 0) -> str:
    return f"captures/{capture}/contents.{stream}.tsv.zst"


class DigestOfCapture:
    """SHA-256 over the lines `<offset><TAB><length><TAB><state><TAB><SHA-256 of the segment, or ->`.

    It does not depend on where segments stand, nor on the hash that the shelf finds them by.
    """

    def __init__(self) -> None:
        self._digest = hashlib.sha256()

    def add(self, entry: Entry, sha256: bytes) -> None:
        line = f"{entry.offset}\t{entry.length}\t{STATE_NAMES[entry.state]}\t{sha256.hex() or '-'}\n"
        self._digest.update(line.encode())

    def hex(self) -> str:
        return self._digest.hexdigest()


def write_contents(
    storage: Storage, mark: ShelfMark, capture: str, stream_bytes: int, entries: Iterable[Entry], stream: int = 0
) -> tuple[int, int]:
    """Writes and syncs the file; returns the number of lines and of bytes stored. Raises OSError."""
    compressor = zstandard.ZstdCompressor(level=3, write_checksum=True).compressobj()
    checksum = xxhash.xxh3_128()
    lines = [f"#backupctl contents\t{FORMAT}\t{mark.id}\t{capture}\t{stream}\t{mark.hashing.name}\t{stream_bytes}\n"]
    count = stored = 0
    sink = storage.create(contents_name(capture, stream))

    def put(data: bytes) -> None:
        nonlocal stored
        if data:
            sink.write(data)
            stored += len(data)

    def put_lines() -> None:
        text = "".join(lines).encode()
        lines.clear()
        checksum.update(text)
        put(compressor.compress(text))

    try:
        for entry in entries:
            lines.append(f"{entry.offset}\t{entry.length}\t{STATE_NAMES[entry.state]}\t{entry.hash.hex() or '-'}\n")
            count += 1
            if len(lines) == _LINES_AT_ONCE:
                put_lines()
        put_lines()
        put(compressor.compress(f"#end\t{count}\t{checksum.hexdigest()}\n".encode()) + compressor.flush())
        sink.sync()
    finally:
        sink.close()
    return count, stored


def read_contents(storage: Storage, mark: ShelfMark, capture: str, stream: int = 0) -> Iterator[Entry]:
    """The lines, in order. Raises Malformed, at the latest after the last line.

    The first item is the header's: an entry of length 0 whose offset is the length of the stream.
    """
    name = contents_name(capture, stream)
    lines = lines_of(storage, name)
    first = next(lines, b"")
    stream_bytes = _stream_bytes(first, mark, capture, stream)
    checksum = xxhash.xxh3_128(first + b"\n")
    width = 2 * HASH_BYTES[mark.hashing.name]
    yield Entry(stream_bytes, 0, State.DATA, b"")
    count, end = 0, 0
    for line in lines:
        fields = line.split(b"\t")
        if fields[0] == b"#end":
            if fields != [b"#end", b"%d" % count, checksum.hexdigest().encode()] or next(lines, None) is not None:
                raise Malformed(name, 0, f"'#end' for {count} lines with the right checksum", repr(line[:120]))
            return
        checksum.update(line)
        checksum.update(b"\n")
        count += 1  # noqa: SIM113 - the last line is none
        try:
            offset_text, length_text, state_text, hash_hex = fields
            state = STATES_BY_NAME[state_text.decode()]
            hash = b"" if hash_hex == b"-" else bytes.fromhex(hash_hex.decode())
            entry = Entry(int(offset_text), int(length_text), state, hash)
            if hash_hex == b"-":
                wrong = state is State.DATA
            else:  # fromhex passes over blanks
                wrong = state is State.ZERO or (len(hash_hex), 2 * len(hash)) != (width, width)
            if wrong or not (offset_text.isdigit() and length_text.isdigit()):
                raise ValueError
            if not 0 < entry.length <= MOST_SEGMENT_BYTES or entry.offset < end or count > _LINES_MOST:
                raise ValueError
        except (ValueError, KeyError):
            raise Malformed(
                f"{name}, line {count + 1}", 0, "a stretch after the one before", repr(line[:120])
            ) from None
        end = entry.offset + entry.length
        if end > stream_bytes:
            raise Malformed(f"{name}, line {count + 1}", 0, f"the stream's {stream_bytes} bytes", repr(line[:120]))
        yield entry
    raise Malformed(name, 0, "a last line '#end'", "none: the file is truncated")


def _stream_bytes(first: bytes, mark: ShelfMark, capture: str, stream: int) -> int:
    """The length of the stream that the first line names. Raises Malformed."""
    name = contents_name(capture, stream)
    if not CAPTURE_ID.fullmatch(capture):
        raise Malformed(name, 0, "the id of a capture", repr(capture))
    expected = f"#backupctl contents\t{FORMAT}\t{mark.id}\t{capture}\t{stream}\t{mark.hashing.name}\t".encode()
    if not first.startswith(expected) or not first[len(expected) :].isdigit():
        raise Malformed(name, 0, expected.decode(), repr(first[:160]))
    stream_bytes = int(first[len(expected) :])
    if stream_bytes > _STREAM_MOST:
        raise Malformed(name, 0, f"a stream of at most {_STREAM_MOST} bytes", str(stream_bytes))
    return stream_bytes


def read_contents_text(storage: Storage, mark: ShelfMark, capture: str, stream: int = 0) -> bytes:
    """The lines between the first and the last, as they are: with the right checksum, but not looked at one by one.

    For comparing many captures: see `hashes_in`. In memory as a whole. Raises Malformed.
    """
    name = contents_name(capture, stream)
    text = text_of(storage, name, _TEXT_MOST)
    begin, end = text.find(b"\n") + 1, text.rfind(b"\n", 0, -1) + 1
    if not text.startswith(b"#end\t", end):
        raise Malformed(name, 0, "a last line '#end'", "none: the file is truncated")
    _stream_bytes(text[: begin - 1], mark, capture, stream)
    checksum = xxhash.xxh3_128_hexdigest(memoryview(text)[:end])
    if not re.fullmatch(rb"#end\t\d+\t%b\n" % checksum.encode(), text[end:]):
        raise Malformed(name, 0, f"'#end' with the checksum {checksum}", repr(text[end:][:120]))
    return text[begin:end]


def hashes_in(lines: Iterable[bytes], mark: ShelfMark, capture: str) -> list[bytes]:
    """The hashes of the segments that `lines` of `read_contents_text` refer to. Raises Malformed."""
    width = 2 * mark.hashing.length
    found = []
    for line in lines:
        try:
            offset, length, state, hash_hex = line.split(b"\t")
            if not (offset.isdigit() and length.isdigit()):
                raise ValueError
            if hash_hex != b"-" and len(hash_hex) == width and state in _WITH_HASH:
                found.append(unhexlify(hash_hex))
            elif hash_hex != b"-" or state not in _WITHOUT_HASH:
                raise ValueError
        except ValueError:
            raise Malformed(contents_name(capture), 0, "lines of four fields", repr(line[:120])) from None
    return found
