"""Access control lists against setfacl(1) and getfacl(1) of the kernel's own file system."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backupctl.domain.errors import Malformed
from backupctl.formats.posix_acl import ACCESS, DEFAULT, acl_attribute, acl_text

pytestmark = pytest.mark.formats


def shown(path: Path, *options: str) -> list[str]:
    text = subprocess.run(["getfacl", "-nEcp", *options, path], capture_output=True, text=True, check=True).stdout
    return text.split()


@pytest.mark.parametrize("spec", ["u:1234:rx,g:77:w", "u:0:-,u:4000000000:rwx,g:1:r,m::r", "u:5:r"])
def test_as_the_tools_have_them(tmp_path: Path, spec: str) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    other.mkdir()
    subprocess.run(["setfacl", "-m", spec, one], check=True)
    subprocess.run(["setfacl", "-d", "-m", spec, one], check=True)
    for name, options in ((ACCESS, ["-a"]), (DEFAULT, ["-d"])):
        attribute = os.getxattr(one, name)
        assert acl_text(attribute).decode().split() == shown(one, *options)
        assert acl_attribute(acl_text(attribute)) == attribute
        os.setxattr(other, name, acl_attribute("\n".join(reversed(shown(one, *options))).encode()))
        assert shown(other, *options) == shown(one, *options)


@given(st.binary(max_size=40) | st.binary(max_size=32).map(lambda rest: b"\2\0\0\0" + rest))
def test_anything_else_is_refused(text: bytes) -> None:
    for reading in (acl_text, acl_attribute):
        try:
            reading(text)
        except Malformed:
            continue


@pytest.mark.parametrize("text", [b"user:mill:rwx", b"user::rwxs", b"mask:3:rwx", b"user:4294967295:r--", b"u::rwx"])
def test_what_no_list_has(text: bytes) -> None:
    with pytest.raises(Malformed):
        acl_attribute(text)
