"""With BACKUPCTL_TEST_NOTHING_SKIPPED=1 a skipped test is a failed run: a green one then ran all that it promised.

Not promised is what only another kernel could give; such a test's reason begins with "needs the kernel's".
"""

from __future__ import annotations

import os
import signal

import pytest
from hypothesis import settings
from xdist.remote import Producer  # type: ignore[import-untyped]
from xdist.scheduler.loadscope import LoadScopeScheduling  # type: ignore[import-untyped]

_skipped: list[str] = []


def pytest_configure() -> None:
    """Several processes that share the tests out see none of each other's mounts (mount_namespaces(7))."""
    # Ignored in what a shell runs in the background, and so in all that is started here, at a terminal of a test as
    # well: an exec leaves ignored what was (signal(7)).
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if "PYTEST_XDIST_WORKER" not in os.environ or os.geteuid() != 0:
        return
    from backupctl.board.private_mounts import enter_private_mounts  # Linux only

    enter_private_mounts()


# How long one example takes says nothing where the virtual board has the other processor.
settings.register_profile("shared", deadline=None)
settings.load_profile("shared")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What takes many minutes is for a long run, BACKUPCTL_LONG=1. The virtual board comes first: it takes longest."""
    if os.environ.get("BACKUPCTL_LONG") != "1":
        long = [item for item in items if item.get_closest_marker("long")]
        items[:] = [item for item in items if item not in long]
        config.hook.pytest_deselected(items=long)
    items.sort(key=lambda item: item.get_closest_marker("rig") is None)


class _ByRoom(LoadScopeScheduling):  # type: ignore[misc] # its base has no types
    """What stays in one process: all that use the virtual board, since there is one; and each module."""

    def _split_scope(self, nodeid: str) -> str:
        return "rig" if nodeid.startswith("tests/rig/") else nodeid.partition("::")[0]


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> LoadScopeScheduling:
    return _ByRoom(config, log)


def _note(report: pytest.TestReport | pytest.CollectReport) -> None:
    # An expected failure is reported as skipped as well.
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        if not reason.removeprefix("Skipped: ").startswith("needs the kernel's "):
            _skipped.append(f"{report.nodeid}: {reason}")


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _note(report)


def pytest_collectreport(report: pytest.CollectReport) -> None:
    _note(report)


def _nothing_may_be_skipped() -> bool:
    return os.environ.get("BACKUPCTL_TEST_NOTHING_SKIPPED") == "1"


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    if _skipped and _nothing_may_be_skipped() and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if _skipped and _nothing_may_be_skipped():
        terminalreporter.section("skipped, and nothing may be", red=True)
        for line in _skipped:
            terminalreporter.line(line)
