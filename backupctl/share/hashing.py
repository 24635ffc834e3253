"""How segments are named: XXH3-128 with the shelf's seed, or SHA-256."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import xxhash

from backupctl.share.storage import Bytes

XXH3, SHA256 = "xxh3-128", "sha256"
HASH_BYTES = {XXH3: 16, SHA256: 32}


@dataclass(frozen=True)
class Hashing:
    """The hash of one shelf. `seed` is 64 bits; SHA-256 takes none."""

    name: str
    seed: int

    @property
    def length(self) -> int:
        """Of a hash, in bytes."""
        return HASH_BYTES[self.name]

    def of(self, data: Bytes) -> bytes:
        if self.name == SHA256:
            return hashlib.sha256(data).digest()
        return xxhash.xxh3_128_digest(data, seed=self.seed)


def checksum(data: Bytes) -> str:
    """For our own small files: XXH3-128, seed 0, as `xxhsum -H2` prints it."""
    return xxhash.xxh3_128_hexdigest(data)
