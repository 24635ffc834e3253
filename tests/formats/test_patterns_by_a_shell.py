"""Patterns of paths against pathname expansion by bash (globstar and dotglob set), over a tree of odd names.

There `*` and `**` mean the same (Bash Reference Manual, "Pattern Matching"; "The Shopt Builtin", globstar), but for
`**` at the end of a pattern, which is left to `tests/unit/test_choosing.py`.
"""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path

import pytest

from backupctl.domain.patterns import exactly, parse_pattern

pytestmark = pytest.mark.formats

NAMES = ("a", "b", "ab", ".a", "a.b", "b a", "\udcff", "ä", "aab")
PARTS = ("a", "b", "*", "a*", "*b", "*a*b", "**", ".*", "*.*", "ä", "* *")
LISTING = r"""
shopt -s globstar dotglob nullglob
IFS=
while read -r pattern; do
    for each in $pattern; do printf "%s\0" "${each%/}"; done
    printf "\n\0"
done
"""


def test_patterns_name_what_a_shell_finds(tmp_path: Path) -> None:
    dice = random.Random(7)
    tree = [Path(*(dice.choice(NAMES) for _ in range(dice.randint(1, 4)))) for _ in range(250)]
    for path in tree:
        (tmp_path / path).mkdir(parents=True, exist_ok=True)
    there = [path.relative_to(tmp_path) for path in tmp_path.rglob("*")]
    patterns: list[str] = []
    while len(patterns) < 300:
        parts = [dice.choice(PARTS) for _ in range(dice.randint(1, 4))]
        if parts[-1] != "**" and parts.count("**") <= 2:
            patterns.append("/".join(parts))
    asked = "".join(f"**/{text}\n" if at % 2 else f"{text}\n" for at, text in enumerate(patterns))
    done = subprocess.run(
        ["bash", "-c", LISTING], input=os.fsencode(asked), cwd=tmp_path, capture_output=True, check=True,
        env={**os.environ, "LC_ALL": "C"},
    )  # fmt: skip
    found = [set(listed.split(b"\0")[:-1]) for listed in done.stdout.split(b"\n\0")[:-1]]
    assert len(found) == len(patterns)
    assert sum(map(bool, found)) > 200
    for at, (text, by_shell) in enumerate(zip(patterns, found, strict=True)):
        named = exactly([parse_pattern(text if at % 2 else f"/{text}")])
        ours = {os.fsencode(path) for path in there if named(os.fsencode(path))}
        by_shell = {path for path in by_shell if (tmp_path / os.fsdecode(path)).exists()}  # words without a star
        assert ours == by_shell, text
