"""Running programs: every way in which one can end."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import pytest

from backupctl.board.process import (
    ProgramFailed,
    ProgramKilled,
    ProgramMissing,
    ProgramTimedOut,
    ProgramTooTalkative,
    run,
)

pytestmark = pytest.mark.system


def gone(pid: int) -> bool:
    """Whether a process has ended (or waits, dead, for a parent that is not ours)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z"
    except OSError:
        return True


def wait_until_gone(pid: int) -> None:
    end = time.monotonic() + 5
    while not gone(pid):
        assert time.monotonic() < end, f"{pid} is still there"
        time.sleep(0.01)


def test_output_and_surroundings(tmp_path: Path) -> None:
    result = run(["sh", "-c", 'echo "$LC_ALL"; pwd; cat; echo said >&2'], 10, cwd=tmp_path)
    # cat found its input at the end at once.
    assert result.text == f"C\n{tmp_path}\n"
    assert (result.code, result.stderr_tail) == (0, "said\n")


def test_a_file_as_its_input(tmp_path: Path) -> None:
    given = tmp_path / "given"
    given.write_bytes(b"one\ntwo\n")
    assert run(["tail", "-n", "1"], 10, stdin=given).text == "two\n"
    with pytest.raises(FileNotFoundError, match="not-there"):
        run(["cat"], 10, stdin=tmp_path / "not-there")


def test_arguments_are_no_shell_words() -> None:
    assert run(["printf", "%s", "$HOME; a  b"], 10).stdout == b"$HOME; a  b"


def test_json_is_read() -> None:
    assert run(["printf", '{"a": [1]}'], 10).json() == {"a": [1]}
    with pytest.raises(ProgramFailed, match="not JSON"):
        run(["printf", "{"], 10).json()


def test_tools_for_file_systems_are_found_with_a_short_search_path(monkeypatch: pytest.MonkeyPatch) -> None:
    if not Path("/usr/sbin/blockdev").exists():
        pytest.skip("needs /usr/sbin/blockdev")
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    assert "util-linux" in run(["blockdev", "--version"], 10).text


def test_missing() -> None:
    with pytest.raises(ProgramMissing, match="no-such-program is not installed") as caught:
        run(["no-such-program"], 10)
    assert "Install" in caught.value.hint


def test_not_for_this_processor(tmp_path: Path) -> None:
    program = tmp_path / "program"
    program.write_bytes(b"\x7fELF nonsense")
    program.chmod(0o755)
    with pytest.raises(ProgramMissing, match="cannot be run"):
        run([program], 10)


def test_failed_with_the_end_of_what_it_said() -> None:
    with pytest.raises(ProgramFailed, match=r"code 3; it said: x+\nthe reason$") as caught:
        run(["sh", "-c", "head -c 100000 /dev/zero | tr '\\0' x >&2; echo >&2; echo the reason >&2; exit 3"], 10)
    assert len(str(caught.value)) < 5000


def test_codes_that_are_success() -> None:
    # e2fsck(8): 1 means that errors were corrected.
    assert run(["sh", "-c", "exit 1"], 10, success=(0, 1)).code == 1


def test_killed() -> None:
    with pytest.raises(ProgramKilled, match="SIGKILL"):
        run(["sh", "-c", "kill -9 $$"], 10)
    with pytest.raises(ProgramKilled, match="SIGTERM"):
        run(["sh", "-c", "kill -15 $$"], 10)


def test_timed_out_with_all_that_it_started(tmp_path: Path) -> None:
    note = tmp_path / "pid"
    started = time.monotonic()
    with pytest.raises(ProgramTimedOut, match=r"not done after 0\.5 s; it said: waiting"):
        run(["sh", "-c", f"sleep 60 & echo $! > {note}; echo waiting >&2; wait"], 0.5)
    assert time.monotonic() - started < 5
    wait_until_gone(int(note.read_text()))


def test_timed_out_by_a_child_that_keeps_the_output_open(tmp_path: Path) -> None:
    note = tmp_path / "pid"
    with pytest.raises(ProgramTimedOut):
        run(["sh", "-c", f"sleep 60 & echo $! > {note}"], 0.5)
    wait_until_gone(int(note.read_text()))


def test_timed_out_after_closing_its_output() -> None:
    with pytest.raises(ProgramTimedOut):
        run(["sh", "-c", "exec >&- 2>&-; exec sleep 60"], 0.5)


def test_too_much_output() -> None:
    with pytest.raises(ProgramTooTalkative, match="more than 1000 bytes"):
        run(["cat", "/dev/zero"], 10, most_output_bytes=1000)
    assert len(run(["head", "-c", "1000", "/dev/zero"], 10, most_output_bytes=1000).stdout) == 1000


def test_no_descriptor_is_left_open_or_handed_on() -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    kept = os.open("/dev/null", os.O_RDONLY)
    try:
        listing = run([sys.executable, "-c", "import os; print(sorted(map(int, os.listdir('/proc/self/fd'))))"], 20)
        # The fourth is that of the listing itself.
        assert listing.text == "[0, 1, 2, 3]\n"
    finally:
        os.close(kept)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
