"""Permissions of files that are picked: never wider than they were on the board."""

from __future__ import annotations

from collections.abc import Sequence

from backupctl.formats.file_tree import Node

_GROUP, _OTHERS, _SET_IDS = 0o070, 0o007, 0o6000
_GROUP_ENTERS, _OTHERS_ENTER = 0o010, 0o001


def picked_mode(node: Node, folders: Sequence[Node], owners_kept: bool, special: bool) -> int:
    """The mode that a file or folder gets, which stood in `folders` and now stands alone.

    A file that everybody may read is private in a folder that only its owner may enter, and has to stay so. Where
    it belongs to who picks it, its group is another one. `special`: set-user-ID and set-group-ID of files stay.
    """
    mode = node.mode
    if not owners_kept:
        mode = _without_group(mode)
    for folder in folders:
        if folder.mode & _OTHERS_ENTER:
            continue
        mode &= ~_OTHERS
        if not (folder.mode & _GROUP_ENTERS and folder.group == node.group):
            mode = _without_group(mode)
    if node.kind != "folder" and not special:
        mode &= ~_SET_IDS
    return mode


def _without_group(mode: int) -> int:
    """Leaves the group what others have as well."""
    return mode & ~_GROUP | mode & (mode & _OTHERS) << 3
