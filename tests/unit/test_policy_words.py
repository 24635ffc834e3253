"""A policy in words: each key has some, and they say what the policy says."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from pathlib import Path

import pytest

from backupctl.domain.policy import Policy, parse_policy
from backupctl.domain.policy_words import in_words

SHIPPED = (Path(__file__).parents[2] / "policies" / "standard.toml").read_text(encoding="utf-8")


def test_every_key_of_the_shipped_policy_has_words() -> None:
    words = in_words(Policy())
    assert {name: set(keys) for name, keys in tomllib.loads(SHIPPED).items()} == {
        name: set(keys) for name, keys in words.items()
    }
    assert all(said.endswith(".") for keys in words.values() for said in keys.values())


# For each section, another policy; and for each of its keys a word that only this one has in its sentence.
OTHERS = [
    ('[capture]\nkind = "files"\n', ["archive"]),
    ('[files]\nroots = ["/etc", "/srv"]\nother_file_systems = true\nleave_out = ["*.o"]\ntake = ["/srv/.cache/"]\n'
     "leave_out_usual = false\nleave_out_tagged_caches = true\nleave_out_secrets = true\n",
     ["/etc, /srv", "comes along", "*.o", "/srv/.cache/", "trash come along", "only that tag", "are left out"]),
    ("[quiesce]\nsqlite = true\n", ["SQLite itself"]),
    ('[image]\nleave_out = [3, 4]\nlive = "paused"\nfreeze_memory = "1 MiB"\nmax_freeze = 1\nmax_rounds = 2\n',
     ["partition 3 and 4", "frozen for the whole", "1.00 MiB", "1 second ", "2 rounds"]),
    ('[hooks]\nonly_when = ["sh", "-c", "a b"]\nbefore = ["b4"]\nafter = ["af"]\nstop = ["db", "web"]\ndeadline = 7\n',
     ["sh -c 'a b'", "b4", "af", "db, web", "7 seconds"]),
    ('[store]\nlevel = 9\nsync_every = "1 MiB"\nidentity = "sha256"\nstandalone = true\nread_back = false\n',
     ["level 9", "1.00 MiB", "SHA-256", "once more", "not read back"]),
    ('[pace]\nrate = "20 MiB"\nnice = 0\nidle_io = false\nworkers = 2\n',
     ["20.0 MiB a second", "same priority", "any other program", "2 threads"]),
    ('[schedule]\nwhen = "Wed 03:41"\nrandom_delay = 0\nwindow = "8 h"\nretry_every = "2 h"\noverdue = "9 d"\n',
     ["Wed 03:41", "on all boards", "8 hours", "2 hours", "9 days"]),
    ('[night]\nverify_nights = 0\ndrill = "quarterly"\nscratch = "/mnt/disk"\nstall = "3 min"\n',
     ["nothing", "Four times a year", "/mnt/disk", "3 minutes"]),
    ('[retention]\ndaily = 0\nweekly = 1\nmonthly = 6\nyearly = 9\nnewest = 5\neverything_for = 0\nminimum = 1\n'
     "max_removals = 8\n",
     ["None", "1 week ", "6 months", "9 years", "5", "None", "newest good one.", "More than 8 removals at once are"]),
    ('[space]\nrewrite_dead = 100\nrewrite_traffic = "1 MiB"\nrenew_after = 0\nrenew_traffic = "2 MiB"\n'
     "reserve = 0\n",
     ["never made smaller", "1.00 MiB", "never", "2.00 MiB", "would not fit"]),
    ('[clock]\ntrust = "always"\n', ["whatever"]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "expected"), OTHERS)
def test_another_policy_has_other_words(text: str, expected: list[str]) -> None:
    section = next(iter(tomllib.loads(text)))
    said, usual = in_words(parse_policy("other", text)), in_words(Policy())
    assert said.keys() == usual.keys()
    assert list(said[section]) == list(asdict(Policy())[section])
    for words, of_usual, word in zip(said[section].values(), usual[section].values(), expected, strict=True):
        assert word in words
        assert words != of_usual
    assert {name: words for name, words in said.items() if name != section} == {
        name: words for name, words in usual.items() if name != section
    }
