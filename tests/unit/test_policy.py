"""Policies as people write them: what is taken, and what is refused with which words."""

from __future__ import annotations

import dataclasses
import tomllib
from pathlib import Path

import pytest

from backupctl.domain.errors import UsageError
from backupctl.domain.policy import Policy, parse_policy
from backupctl.domain.quantities import parse_size, parse_span

SHIPPED = (Path(__file__).parents[2] / "policies" / "standard.toml").read_text(encoding="utf-8")
HOUR, DAY = 3600, 24 * 3600


def test_the_shipped_policy_has_every_key_with_its_default() -> None:
    assert parse_policy("standard", SHIPPED) == Policy()
    document = tomllib.loads(SHIPPED)
    for section in dataclasses.fields(Policy):
        if section.name != "name":
            keys = {key.name for key in dataclasses.fields(getattr(Policy(), section.name))}
            assert set(document[section.name]) == keys, section.name


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("45 min", 45 * 60),
        ("36 h", 36 * HOUR),
        ("36h", 36 * HOUR),
        ("10 d", 10 * DAY),
        ("2 w", 14 * DAY),
        ("1.5 D", 36 * HOUR),
        ("0 d", 0),
    ],
)
def test_spans(text: str, seconds: int) -> None:
    assert parse_span(text) == seconds


@pytest.mark.parametrize("text", ["", "36", "h", "-1 d", "1 m", "1 month", "1 d 2 h", "1e3 h", "٣ d", "9" * 400 + " d"])
def test_what_is_no_span(text: str) -> None:
    with pytest.raises(ValueError, match="not a span of time"):
        parse_span(text)


@pytest.mark.parametrize(
    ("text", "size"), [("512", 512), ("64 MiB", 64 << 20), ("20 MB", 20_000_000), ("1.5kib", 1536), ("1 GiB", 1 << 30)]
)
def test_sizes(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize("text", ["", "MiB", "-5", "1 d", "1 TB", "1e9", "9" * 400 + " MiB"])
def test_what_is_no_size(text: str) -> None:
    with pytest.raises(ValueError, match="not a size"):
        parse_size(text)


def test_what_is_said_is_taken_and_the_rest_stays_as_it_was() -> None:
    policy = parse_policy("mine", '[retention]\ndaily = 14\neverything_for = "2 d"\n[space]\nrewrite_traffic = 4096\n')
    assert policy.name == "mine"
    assert (policy.retention.daily, policy.retention.weekly, policy.retention.everything_for) == (14, 4, 2 * DAY)
    assert (policy.space.rewrite_traffic, policy.space.renew_after) == (4096, 180 * DAY)


def test_nought_needs_no_unit() -> None:
    policy = parse_policy("mine", "[retention]\neverything_for = 0\n[space]\nrenew_after = 0\n")
    assert (policy.retention.everything_for, policy.space.renew_after) == (0, 0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[retention]\ndayly = 7\n", "no key 'dayly'"),
        ("[retenton]\n", "no key 'retenton'"),
        ("[retention]\nminimum = 0\n", "not within 1 and"),
        ("[retention]\ndaily = -1\n", "not within 0 and"),
        ("[retention]\ndaily = true\n", "daily is True"),
        ("[retention]\ndaily = 7.5\n", "daily is 7.5"),
        ('[retention]\ndaily = "7 d"\n', "daily is '7 d'"),
        ("[retention]\neverything_for = 36\n", "of what"),
        ('[retention]\neverything_for = "36 sec"\n', "not a span of time"),
        ('[retention]\neverything_for = "400 d"\n', "is 400 days, not within 0 hours and 366 days"),
        ('[schedule]\nretry_every = "4 min"\n', "is 4 minutes, not within 5 minutes and 24 hours"),
        ("[schedule]\nwindow = 6\n", "of what"),
        ("[schedule]\nwindow = 0\n", "not within 1 hour and 7 days"),
        ("[schedule]\nwhen = 3\n", "when is 3"),
        ("[space]\nrewrite_dead = 40\n", "not within 50 and 100"),
        ('[space]\nrenew_traffic = "1 h"\n', "not a size"),
        ('[store]\nsync_every = "2 GiB"\n', "is 2.00 GiB, not within 1.00 MiB and 1.00 GiB"),
        ("[space]\nreserve = 51\n", "not within 0 and 50"),
        ('[clock]\ntrust = "never"\n', "auto or always"),
        ('[night]\nstall = "5 s"\n', "not a span"),
        ("retention = 7\n", "not a table"),
        ('[capture]\nkind = "tape"\n', "image or files"),
        ("[files]\nleave_out = [2]\n", "not a list of str"),
        ('[files]\nroots = ["srv"]\n', "'srv' is not the whole path"),
        ('[files]\nroots = ["/srv/../etc/"]\n', "is written '/etc'"),
        ('[files]\ntake = ["/srv//a"]\n', "take: '/srv//a' names a folder as ''"),
        ('[files]\nleave_out = ["/"]\n', "no pattern"),
        ('[files]\nleave_out = ["a**b"]\n', "alone between slashes"),
        ('[files]\nroots = ["/srv/a"]\nleave_out = ["/s*/"]\n', "leaves out '/srv/a', which is one of roots"),
    ],
)
def test_what_cannot_be_is_refused(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        parse_policy("mine", text)


def test_a_misspelt_key_names_the_nearest() -> None:
    with pytest.raises(UsageError) as error:
        parse_policy("mine", "[retention]\nmax_removal = 7\n")
    assert "'max_removals'" in error.value.hint
