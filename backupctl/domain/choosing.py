"""What of a tree comes along in a capture of files. Asked for each path, a million times."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from backupctl.domain.files_policy import FilesPolicy, covers
from backupctl.domain.left_out import SECRETS, USUAL, LeftOut
from backupctl.domain.patterns import Search, any_of, exactly, on_the_way, parse_pattern


class Verdict(Enum):
    """What becomes of a path. FOLDER_ONLY: the folder comes along; what is in it, only where `may_hold_taken`."""

    TAKE = "take"
    LEAVE = "leave"
    FOLDER_ONLY = "folder only"


def left_out(policy: FilesPolicy, of_system: bool = True) -> tuple[LeftOut, ...]:
    """What is left out without being named. `of_system`: the tree is a system's root, not any folder."""
    usual = USUAL if policy.leave_out_usual else ()
    # Who names a folder of which all would be left out wants what is in it.
    named = [each for each in usual if not any(covers(parse_pattern(each.pattern), root) for root in policy.roots)]
    listed = [*named, *(SECRETS if policy.leave_out_secrets else ())]
    return tuple(each for each in listed if of_system or not each.pattern.startswith("/"))


@dataclass(frozen=True)
class Choice:
    """Paths are bytes, below the tree's root, without a slash at either end; the root itself is b"".

    First what is a secret is left out, then what `take` names comes along, then the rest is left out that is to be.
    """

    _secret: Search
    _secrets_in: Search
    _taken: Search
    _left: Search
    _left_in: Search
    _towards_taken: Search

    @staticmethod
    def compile(policy: FilesPolicy, of_system: bool = True) -> Choice:
        """`of_system`: the tree is a system's root, where `/tmp` is what it is everywhere. Raises ValueError."""
        listed = left_out(policy, of_system)
        secrets = [each.pattern for each in listed if each in SECRETS]
        left = [*policy.leave_out, *(each.pattern for each in listed if each not in SECRETS)]
        taken = [parse_pattern(text) for text in policy.take]
        return Choice(*_searches(secrets), any_of(taken), *_searches(left), on_the_way(taken))

    def of(self, path: bytes, is_folder: bool) -> Verdict:
        """Whether it comes along; of what is in a folder, only where that folder is entered."""
        if not path:
            return Verdict.TAKE
        asked = path + b"/" if is_folder else path
        if self._secret(asked):
            return Verdict.LEAVE
        if self._taken(asked):
            return Verdict.FOLDER_ONLY if is_folder and self._secrets_in(asked) else Verdict.TAKE
        if self._left(asked):
            return Verdict.FOLDER_ONLY if is_folder and self._towards_taken(asked) else Verdict.LEAVE
        if is_folder and (self._left_in(asked) or self._secrets_in(asked)):
            return Verdict.FOLDER_ONLY
        return Verdict.TAKE

    def may_hold_taken(self, path: bytes) -> bool:
        """Whether something in a folder that is left out may come along all the same, so that it has to be entered."""
        asked = path + b"/"
        return bool(self._towards_taken(asked)) and not (self._secret(asked) or self._secrets_in(asked))


def _searches(patterns: Iterable[str]) -> tuple[Search, Search]:
    """For what they name, and for folders of which they name all that is in them."""
    parsed = [parse_pattern(text) for text in patterns]
    return any_of(parsed), exactly([within for each in parsed if (within := each.within)])
